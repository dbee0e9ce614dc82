"""Step remove: what an earlier lock brought and this one does not need."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from collections.abc import Iterator, Mapping

from robokit_plan.model import RIGHTS, Plan
from robokit_plan.render._wiring_json import asset_path

from ._boot import boot_parts, firm_settings, goes
from ._built import source_builds
from ._profiles import by_profile
from ._program import plays_sound
from ._services import unit_name
from ._sources import archive_pins
from ._words import sh_quote

REMOVE = r"""
# ---- remove: what an earlier lock brought and this one does not need -----------------------------

# Calls a function for each line that was noted and is not planned any more. Arguments: kind,
# function that prints what is planned, function to call.
each_unplanned() {
  [ -s "$state/$1" ] || return 0
  "$2" | sort -u >"$work/planned"
  sort -u "$state/$1" | comm -23 - "$work/planned" >"$work/unplanned.$1"
  # the list is read from another place than standard input, which commands may want
  while read -r line <&4; do "$3" "$line"; done 4<"$work/unplanned.$1"
}

remove_file() {
  if [ -e "$1" ]; then
    will "remove $1" || return 0
    case $1 in
      /etc/systemd/system/*.service)
        if command -v systemctl >/dev/null; then
          systemctl disable -- "${1##*/}" >/dev/null 2>&1 || :
          if systemd_runs; then systemctl stop -- "${1##*/}" || :; fi
        fi
        ;;
      /etc/udev/* | /etc/mod*) attention "rules of devices or kernel modules are gone: restart the machine" ;;
    esac
    if [ -e "$1.before-$robot" ]; then
      keep_if_changed "$1"
      mv -f -- "$1.before-$robot" "$1"
    elif ! is_ours before "$1" || is_ours sums "$(sum_line "$1" "$1")"; then
      keep_if_changed "$1"
      rm -f -- "$1"
    fi # else theirs is back in its place, and a power cut came before that was noted
    # a folder that no package has came with the file
    folder=$(dirname -- "$1")
    if ! dpkg-query -S "$folder" >/dev/null 2>&1; then rmdir --ignore-fail-on-non-empty -- "$folder" || :; fi
    case $1 in
      /etc/systemd/system/*) if systemd_runs; then systemctl daemon-reload; fi ;;
    esac
  fi
  if [ "$dry_run" = no ]; then
    forget_sums "$1" ""
    forget_ours files "$1"
    forget_ours before "$1"
  fi
}

# What a power cut left between the notes of a file that is gone.
forget_before() { if [ "$dry_run" = no ] && ! is_ours files "$1"; then forget_ours before "$1"; fi; }

remove_asset() {
  if [ -e "$home/$1" ]; then
    will "remove $home/$1" || return 0
    rm -f -- "$home/$1" "$home/$1.part"
    (cd -- "$home" && rmdir -p --ignore-fail-on-non-empty -- "$(dirname -- "$1")" 2>/dev/null) || :
  fi
  if [ "$dry_run" = no ]; then forget_ours assets "$1"; fi
}

leave_group() {
  group=${1%% *}
  member=${1#* }
  if id -nG -- "$member" 2>/dev/null | tr ' ' '\n' | grep -Fqx -e "$group"; then
    will "take $member out of the group $group" || return 0
    gpasswd --delete "$member" "$group" >/dev/null || :
  fi
  if [ "$dry_run" = no ]; then forget_ours groups "$1"; fi
}

remove_group() {
  if members=$(getent group "$1"); then
    case $members in
      *:) ;;
      *) return 0 ;; # somebody else is in it now
    esac
    will "remove the group $1" || return 0
    groupdel -- "$1" || :
  fi
  if [ "$dry_run" = no ]; then forget_ours made-groups "$1"; fi
}

undo_service() {
  # shellcheck disable=SC2086  # three words
  set -- $1 "$1"
  command -v systemctl >/dev/null || return 0
  if [ "$1" = stop ]; then
    if [ "$(systemctl is-enabled -- "$2" 2>/dev/null || :)" = masked ]; then
      will "let $2 start again" || return 0
      systemctl unmask -- "$2"
      if [ "$3" = yes ] && systemd_runs; then systemctl start -- "$2" || :; fi
    fi
  elif [ "$(systemctl is-enabled -- "$2" 2>/dev/null || :)" = enabled ]; then
    will "disable $2" || return 0
    systemctl disable -- "$2" || :
    if systemd_runs; then systemctl stop -- "$2" || :; fi
    if [ "$3" = masked ]; then systemctl mask -- "$2"; fi
  fi
  if [ "$dry_run" = no ]; then forget_ours services "$4"; fi
}

# A service is planned whatever its state before was.
planned_services() {
  [ -s "$state/services" ] || return 0
  while read -r what unit before; do
    if service_lines | grep -Fqx -e "$what $unit"; then printf '%s %s %s\n' "$what" "$unit" "$before"; fi
  done <"$state/services"
}

planned_boot() {
  [ -s "$state/boot" ] || return 0
  while read -r what file word; do
    case $what in
      block) boot_lines | grep -Fqx -e "block $file" && printf 'block %s\n' "$file" ;;
      added) boot_lines | grep -Fqx -e "added $file $word" && printf 'added %s %s\n' "$file" "$word" ;;
      dropped) boot_lines | grep -Fqx -e "dropped $file ${word%%,*}" && printf 'dropped %s %s\n' "$file" "$word" ;;
    esac || :
  done <"$state/boot"
}

undo_boot() {
  what=${1%% *}
  file=${1#* }
  word=${file#* }
  file=${file%% *}
  if target=$(boot_file "$file") && [ -f "$target" ]; then
    case $what in
      block)
        without_block "$target" >"$work/boot"
        ;;
      added)
        awk -v drop="$word" '{ kept = ""; for (at = 1; at <= NF; at++) if ($at != drop) kept = kept (kept == "" ? "" : " ") $at; print kept }' "$target" >"$work/boot"
        ;;
      dropped)
        tr '\r\n' '  ' <"$target" | awk -v add="$word" '{ $1 = $1; have = 0; for (at = 1; at <= NF; at++) if ($at == add) have = 1; print have ? $0 : $0 " " add }' >"$work/boot"
        ;;
    esac
    if ! cmp -s -- "$work/boot" "$target"; then
      before=$boot_changed
      boot_changed=no
      replace_boot_file "$target"
      [ "$boot_changed" = yes ] || boot_changed=$before
    fi
  fi
  if [ "$dry_run" = no ]; then forget_ours boot "$1"; fi
}

undo_hook() {
  # shellcheck disable=SC2086  # a hook and its variables
  apply_boot $1
  if [ "$dry_run" = no ]; then forget_ours boot-hooks "$1"; fi
}

step_remove() {
  boot_changed=no
  boot_hook=no
  if [ -s "$state/boot-hooks" ]; then boot_hook=yes; fi
  each_unplanned services planned_services undo_service
  each_unplanned files planned_files remove_file
  each_unplanned before planned_files forget_before
  each_unplanned assets planned_assets remove_asset
  each_unplanned groups planned_groups leave_group
  each_unplanned made-groups planned_made_groups remove_group
  each_unplanned boot planned_boot undo_boot
  if [ "$boot_changed" = yes ] && [ -s "$state/boot-hooks" ]; then
    while read -r line <&4; do undo_hook "$line"; done 4<"$state/boot-hooks"
    if [ "$dry_run" = no ]; then rm -f -- "$home/.boot-pending"; fi
  fi
  for folder in "$home/venvs"/*; do
    case $folder in
      "$home/venvs/$venv_id" | */'*') ;;
      *)
        [ -e "$folder" ] || continue
        if program_runs; then
          attention "the program still uses the environment before, which the next run of this script removes"
        elif [ "$(readlink -- "$home/venv" || :)" = "venvs/$venv_id" ]; then
          if will "remove $folder"; then rm -rf -- "$folder"; fi
        fi
        ;;
    esac
  done
  remove_builds
}

