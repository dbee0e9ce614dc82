"""Head of the script: what it will do and its cautions, what the lock file says, its usage."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from robokit_plan.model import Plan, counted, most_bytes, size_text, sized_items
from robokit_plan.render._cautions import DEFERENCE, caution_rows
from robokit_plan.render._plain import plain

from ._profiles import Locked, profile_word
from ._program import plays_sound
from ._tidy import USAGE
from ._venv import venv_id
from ._words import here_document, sh_quote

STATUSES = (
    (0, "as planned"),
    (1, "a step failed; what it did before stays, run it again"),
    (2, "called in a wrong way"),
    (3, "not the machine that the plan was made for"),
    (4, "no room, or no memory"),
    (5, "network, mirror, index or clock"),
    (6, "a planned version is gone, or a newer one is installed"),
    (7, "a file is not the one that was planned"),
    (8, "somebody else is installing"),
    (9, "a file system is read-only, or forgets"),
)
"""Exit status -> what it means; a contract, only ever added to."""

SYSTEM_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
"""As the login program and sudo set it for root on Debian."""

_LEAD_ASTRAY = (
    *("CDPATH", "DPKG_ROOT", "DPKG_ADMINDIR", "DPKG_FORCE", "GREP_OPTIONS"),
    *("PYTHONHOME", "PYTHONPATH", "PYTHONPLATLIBDIR", "PYTHONUSERBASE"),
    *("PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "PIP_USER", "PIP_PYTHON", "PIP_REQUIREMENT"),
    *("PIP_CONSTRAINT", "PIP_REQUIRE_VIRTUALENV", "PIP_DRY_RUN", "PIP_ONLY_BINARY"),
    *("PIP_NO_BINARY", "PIP_IGNORE_INSTALLED", "PIP_NO_DEPS"),
)
"""
Settings by which `cd`, dpkg, grep, Python and pip work elsewhere or otherwise than they are told
to here. Addresses, proxies and certificates stay the builder's.

