"""What ``lock`` does: plan, keeping what is locked, so that the plan can be written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.session import open_session

if TYPE_CHECKING:
    from pathlib import Path

    from robokit_plan.app.session import Session
    from robokit_plan.model import Plan


def planned_lock(
    robot: Path | None,
    listener: Listener = NOBODY,
    *,
    profile: str | None = None,
    upgrade: frozenset[str] | None = None,
    as_of: str | None = None,
    offline: bool = False,
    build_metadata: bool = False,
) -> tuple[Session, Plan]:
    """
    Return the plan, and the session whose `write_lock` writes it.

    Args:
        robot: Robot file or its folder; None: the nearest from here upward.
        listener: Told about the work.
        profile: The profile that is planned.
        upgrade: Which locked versions may move; empty: all; None: none.
        as_of: A date (ISO 8601): look at no later upload.
        offline: Ask nobody.
        build_metadata: Let builds tell what sdists need.

    Raises:
        UnreadableFile, WrongUse, IndexTrouble: As planning does.
    """
    session = open_session(robot, profile=profile, as_of=as_of, upgrade=upgrade)
    plan = session.plan(offline=offline, build_metadata=build_metadata, listener=listener)
    return session, plan
