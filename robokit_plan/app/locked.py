"""The lock files of one call: the robot's or a profile's, and those of profiles that it carries."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.model import Plan, Severity
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
    from robokit_plan.app.own_names import check_own_names
    from robokit_plan.app.session import find_lock, open_lock
    from robokit_plan.edge.reading import find_robot_file

    locked = []
    for name in dict.fromkeys((profile, *also)):
        path = find_lock(robot, name)
        if not path.exists():
            raise WrongUse(
                f"there is no lock file {path.name}",
                why=f"{what} is made from the lock file",
                repair=("robokit-plan lock" + (f" --profile {name}" if name else ""),),
            )
        digest = _digest(path)
        locked.append(Locked(plan=open_lock(path), name=path.name, sha256=digest))
        # Read twice: it must be the same file.
        check_locked(path.parent, locked[-1:])
    for one in locked:
        check_own_names(find_robot_file(robot), str(one.plan.robot), one.plan.profile)
        check_fresh(robot, one.plan, one.name)
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


def check_fresh(robot: Path | None, plan: Plan, lock: str) -> None:
    """
    Refuse a lock file that no longer says what the files beside it say.

    Raises:
        UnreadableFile: It does not; with what changed and the command.
    """
    from robokit_plan.app.session import read
    from robokit_plan.app.staleness import changed_inputs, inputs_of, stale_finding
    from robokit_plan.formats.unreadable import UnreadableFile

    reading = read(robot, plan.profile)
    if reading.robot is None:
        return
    changed = changed_inputs(plan.digests, inputs_of(reading, plan.profile))
    if changed:
        raise UnreadableFile((stale_finding(lock, changed, plan.profile, Severity.ERROR),))


def check_locked(root: Path, locked: Sequence[Locked]) -> None:
    """
    Look again at lock files that were read, before what is made of them is written.

    Raises:
        CannotWrite: One was changed, or is gone, since it was read.
    """
    from robokit_plan.edge.files import CannotWrite

    for one in locked:
        if _digest(root / one.name) != one.sha256:
            raise CannotWrite(
                root / one.name,
                "it was changed while this command ran",
                "type the same command again",
            )


def _digest(path: Path) -> str:
    """Return the SHA-256 of the file at *path*; "" where it cannot be read."""
    from robokit_plan.edge.ordinary import sha256_of

    try:
        return sha256_of(path)
    except OSError:
        return ""
