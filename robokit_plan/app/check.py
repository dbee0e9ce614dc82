"""What ``check`` does once it is known what was asked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.app.answers import Answer, Asked, Keeper, find_answer
from robokit_plan.app.forms import FORMS, JSON, NOTES
from robokit_plan.app.listener import NOBODY, Listener

if TYPE_CHECKING:
    from collections.abc import Callable

    from robokit_plan.app.planning import World
    from robokit_plan.model import Plan


def check(asked: Asked, form: str, listener: Listener = NOBODY) -> Answer:
    """
    Return the answer in *form*: as it was kept, or planned, and kept in every form then.

    Raises:
        UnreadableFile, WrongUse, IndexTrouble: As planning does.
    """
    if asked.board is not None or asked.release is not None:
        return _what_if(asked, form, listener)
    known = find_answer(asked, form)
    return _planned(asked, form, listener) if known is None else known


def _planned(asked: Asked, form: str, listener: Listener) -> Answer:
    from functools import partial

    from robokit_plan.app.session import open_session

    keeper = Keeper(asked)
    session = open_session(
        None if asked.robot is None else Path(asked.robot),
        profile=asked.profile,
        as_of=asked.as_of,
        stale=True,
    )

    def texts(plan: Plan) -> dict[str, Callable[[], str]]:
        return {
            one: partial(session.text_of, plan, json=one == JSON, notes=one == NOTES)
            for one in FORMS
        }

    def keep(world: World, plan: Plan) -> None:
        keeper.keep(world, session, texts(plan), 0 if plan.ok else 1)

    plan = session.plan(offline=asked.offline, listener=listener, then=keep)
    return Answer(texts(plan)[form](), 0 if plan.ok else 1)


def _what_if(asked: Asked, form: str, listener: Listener) -> Answer:
    """Plan the robot as it is and as it would be; answer with the latter and what moves."""
    from robokit_plan.app.session import open_session

    robot = None if asked.robot is None else Path(asked.robot)
    now = open_session(robot, profile=asked.profile, as_of=asked.as_of)
    session = open_session(
        robot,
        profile=asked.profile,
        board=asked.board,
        release=asked.release,
        as_of=asked.as_of,
    )
    before = now.plan(offline=asked.offline, listener=listener)
    plan = session.plan(offline=asked.offline, listener=listener)
    text = session.text_of(
        plan,
        json=form == JSON,
        notes=form == NOTES,
        moved_from=before,
        columns=asked.width,
    )
    return Answer(text, 0 if plan.ok else 1)