# What was built from what is not planned any more, once the environment stands without it.
remove_builds() {
  if [ ! -d "$home/built" ] || [ "$(readlink -- "$home/venv" || :)" != "venvs/$venv_id" ]; then return 0; fi
  for folder in "$home/built"/*; do
    if [ ! -e "$folder" ] && [ ! -L "$folder" ]; then continue; fi
    if planned_builds | grep -Fqx -e "${folder##*/}"; then continue; fi
    if will "remove $folder"; then rm -rf -- "$folder"; fi
  done
  if [ "$dry_run" = no ]; then rmdir --ignore-fail-on-non-empty -- "$home/built" || :; fi
}
"""


def remove_step(plan: Plan, plans: Mapping[str, Plan], *, load: bool, block: bool) -> str:
    """
    Return the step with what *plan* has of all that is noted on the machine.

    Args:
        plan: The union of *plans*.
        plans: Profile -> its plan, for what differs among them.
        load: Whether modules are loaded.
        block: Whether modules are kept out.
    """
    machine = plan.machine
    files = ["$home/wiring.json"]
    if len(plans) > 1:
        files.append("$state/profile")
    for source in plan.sources:  # as `sources_step` names them
        base = f"/etc/apt/{{}}/robokit-$robot-{source.name}"
        files.append(base.format("sources.list.d") + ".sources")
        if source.key:
            files += [base.format("keyrings") + ending for ending in (".asc", ".gpg")]
        if archive_pins(source):
            files.append(base.format("preferences.d") + ".pref")
    known = any(name in RIGHTS for name in machine.permissions)
    files += [
        path
        for path, wanted in (
            ("/etc/udev/rules.d/60-robokit-$robot.rules", bool(plan.udev_rules)),
            ("/etc/modules-load.d/robokit-$robot.conf", load),
            ("/etc/modprobe.d/robokit-$robot.conf", block),
            ("/etc/polkit-1/rules.d/50-robokit-$robot.rules", known),
            ("/etc/systemd/system/$robot.service", plan.program is not None),
            (
                "/var/lib/systemd/linger/$user",
                plan.program is not None and plays_sound(plan),
            ),
        )
        if wanted
    ]
    groups = sorted(machine.groups)
    lines = {
        "planned_files": [f'"{path}"' for path in files],
        "planned_assets": [sh_quote(asset_path(one.instance, one.path)) for one in machine.assets],
        "planned_groups": [f'{sh_quote(one)}" $user"' for one in groups],
        "planned_made_groups": [sh_quote(one) for one in groups],
        "planned_builds": [sh_quote(one.key) for one in source_builds(plan)],
        "service_lines": [
            *(sh_quote(f"stop {unit_name(one)}") for one in sorted(machine.stop)),
            *(sh_quote(f"start {unit_name(one)}") for one in sorted(machine.start)),
        ],
    }
    functions = {
        word: "boot_lines" if len(plans) == 1 else f"boot_lines_{at}"
        for at, word in enumerate(plans)
    }
    for word, one in plans.items():
        lines[functions[word]] = [sh_quote(line) for line in sorted(_boot_lines(one))]
    parts = [REMOVE]
    for name, words_ in lines.items():
        body = "\n".join(f"  printf '%s\\n' {one}" for one in words_) or "  :"
        parts.append(f"{name}() {{\n{body}\n}}\n")
    if len(plans) > 1:
        parts.append(by_profile("boot_lines", functions))
    return "\n".join(parts)


def _boot_lines(plan: Plan) -> Iterator[str]:
    """Yield what of the boot settings of *plan* is noted on the machine."""
    blocks, words, _ = boot_parts(firm_settings(plan))
    yield from (f"block {file}" for file in blocks)
    for file, some in words.items():
        for one in some:
            if goes(one):
                yield f"dropped {file} {one.text.partition(',')[0]}"
            else:
                yield f"added {file} {one.text}"
