"""What ``verify`` does: a machine held against its lock file; nothing is changed."""

from __future__ import annotations

from collections.abc import Container
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from robokit_plan.app.session import find_lock, open_lock
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge.machine import Asked, installed_locks, read_machine
from robokit_plan.edge.ordinary import sha256_of
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Plan
from robokit_plan.render import (
    Locked,
    MachineRow,
    ProfilesDifferError,
    Verdict,
    asked_of,
    compare_machine,
    union_of,
)


class Machine(NamedTuple):
    """`root`: where its root is mounted; `home`: where the script put things, None: /opt/ROBOT."""

    root: Path = Path("/")
    home: str | None = None


class Compared(NamedTuple):
    """What a machine is, line by line, beside the plan of its lock file."""

    plan: Plan
    rows: tuple[MachineRow, ...]
    stale: tuple[str, ...] = ()
    """What changed beside the lock file since it was written; the machine is held against it."""

    @property
    def ok(self) -> bool:
        """Whether nothing differs."""
        return all(one.verdict is not Verdict.DIFFERS for one in self.rows)


def verify(
    robot: Path | None = None,
    machine: Machine = Machine(),  # noqa: B008  a value that nobody changes
    *,
    profile: str | None = None,
    lock: Path | None = None,
) -> Compared:
    """
    Return how *machine* compares with the lock file.

    Args:
        robot: Robot file or its folder; None: the nearest from here upward.
        machine: Where it is.
        profile: Whose lock file; None: the robot's own.
        lock: A lock file without robot file.

    Raises:
        UnreadableFile: The robot file or the lock file cannot be read.
        WrongUse: There is no lock file, or no such folder.
    """
    root, home = machine
    path = find_lock(robot, profile) if lock is None else lock
    if not path.exists():
        raise WrongUse(
            f"there is no lock file {path.name}",
            why="it says what the machine should be",
            repair=("robokit-plan verify --lock FILE",),
        )
    if not root.is_dir():
        raise WrongUse(f"{root} is not a folder", why="--root is where a root is mounted")
    plan = open_lock(path)
    place = f"/opt/{plan.robot}" if home is None else home
    if not place.startswith("/") or ".." in place.split("/"):
        raise WrongUse(f"{place} is no absolute path", repair=(f"--home /opt/{plan.robot}",))
    own = Locked(plan=plan, name=path.name, sha256=sha256_of(path))
    union = union_of([own, *_beside(own, path, installed_locks(place, root=root))])
    question = asked_of(plan, home=place, union=union)
    state = read_machine(
        Asked(
            home=place,
            user=plan.program_user,
            texts=question.texts,
            hashes=question.hashes,
            units=question.units,
            variables=question.variables,
            devices=question.devices,
        ),
        root=root,
    )
    rows = compare_machine(plan, state, home=place, lock_sha256=own.sha256, union=union)
    return Compared(plan, tuple(rows), () if lock is not None else _changed(robot, plan))


def _changed(robot: Path | None, plan: Plan) -> tuple[str, ...]:
    """Return what the robot's files say by now and the lock file does not, in words."""
    from robokit_plan.app.session import read
    from robokit_plan.app.staleness import changed_inputs, inputs_of

    try:
        reading = read(robot, plan.profile)
    except UnreadableFile:
        return ()
    if reading.robot is None:
        return ()
    return changed_inputs(plan.digests, inputs_of(reading, plan.profile))


def _beside(own: Locked, path: Path, installed: Container[str]) -> list[Locked]:
    """Return the other lock files beside *path* that were installed together with *own*."""
    found: list[Locked] = []
    if own.sha256 not in installed:
        return found
    for other in sorted(path.parent.glob(f"pylock.{own.plan.robot}*.toml")):
        # What is no file there is none of these.
        with suppress(UnreadableFile, ProfilesDifferError, OSError):
            digest = sha256_of(other)
            if other == path or digest not in installed:
                continue
            one = Locked(plan=open_lock(other), name=other.name, sha256=digest)
            union_of([own, *found, one])
            found.append(one)
    return found
