"""What a card carries beside script, lock file and code: first start, and a page for a person."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence

from robokit_plan.formats.lock import lock_name
from robokit_plan.model import Plan, counted, is_machine_name, size_text

from ._builds import CarriedBuilds, render_builds
from ._cautions import render_cautions
from ._findings import Json, render_json
from ._plain import plain
from ._script import Locked, UnsafeValueError, profile_word, union_of

PAGE = "READ-ME.md"
START = "start.sh"
UNIT = "first-start.service"
DIGESTS = "digests.json"
SUMS = "SHA256SUMS"
CODE = "robot"
"""Folder of the card that holds the robot's own folder, with install.sh and the lock file."""
PACKAGES = "packages"
"""Folder of the card with every file that would else be fetched."""

BOOT_ROOM = 100_000_000
"""Bytes that a boot partition of 256 MB has left beside kernels and firmware; from memory."""

_NO_BUILDS = CarriedBuilds()


def card_name(plan: Plan) -> str:
    """Return the name of the folder: ``card-heron``, of a profile ``card-heron-bench``."""
    return f"card-{lock_name(plan).removeprefix('pylock.').removesuffix('.toml')}"


def render_card(
    locked: Sequence[Locked],
    *,
    offline: bool,
    manifests: Mapping[str, str],
    size: int,
    builds: CarriedBuilds = _NO_BUILDS,
) -> dict[str, str]:
    """
    Return path on the card -> text, without script, lock file, code and packages.

    Args:
        locked: The robot's lock file, then those of further profiles that it can switch to.
        offline: Whether the card carries every file.
        manifests: Path of each manifest and of the robot file, as they are now -> SHA-256.
        size: Bytes of all other files of the card.
        builds: What the robot would build, and what of it the card brings built.

    Raises:
        UnsafeValueError: A name would reach a shell or a system file as more than it says.
    """
    plan = union_of(locked)
    for value in (plan.robot, card_name(plan), *(profile_word(one.plan) for one in locked)):
        if not is_machine_name(value):
            raise UnsafeValueError("a robot's name", value)
    return {
        PAGE: _page(
            plan,
            [profile_word(one.plan) for one in locked],
            offline=offline,
            size=size,
            builds=builds,
        ),
        START: _start(plan),
        UNIT: _unit(plan),
        "user-data": _user_data(plan),
        "meta-data": (
            f"instance-id: {plan.robot}-{locked[0].sha256[:16]}\nlocal-hostname: {plan.robot}\n"
        ),
        DIGESTS: _digests(locked, manifests),
    }


def render_sums(hashes: Mapping[str, str]) -> str:
    """Return the lines that ``sha256sum --check`` reads, sorted by path."""
    return "".join(f"{hashes[path]}  {path}\n" for path in sorted(hashes))


# --- first start ------------------------------------------------------------------------------


def _start(plan: Plan) -> str:
    return (
        _START.replace("@ROBOT@", plan.robot).replace("@SUMS@", SUMS).replace("@CODE@", CODE)
    ).replace("@PACKAGES@", PACKAGES)


_START = r"""#!/bin/sh
# Sets up the robot @ROBOT@ from this folder: checks it, puts the robot's code in its place, then
# runs its install.sh with the same options. It may run again at any time.
set -eu
umask 022

here=$(cd -- "$(dirname -- "$0")" && pwd -P)
home=${ROBOT_HOME:-/opt/@ROBOT@}

cd -- "$here"
if ! sha256sum --check --quiet --strict @SUMS@; then
  printf 'stopped: %s is not whole any more; copy it anew\n' "$here" >&2
  exit 7
fi

# a folder of the boot partition may hold characters that other files cannot
if [ -d "$here/@PACKAGES@" ]; then
  ROBOT_BUNDLE=$here/@PACKAGES@
  export ROBOT_BUNDLE
fi
# what Python leaves beside the code when somebody runs it is no difference
code_stands() { diff -qr -x __pycache__ -- "$here/@CODE@" "$home/code" >/dev/null 2>&1; }

case " $* " in
  *' --dry-run '* | *' --help '* | *' -h '*)
    case " $* " in
      *' --dry-run '*)
        if ! code_stands; then
          printf 'would put the code of this folder in the place of %s\n' "$home/code"
        fi
        ;;
    esac
    ROBOT_CODE=$home/code
    export ROBOT_CODE
    exec sh "$here/@CODE@/install.sh" "$@"
    ;;
esac
if [ "$(id -u)" -ne 0 ]; then
  printf 'stopped: it changes the system and must run as root: sudo sh %s\n' "$0" >&2
  exit 2
fi

# the code before stays in its place until the new one is whole; what was there is kept once
mkdir -p -- "$home"
if ! code_stands; then
  rm -rf -- "$home/code.new"
  cp -R -- "$here/@CODE@" "$home/code.new"
  sync
  if [ -d "$home/code" ]; then
    rm -rf -- "$home/code.before"
    mv -T -- "$home/code" "$home/code.before"
    printf 'the code in %s was another one; it is kept as %s\n' "$home/code" "$home/code.before"
  fi
  mv -T -- "$home/code.new" "$home/code"
fi
ROBOT_CODE=$home/code
ROBOT_HOME=$home
export ROBOT_CODE ROBOT_HOME
exec sh "$home/code/install.sh" "$@"
"""


