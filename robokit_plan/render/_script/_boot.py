"""Step boot: settings of the firmware and the kernel, in a block of our own."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from robokit_plan.model import BootSetting, Plan

from ._profiles import by_profile
from ._words import here_document, sh_quote

BOOT = r"""
# ---- boot: settings of the firmware and the kernel -----------------------------------------------

# Puts the prepared text in the place of a file; the file before stays beside it.
replace_boot_file() {
  if [ -f "$1" ] && cmp -s -- "$work/boot" "$1"; then return 0; fi
  if will "change $1 (the file before is kept as $1.before-$robot)"; then
    boot_writable "$1"
    copy_whole "$work/boot" "$1.new"
    if [ -f "$1" ]; then
      copy_whole "$1" "$1.before-$robot.new"
      mv -f -- "$1.before-$robot.new" "$1.before-$robot"
    fi
    # stays until the hook has run, so that a power cut between the two is made up for
    if [ "$boot_hook" = yes ]; then : >"$home/.boot-pending"; fi
    mv -f -- "$1.new" "$1"
    sync -- "$1"
  fi
  # shellcheck disable=SC2034  # not every plan has a hook that asks
  boot_changed=yes
  attention "boot settings changed: restart the machine"
}

# Boot partitions are small. Arguments: file, its copy; there is a whole copy or none.
copy_whole() {
  if cp -- "$1" "$2" && sync -- "$2"; then return 0; fi
  rm -f -- "$2"
  fail 4 "no room is left for $2; nothing there was changed: make some, then run this again"
}

boot_writable() {
  folder=$(dirname -- "$1")
  if [ ! -w "$(existing_folder "$folder")" ] || { [ -f "$1" ] && [ ! -w "$1" ]; }; then
    fail 9 "$folder is mounted read-only, nothing there was changed: mount -o remount,rw $folder, then run this again"
  fi
}

