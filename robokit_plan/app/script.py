"""What ``script`` does: the install script, from lock files alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from robokit_plan.app.locked import check_locked, read_locked
from robokit_plan.app.own_names import check_own_names
from robokit_plan.edge.reading import find_robot_file
from robokit_plan.render import render_script

NAME = "install.sh"
MODE = 0o755


class Script(NamedTuple):
    """`text` of the script; `path` where it belongs, beside the robot file."""

    text: str
    path: Path


def script(
    robot: Path | None, *, profile: str | None = None, also: Sequence[str] = (), shared: bool
) -> Script:
    """
    Return the install script of the robot's lock file.

    Args:
        robot: Robot file or its folder; None: the nearest from here upward.
        profile: Whose lock file; None: the robot's own.
        also: Further profiles that the machine can switch to.
        shared: Whether it will be written under the name that robots of a folder share.

    Raises:
        UnreadableFile: The robot file or a lock file cannot be read.
        WrongUse: A lock file is missing, they cannot share a machine, or another robot of the
            folder would write the same file.
        CannotWrite: A lock file was changed meanwhile.
    """
    root, (first, *others) = read_locked(robot, profile, also, what="the script")
    text = render_script(
        first.plan, lock_name=first.name, lock_sha256=first.sha256, also=tuple(others)
    )
    if shared:
        check_own_names(find_robot_file(robot), str(first.plan.robot), profile, shared=NAME)
    check_locked(root, (first, *others))
    return Script(text, root / NAME)