def _search(plan: Plan) -> str:
    """Return a command of a POSIX shell that finds the card's folder and starts it."""
    name = card_name(plan)
    return (
        f"for place in /boot/firmware /boot /srv /media/*; do "
        f'if [ -f "$place/{name}/{START}" ]; then exec sh "$place/{name}/{START}"; fi; done; '
        f"echo no folder {name} was found >&2; exit 3"
    )


def _unit(plan: Plan) -> str:
    """Return a unit for images without cloud-init; it rests once the whole lock was installed."""
    command = _search(plan).replace("$", "$$")
    return (
        "# Copy it to etc/systemd/system of the card's root and link it from\n"
        "# etc/systemd/system/multi-user.target.wants; it does nothing once all is installed.\n"
        "[Unit]\n"
        f"Description=First start of the robot {plan.robot}\n"
        f"ConditionPathExists=!/opt/{plan.robot}/state/lock\n"
        "Wants=network-online.target time-sync.target\n"
        "After=network-online.target time-sync.target\n"
        "\n"
        "[Service]\n"
        "Type=oneshot\n"
        "TimeoutStartSec=infinity\n"
        f"ExecStart=/bin/sh -c {_systemd_single(command)}\n"
        "\n"
        "[Install]\n"
        "WantedBy=multi-user.target\n"
    )


def _systemd_single(command: str) -> str:
    """Return *command* as one word of ``ExecStart=`` (systemd.syntax(7), "Quoting")."""
    return "'" + command.replace("\\", "\\\\").replace("'", "\\'").replace("%", "%%") + "'"


def _user_data(plan: Plan) -> str:
    """
    Return user data for cloud-init.

    Source:
        cloud-init documentation, "Cloud config data" and module runcmd: a list is a command with
        its arguments, run once at the first start of an instance.
    """
    command = json.dumps(f"({_search(plan)}) >>/var/log/{plan.robot}-first-start.log 2>&1")
    return (
        "#cloud-config\n"
        f"# First start of the robot {plan.robot}: runs {START} of {card_name(plan)}.\n"
        "runcmd:\n"
        f"  - [sh, -c, {command}]\n"
    )


def _digests(locked: Sequence[Locked], manifests: Mapping[str, str]) -> str:
    found: Json = {
        "robot": locked[0].plan.robot,
        "locks": {one.name: _lock_digests(one) for one in locked},
        "files": {name: manifests[name] for name in sorted(manifests)},
    }
    return render_json(found)


def _lock_digests(one: Locked) -> Json:
    plan = one.plan
    return {
        "sha256": one.sha256,
        "profile": plan.profile,
        "inputs": {name: plan.digests[name] for name in sorted(plan.digests)},
        "instances": {
            used.name: {"plugin": used.plugin, "version": used.version, "manifest": used.digest}
            for used in sorted(plan.instances, key=lambda used: used.name)
        },
    }


# --- page ---------------------------------------------------------------------------------------