# Prints where a boot file is on this machine, false where it is not. Images moved /boot/firmware;
# what stands under /etc/default is read if it is there, so it may be made.
boot_file() {
  case $1 in
    /etc/default/*) printf '%s\n' "$1"; return 0 ;;
  esac
  for found in "$1" "/boot/${1#/boot/firmware/}"; do
    if [ -f "$found" ]; then
      printf '%s\n' "$found"
      return 0
    fi
  done
  return 1
}
"""

BOOT_BLOCK = r"""
# Prints a boot file without our block. A block whose end is gone loses its first line only: what
# follows may be of others. Argument: file.
without_block() {
  if [ -f "$1" ]; then cat -- "$1"; fi | awk -v first="$block_first" -v last="$block_last" '
    { line = $0; sub(/\r$/, "", line) } # some editors on a PC end every line anew
    line == first { if (inside) printf "%s", held; inside = 1; held = ""; next }
    inside && line == last { inside = 0; next }
    inside { held = held $0 "\n"; next }
    { print }
    END { if (inside) printf "%s", held }
  '
}
"""

BOOT_PLACE = r"""
# Replaces our block in a boot file, or appends it; the rest of the file stays as it is. Arguments:
# function, file, the plan's name of it.
place_block() {
  without_block "$2" >"$work/boot"
  { printf '%s\n' "$block_first"; "$1"; printf '%s\n' "$block_last"; } >>"$work/boot"
  if [ "$dry_run" = no ]; then note_ours boot "block $3"; fi
  replace_boot_file "$2"
}
"""

BOOT_WORDS = r"""
# Edits the one line of a kernel command line. Arguments: function that calls add_word and
# drop_word, file, the plan's name of it.
place_words() {
  words=
  place_of_words=$3
  if [ -f "$2" ]; then words=$(tr '\r\n' '  ' <"$2"); fi
  "$1"
  printf '%s\n' "$words" | awk '{ $1 = $1; print }' >"$work/boot"
  if [ -f "$2" ] && [ "$(awk '{ $1 = $1; print }' "$2")" = "$(cat "$work/boot")" ]; then return 0; fi
  if [ ! -f "$2" ] && [ -z "$(cat "$work/boot")" ]; then return 0; fi
  replace_boot_file "$2"
}

add_word() {
  case " $words " in
    *" $1 "*) ;;
    *)
      if [ "$dry_run" = no ]; then note_ours boot "added $place_of_words $1"; fi
      words="$words $1"
      ;;
  esac
}

# Takes a word out; what follows a comma is options and may differ: console=ttyS2,115200n8.
drop_word() {
  stay=
  # shellcheck disable=SC2086  # words of a line
  set -f
  for word in $words; do
    if [ "${word%%,*}" = "${1%%,*}" ]; then
      if [ "$dry_run" = no ]; then note_ours boot "dropped $place_of_words $word"; fi
    else
      stay="$stay $word"
    fi
  done
  set +f
  words=$stay
}
"""

BOOT_APPLY = r"""
# Runs the hook of the kernel packages that puts an edited file into force. Arguments: hook, then
# the variables that it wants.
apply_boot() {
  hook=$1
  shift
  if [ "$dry_run" = no ]; then note_ours boot-hooks "$hook $*"; fi
  if [ "$boot_changed" = no ] && [ ! -e "$home/.boot-pending" ]; then return 0; fi
  if [ ! -x "$hook" ]; then
    attention "$hook is not on this machine: the boot settings have no effect before it is"
    return 0
  fi
  if [ "$dry_run" = yes ]; then return 0; fi
  say "  run $hook"
  env "$@" "$hook" || fail 1 "$hook could not put the boot settings into force"
}
"""

FIRMWARE_KINDS = ("parameter", "overlay", "firmware")
"""Kinds of boot setting that are lines of the firmware's own file."""

COMMAND_LINE_KINDS = ("kernel-command-line", "kernel-command-line-remove")
"""Kinds of boot setting that are words of the kernel's command line."""

_CONFIG = "/boot/firmware/config.txt"

_COMMAND_LINE = "/boot/firmware/cmdline.txt"

# The second one's text becomes part of the first (raspi-firmware package, data/boot of ours).
_FILTERED = (_CONFIG, "/etc/default/raspi-firmware-custom")


def boot_file_of(one: BootSetting) -> str:
    """Return the file that *one* stands in, by the name that the plan has for it."""
    return one.file or (_CONFIG if one.kind in FIRMWARE_KINDS else _COMMAND_LINE)


def boot_common(plan: Plan) -> str:
    """Return what both the step boot and undoing it need."""
    first = f"# {plan.robot}: made by install.sh, do not edit from here"
    return "\n".join(
        [
            BOOT.strip("\n"),
            "",
            f"block_first={sh_quote(first)}\nblock_last={sh_quote(f'# {plan.robot}: to here')}",
            "",
            BOOT_BLOCK.strip("\n"),
            "",
            BOOT_APPLY.strip("\n"),
            "",
        ]
    )


def boot_parts(
    settings: Iterable[BootSetting],
) -> tuple[dict[str, list[str]], dict[str, list[BootSetting]], list[str]]:
    """Return lines of blocks by file, words by file, and what a person must do."""
    blocks: dict[str, list[str]] = {}
    words: dict[str, list[BootSetting]] = {}
    by_hand: list[str] = []
    for one in settings:
        file = boot_file_of(one)
        if one.kind in COMMAND_LINE_KINDS:
            words.setdefault(file, []).append(one)
        elif one.frees:
            by_hand.append(f"take this out of {file}: {one.text}")
        elif file.startswith("/boot/extlinux/"):
            # a line of one entry among several: which one starts is not for a script to guess
            by_hand.append(f"put this into the entry of {file} that starts: {one.text}")
        else:
            blocks.setdefault(file, []).append(one.text)
    return blocks, words, by_hand


def firm_settings(plan: Plan) -> list[BootSetting]:
    """Return the boot settings that stand in boot files, without those that are kernel modules."""
    return [one for one in plan.boot if not one.kind.startswith("module-")]


def boot_step(plans: Mapping[str, Plan]) -> str:
    """
    Return the step: one block per settings file, one edit per command line, then the hooks.

    Args:
        plans: Profile -> its plan; what is chosen on the machine decides between them.
    """
    settings = {word: firm_settings(plan) for word, plan in plans.items()}
    several = len(plans) > 1
    parts: list[str] = []
    functions: dict[str, str] = {}
    for at, (word, some) in enumerate(settings.items()):
        functions[word] = f"boot_of_{at}" if several else "step_boot"
        parts += _boot_functions(some, functions[word], f"{at}_" if several else "")
    if several:
        parts.append(by_profile("step_boot", functions))
    everything = [boot_parts(some) for some in settings.values()]
    if any(words for _, words, _ in everything):
        parts.insert(0, BOOT_WORDS.strip("\n") + "\n")
    if any(blocks for blocks, _, _ in everything):
        parts.insert(0, BOOT_PLACE.strip("\n") + "\n")
    return "\n".join(parts)


def _boot_functions(settings: Sequence[BootSetting], name: str, prefix: str) -> list[str]:
    """Return the function *name*, after those that hold its texts, their numbers after *prefix*."""
    parts: list[str] = []
    calls: list[str] = []
    blocks, words, by_hand = boot_parts(settings)
    for at, (file, lines) in enumerate(sorted(blocks.items())):
        # [all] ends whatever filter of the file stands before the block
        head = ["[all]"] if file in _FILTERED else []
        block = f"boot_block_{prefix}{at}"
        parts.append(here_document(block, "\n".join([*head, *lines]) + "\n"))
        calls += _boot_call(file, f"place_block {block}", lines)
    for at, (file, some) in enumerate(sorted(words.items())):
        edits = [
            f"  {'drop_word' if goes(one) else 'add_word'} {sh_quote(one.text)}"
            for one in sorted(some, key=lambda one: (not goes(one), one.text))
        ]
        line = f"boot_words_{prefix}{at}"
        parts.append(f"{line}() {{\n" + "\n".join(edits) + "\n}\n")
        shown = [f"{'without ' if goes(one) else ''}{one.text}" for one in some]
        calls += _boot_call(file, f"place_words {line}", shown)
    hooks = sorted({one.apply for one in settings if one.apply is not None})
    if hooks:
        for hook in hooks:
            *variables, program = hook.split(" ")
            quoted = " ".join(sh_quote(word) for word in (program, *variables))
            calls.append(f"  apply_boot {quoted}")
        calls.append('  if [ "$dry_run" = no ]; then rm -f -- "$home/.boot-pending"; fi')
    calls.insert(0, f"  boot_changed=no\n  boot_hook={'yes' if hooks else 'no'}")
    calls += [f"  attention {sh_quote(one)}" for one in by_hand]
    parts.append(f"{name}() {{\n" + "\n".join(calls) + "\n}\n")
    return parts


def goes(one: BootSetting) -> bool:
    """Return whether *one* is a word that must not stand in its file."""
    return one.frees or one.kind == "kernel-command-line-remove"


def _boot_call(file: str, place: str, settings: Sequence[str]) -> list[str]:
    by_hand = f"this machine has no {file}: make these boot settings by hand: {'; '.join(settings)}"
    return [
        f"  if file=$(boot_file {sh_quote(file)}); then",
        f'    {place} "$file" {sh_quote(file)}',
        "  else",
        f"    attention {sh_quote(by_hand)}",
        "  fi",
    ]