Source: POSIX.1-2024 cd; dpkg(1) and python3(1) "Environment"; pip documentation, "Configuration".
"""

_TITLES = {
    "preflight": "is this the machine that the plan was made for?",
    "profile": "which profile it runs as: the one that was chosen last",
    "sources": "{sources} beside those of the system, with keys",
    "debian": "{debian} at exact versions ({debian_size} to fetch)",
    "venv": "a virtual environment with {python}, each checked by its hash",
    "groups": "the user of the program and its groups",
    "udev": "rules that name and open devices",
    "services": "services that must run or must not",
    "kernel": "kernel modules to load or to keep out",
    "permissions": "narrow rights of the program",
    "boot": "settings of the firmware and the kernel",
    "assets": "{assets} of models or data, each checked by its hash",
    "wiring": "wiring.json, which the program reads at start",
    "secrets": "a file for secrets, to be filled in by hand",
    "program": "a service that starts the program",
    "remove": "what an earlier lock brought and this one does not need",
    "tidy": "packages that only builds need, if they were sent away",
    "test": "does what the plugins import come up?",
}


def _titles(plan: Plan) -> dict[str, str]:
    words = {
        "sources": counted(len(plan.sources), "archive"),
        "debian": counted(len(plan.debian), "Debian package"),
        "debian_size": size_text(sum(pin.size for pin in plan.debian)),
        "python": counted(len(plan.python), "Python package"),
        "assets": counted(len(plan.machine.assets), "file"),
    }
    return {name: title.format(**words) for name, title in _TITLES.items()}


def header(plan: Plan, names: Sequence[str], locked: Sequence[Locked]) -> str:
    """Return the comment at the top: target, origin, steps, cautions."""
    titles = _titles(plan)
    profiles = [profile_word(one.plan) for one in locked]
    profile = "" if plan.profile is None else f", profile {plan.profile}"
    if len(locked) > 1:
        profile = f", profiles {', '.join(profiles)}"
    first, *others = locked
    lines = [
        "#!/bin/sh",
        f"# Sets up the robot {plan.robot}{plain(profile)} on {plain(plan.board)}, "
        f"{plan.target.release}, {plan.target.architecture}.",
        f"# Made by robokit-plan from {plain(first.name)}, SHA-256 {plain(first.sha256)};",
        *(f"# and from {plain(one.name)}, SHA-256 {plain(one.sha256)};" for one in others),
        "# change the robot file and make it anew rather than edit it.",
        "#",
        "# Look first: sh install.sh --dry-run. Then: sudo sh install.sh. All options: --help.",
        f"# What it says is kept in /opt/{plan.robot}/install.log, the run before it beside.",
        "#",
        "# Each step looks first and changes only what differs, so it may run again at any time,",
        "# after a pulled plug as well:",
        *(f"#   {name.ljust(11)}  {titles[name]}" for name in names),
    ]
    cautions = caution_rows(plan)
    if cautions:
        lines += ["#", "# CAUTION"]
        lines += [f"#   {hazard} ({who}): {caution}" for hazard, who, caution in cautions]
        lines += [f"#   {DEFERENCE}"]
    return "\n".join(lines) + "\n"


def variables(plan: Plan, names: Sequence[str], locked: Sequence[Locked]) -> str:
    """Return what the lock file says and what may be set from outside."""
    need = most_bytes(plan, sized_items(plan))
    user = "${SUDO_USER:-root}" if plan.program_user is None else plan.program_user
    values = {
        "robot": sh_quote(plan.robot),
        "board": sh_quote(plan.board),
        "release": sh_quote(plan.target.release),
        "architecture": sh_quote(plan.target.architecture),
        "python_version": sh_quote(plan.target.python),
        "venv_id": sh_quote(venv_id(plan)),
        "need_kb": str(need // 1000 + 50_000),
        "autostart": "no" if plan.hazards else "yes",
        "lingers": "yes" if plays_sound(plan) else "no",
        "newest": str(_newest(plan)),
        "lock_sha256": sh_quote(" ".join(one.sha256 for one in locked)),
        **(
            {"profiles": sh_quote(" ".join(profile_word(one.plan) for one in locked))}
            if len(locked) > 1
            else {}
        ),
        "steps": sh_quote(" ".join(names)),
    }
    return "\n".join(
        [
            "set -eu",
            "umask 022",
            "LC_ALL=C",
            "# The system's own programs, whatever the caller's settings lead to.",
            f"PATH={SYSTEM_PATH}",
            "export LC_ALL PATH",
            f"unset {' '.join(_LEAD_ASTRAY)}",
            "",
            "# ---- what the lock file says ".ljust(100, "-"),
            "",
            "# shellcheck disable=SC2034  # a plan need not use all of them",
            "{",
            *(f"  {name}={value}" for name, value in values.items()),
            "}",
            "",
            "# ---- what may be set from outside ".ljust(100, "-"),
            "",
            f"home=${{ROBOT_HOME:-/opt/{plan.robot}}}",
            f"user=${{ROBOT_USER:-{user}}}",
            'code=${ROBOT_CODE:-$(cd -- "$(dirname -- "$0")" && pwd -P)}',
            "bundle=${ROBOT_BUNDLE:-$code/packages}",
            "",
            "state=$home/state",
            "dry_run=no",
            "allow_downgrade=no",
            "apt_known=yes",
            "told=no",
            "only=",
            *(["profile="] if len(locked) > 1 else []),
            "changes=0",
            "notes=",
            "work=",
            "tee_pid=",
            "",
        ]
    )


def usage(plan: Plan, names: Sequence[str], profiles: Sequence[str]) -> str:
    """Return the function that prints how the script is called."""
    titles = _titles(plan)
    options, choice = "[--dry-run] [--only STEP]", []
    if "tidy" in names:
        options += " [--drop-build-tools]"
    if len(profiles) > 1:
        options += " [--profile NAME]"
        choice = [
            f"  --profile NAME      run as {', '.join(profiles)} from now on; nothing is",
            "                      installed, as all that they need is there",
        ]
    lines = [
        f"usage: sh install.sh {options}   sets up the robot {plan.robot}",
        "",
        "  --dry-run           say what would change on this machine, change nothing",
        "  --only STEP         do one step, after preflight",
        "  --allow-downgrade   put planned versions in the place of newer ones",
        *(USAGE if "tidy" in names else ()),
        *choice,
        "",
        "steps, in this order:",
        *(f"  {name.ljust(11)}  {titles[name]}" for name in names),
        "",
        "set from outside:",
        f"  ROBOT_HOME  where everything is put (/opt/{plan.robot})",
        f"  ROBOT_USER  who runs the program ({plan.program_user or 'who called sudo'})",
        "  ROBOT_CODE  folder of the robot file and the plugins (where this script is)",
        "  ROBOT_BUNDLE  folder with all files of a card bundle (packages beside this script)",
        "",
        "exit status:",
        *(f"  {status}  {meaning}" for status, meaning in STATUSES),
    ]
    return here_document("usage", "\n".join(lines) + "\n")


def _newest(plan: Plan) -> int:
    """Return when the newest locked file was uploaded, in seconds since 1970; 0: not known."""
    found = [0]
    for pin in (*plan.python, *plan.build):
        try:
            made = datetime.fromisoformat(pin.file.upload_time or "")
            aware = made if made.tzinfo else made.replace(tzinfo=UTC)
            found.append(int(aware.timestamp()))
        except (ValueError, OverflowError):
            continue
    return max(found)