def _page(
    plan: Plan, profiles: Sequence[str], *, offline: bool, size: int, builds: CarriedBuilds
) -> str:
    name, home = card_name(plan), f"/opt/{plan.robot}"
    release = plan.target.release.replace("debian-", "Debian ")
    room = sum(pin.installed_size for pin in plan.debian)
    room += sum(
        pin.installed_size or 4 * (pin.file.size or 0) for pin in (*plan.python, *plan.build)
    )
    fetched = "needs no network" if offline else "needs a network at its first start"
    secrets = sorted({one.name for _, one in plan.machine.environment})
    steps = [
        f"Write an image of {release} for {plan.target.architecture} to a card for the board "
        f"`{plain(plan.board)}`; {size_text(room + 2_000_000_000)} of room are enough.",
        f"Copy this whole folder, `{name}`, to the partition of the card that your computer shows "
        "(the boot partition). If the image brings cloud-init, copy `user-data` and `meta-data` "
        "from here to the top of that partition as well." + _place(name, size),
        f"Put the card into the board and start it. It {fetched}. With cloud-init it sets itself "
        f"up; else log in and type `sudo sh /boot/firmware/{name}/{START}` (with `--dry-run` it "
        "only says what it would do). Pull the plug if you must: the same command goes on.",
        f"Write the values of {', '.join(secrets)} into the file: `sudoedit {home}/environment`."
        if secrets
        else "Read the last lines that it printed, or "
        f"`/var/log/{plan.robot}-first-start.log`: they say what a person must do.",
        f"Restart the board, then look: `sudo sh {home}/code/install.sh --dry-run` ends with "
        f"*{plan.robot} is as planned*."
        + (
            ""
            if plan.program is None
            else f" When all is safe: `sudo systemctl enable --now {plan.robot}.service`."
        ),
    ]
    lines = [f"# {plan.robot}: from an empty card to the robot", ""]
    cautions = render_cautions(plan, width=96).rstrip("\n")
    if cautions:
        lines += ["Before power is applied:", ""]
        lines += [f"    {one}" for one in cautions.split("\n")]
        lines.append("")
    for number, step in enumerate(steps, start=1):
        lines += _wrapped(step, first=f"{number}. ", rest="   ")
    lines += [
        "",
        *_wrapped(
            f"It installs {counted(len(plan.debian), 'Debian package')} and "
            f"{counted(len(plan.python), 'Python package')} at exact versions, each checked by its "
            f"hash. `{SUMS}` lists every file here, `{DIGESTS}` what the plan was made from; "
            f"`{UNIT}` starts it on images without cloud-init."
        ),
        "",
        *_wrapped(_building(builds, home)),
    ]
    if len(profiles) > 1:
        others = f"It carries the profiles {', '.join(profiles)} and starts as {profiles[0]}. "
        lines += [
            "",
            *_wrapped(
                f"{others}`sudo sh {home}/code/install.sh --profile {profiles[1]}` switches: it "
                "installs nothing, changes what the program loads and the boot settings, and says "
                "what must start anew."
            ),
        ]
    return "\n".join(lines) + "\n"


def _building(builds: CarriedBuilds, home: str) -> str:
    """Return what the board builds, and how the next one of its kind is spared that."""
    told = render_builds(builds)
    told = f"{told[0].upper()}{told[1:]}."
    if not builds.left:
        return told
    return (
        f"{told} What it has built it keeps in `{home}/built`: with a copy of that folder, "
        "`robokit-plan card --offline --built FOLDER` spares the next robot of this kind the time."
    )


def _place(name: str, size: int) -> str:
    """Return what to do where the boot partition has no room for the folder."""
    if size <= BOOT_ROOM:
        return ""
    return (
        f" The folder holds {size_text(size)}; where that partition has less room, copy it to a "
        f"USB stick instead and, before the next step, mount that on the robot: "
        f"`sudo mkdir -p /media/card && sudo mount /dev/sda1 /media/card` "
        f"(the folder is then `/media/card/{name}`)."
    )


def _wrapped(text: str, *, first: str = "", rest: str = "") -> list[str]:
    """Return *text* in lines; what is to be typed stays whole on one."""
    parts = text.split("`")
    kept = "`".join(
        part.replace(" ", "\u00a0") if at % 2 else part for at, part in enumerate(parts)
    )
    lines = textwrap.wrap(
        kept, 98, initial_indent=first, subsequent_indent=rest, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
    return [line.replace("\u00a0", " ") for line in lines]
