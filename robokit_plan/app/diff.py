"""What ``diff`` does: two sides as plans, and what changes from one to the other."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from robokit_plan.app.answers import Answer
from robokit_plan.app.forms import DIFF_FORMATS
from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.review import Change, reviews
from robokit_plan.app.sides import Sides
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge.names import robot_names
from robokit_plan.edge.revisions import is_revision
from robokit_plan.render import (
    MovedFindings,
    diff_plans,
    findings_moved,
    render_diff_json,
    render_diff_markdown,
    render_diff_text,
    render_moved_markdown,
    render_moved_text,
    render_review_markdown,
    render_verdict,
)


class Compare(NamedTuple):
    """
    What is compared.

    `old`, `new`: a lock file, robot file, profile or git revision; None: the lock file, and the
    robot as it stands. `robot` None: the nearest from here upward. `columns`: of the text.
    """

    old: str | None = None
    new: str | None = None
    robot: Path | None = None
    profile: str | None = None
    offline: bool = False
    layout: str = "text"
    columns: int = 100


def diff(asked: Compare, listener: Listener = NOBODY) -> Answer:
    """
    Return what changes, and status 1 where the new side has errors.

    Raises:
        WrongUse: A side is none, or there is no such format.
        UnreadableFile, IndexTrouble: As planning does.
    """
    if asked.layout not in DIFF_FORMATS:
        raise WrongUse(
            f"no format is called {asked.layout}", why=f"formats: {', '.join(DIFF_FORMATS)}"
        )
    old, new = asked.old, asked.new
    review = asked.layout == "markdown" and asked.robot is None
    if review and old is not None and _is_change(old, new):
        change = Change(old=old, new=new, profile=asked.profile, offline=asked.offline)
        found, looked_at = reviews(change, listener, here=Path.cwd())
        text = render_review_markdown(found, looked_at=looked_at)
        return Answer(text, 0 if all(one.ok for one in found) else 1)
    sides = Sides(listener, robot=asked.robot, profile=asked.profile, offline=asked.offline)
    before = sides.locked() if old is None else sides.side(old)
    after = sides.current() if new is None else sides.side(new)
    difference = diff_plans(before.plan, after.plan)
    fresh, gone = findings_moved(before.plan.findings, after.plan.findings)
    moved = MovedFindings(new=fresh, gone=gone, prefix=after.prefix)
    ok = after.plan.ok
    parts: tuple[str, ...]
    match asked.layout:
        case "json":
            parts = (render_diff_json(difference, moved, ok=ok),)
        case "markdown":
            parts = render_diff_markdown(difference), render_moved_markdown(moved)
        case _:
            verdict = () if ok else (render_verdict(after.plan),)
            parts = (
                render_diff_text(difference, width=asked.columns),
                render_moved_text(moved),
                *verdict,
            )
    return Answer("\n".join(one for one in parts if one), 0 if ok else 1)


def _is_change(*words: str | None) -> bool:
    """Whether *words* are git revisions, and neither files nor profiles, which go before."""
    profiles = robot_names(None).profiles
    return all(
        word not in profiles and not Path(word).exists() and is_revision(Path.cwd(), word)
        for word in words
        if word is not None
    )
