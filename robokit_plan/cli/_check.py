"""What ``check`` does once it is known what was asked."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.cli import _answers
from robokit_plan.cli._answers import Asked
from robokit_plan.cli._session import open_session

if TYPE_CHECKING:
    from robokit_plan.cli._planning import World
    from robokit_plan.model import Plan


def check(asked: Asked, form: str) -> int:
    """
    Plan, print the answer in *form* and keep it in every form; return the exit status.

    Raises:
        UnreadableFile, WrongUse, IndexTrouble: As planning does.
    """
    if asked.board is not None or asked.release is not None:
        return _what_if(asked, form)
    keeper = _answers.Keeper(asked)
    as_json = form == _answers.JSON
    session = open_session(
        None if asked.robot is None else Path(asked.robot),
        profile=asked.profile,
        board=asked.board,
        release=asked.release,
        as_of=asked.as_of,
    )

    def keep(world: World, plan: Plan) -> None:
        text = partial(session.text_of, plan)
        forms = {
            _answers.TEXT: partial(text, json=False, notes=False),
            _answers.NOTES: partial(text, json=False, notes=True),
            _answers.JSON: partial(text, json=True, notes=False),
        }
        keeper.keep(world, session, forms, 0 if plan.ok else 1)

    plan = session.plan(offline=asked.offline, then=keep)
    session.print_plan(plan, json=as_json, notes=form == _answers.NOTES)
    return 0 if plan.ok else 1


def _what_if(asked: Asked, form: str) -> int:
    """Plan the robot as it is and as it would be; print the latter and what moves."""
    as_json = form == _answers.JSON
    robot = None if asked.robot is None else Path(asked.robot)
    now = open_session(robot, profile=asked.profile, as_of=asked.as_of)
    session = open_session(
        robot,
        profile=asked.profile,
        board=asked.board,
        release=asked.release,
        as_of=asked.as_of,
    )
    before = now.plan(offline=asked.offline)
    plan = session.plan(offline=asked.offline)
    session.print_plan(plan, json=as_json, notes=form == _answers.NOTES, moved_from=before)
    return 0 if plan.ok else 1
