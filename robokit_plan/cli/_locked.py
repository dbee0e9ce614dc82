"""The lock files of one call: the robot's or a profile's, and those of profiles that it carries."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from robokit_plan.cli._failure import WrongUse
from robokit_plan.render import Locked, ProfilesDifferError, union_of


def read_locked(
    robot: Path | None, profile: str | None, also: Sequence[str], *, what: str
) -> tuple[Path, tuple[Locked, ...]]:
    """
    Return the robot's folder, and what its lock files hold: of *profile* first, then of *also*.

    Args:
        robot: As `--robot`.
        profile: As `--profile`; None: the robot file's own list.
        also: Further profiles that the machine can switch to.
        what: What is made of them, in words.

    Raises:
        UnreadableFile: The robot file or a lock file cannot be read.
        WrongUse: A lock file is missing, or they cannot share a machine.
    """
    from hashlib import sha256

    from robokit_plan.cli._session import find_lock
    from robokit_plan.edge.read_lock import read_lock
    from robokit_plan.formats.lock import LockError
    from robokit_plan.formats.unreadable import UnreadableFile

    locked = []
    for name in dict.fromkeys((profile, *also)):
        path = find_lock(robot, name)
        if not path.is_file():
            raise WrongUse(
                f"there is no lock file {path.name}",
                why=f"{what} is made from the lock file",
                repair=("robokit-plan lock" + (f" --profile {name}" if name else ""),),
            )
        try:
            plan = read_lock(path)
        except LockError as error:
            raise UnreadableFile((error.finding,)) from error
        locked.append(
            Locked(plan=plan, name=path.name, sha256=sha256(path.read_bytes()).hexdigest())
        )
    try:
        union_of(locked)
    except ProfilesDifferError as error:
        raise WrongUse(
            "these lock files cannot share a machine: " + "; ".join(error.differences),
            why="a robot that switches between profiles has one of everything",
            repair=tuple(
                "robokit-plan lock --upgrade"
                + (f" --profile {one.plan.profile}" if one.plan.profile else "")
                for one in locked
            ),
        ) from error
    return path.parent, tuple(locked)
