"""What ``lock`` does: plan, keeping what is locked; write every lock file that the robot has."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING, NamedTuple

from packaging.utils import canonicalize_name

from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.session import Session, open_session, text_of_lock
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.model import find_nearest

if TYPE_CHECKING:
    from pathlib import Path

    from robokit_plan.model import Plan


class Planned(NamedTuple):
    """One lock file that is to be written: the session that was asked, and its answer."""

    session: Session
    plan: Plan


def planned_locks(
    robot: Path | None,
    listener: Listener = NOBODY,
    *,
    profile: str | None = None,
    upgrade: frozenset[str] | None = None,
    as_of: str | None = None,
    offline: bool = False,
    build_metadata: bool = False,
    alone: bool = False,
) -> tuple[Planned, ...]:
    """
    Return the plan that was asked for, then those of the robot's other lock files, by name.

    Args:
        robot: Robot file or its folder; None: the nearest from here upward.
        listener: Told about the work.
        profile: The profile that is planned.
        upgrade: Which locked versions may move; empty: all; None: none.
        as_of: A date (ISO 8601): look at no later upload.
        offline: Ask nobody.
        build_metadata: Let builds tell what sdists need.
        alone: Leave the robot's other lock files as they are.

    Raises:
        UnreadableFile, WrongUse, IndexTrouble: As planning does.
    """

    def planned(name: str | None) -> Planned:
        session = open_session(robot, profile=name, as_of=as_of, upgrade=upgrade)
        plan = session.plan(offline=offline, build_metadata=build_metadata, listener=listener)
        return Planned(session, plan)

    first = planned(profile)
    found = (first, *map(planned, [] if alone else _others(first.session, profile)))
    _check_names(upgrade or frozenset(), found)
    return found


def _check_names(names: frozenset[str], planned: tuple[Planned, ...]) -> None:
    """
    Refuse names that may move and are nowhere: a slip would keep what was to be upgraded.

    Raises:
        WrongUse: No lock file and no plan has one of *names*.
    """
    known: set[str] = set()
    for one in planned:
        for plan in (one.plan, one.session.problem.locked):
            if plan is not None:
                known |= {str(pin.name) for pin in (*plan.python, *plan.build)}
                known |= {str(pin.name) for pin in plan.debian}
    for name in sorted(names):
        if name not in known and canonicalize_name(name) not in known:
            near = find_nearest(name, known)
            raise WrongUse(
                f"nothing called {name} is planned or locked",
                why="so nothing of that name can move",
                repair=(f"robokit-plan lock --upgrade {near}",) if near else (),
            )


def _others(session: Session, profile: str | None) -> list[str | None]:
    """Return the other lists of plugins that have a lock file beside the robot file."""
    from robokit_plan.formats.lock import lock_name_of

    robot = session.problem.robot
    names: list[str | None] = [None, *sorted(robot.profiles)]
    return [
        name
        for name in names
        if name != profile and os.path.lexists(session.root / lock_name_of(robot.name, name))
    ]


def write_locks(planned: tuple[Planned, ...]) -> tuple[Path, ...]:
    """
    Write all of *planned*, or none: where one cannot be written, the others are as they were.

    Raises:
        CannotWrite: A file cannot be written, or something that was read has changed meanwhile.
    """
    from robokit_plan.edge.files import CannotWrite, held, write_atomically
    from robokit_plan.formats.lock import render_lock

    texts = [(one.session.lock_path, render_lock(one.plan)) for one in planned]
    for one in planned:
        one.session.check_names()
    done: list[tuple[Path, str | None]] = []
    with held(planned[0].session.root):
        for one in planned:
            one.session.check_inputs()
        try:
            for path, text in texts:
                old = text_of_lock(path)
                write_atomically(path, text)
                done.append((path, old))
        except CannotWrite:
            for path, old in reversed(done):
                with suppress(CannotWrite, OSError):
                    path.unlink() if old is None else write_atomically(path, old)
            raise
    return tuple(path for path, _ in texts)
