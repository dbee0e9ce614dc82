"""The comment for a review: what it says, that it fits, that nothing of strangers acts in it."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from robokit_plan.model import Origin, Plan, Severity, finding
from robokit_plan.render import RobotReview, render_review_markdown
from robokit_plan.render._moved import findings_moved
from tests.render.plans import HERON, deb
from tests.render.strategies import plans

WARNED = finding(
    "rail-tight",
    Severity.WARNING,
    "5V is nearly full",
    places=[Origin(file="robot.yaml", line=9, column=3)],
    why="4.8 of 5 A",
    repair="robokit-plan disable lookout",
    plugins=["lookout"],
    resource="5V",
)
CLEAN = replace(HERON, findings=())


def review(
    before: Plan | None, after: Plan | None, *, folder: str = "", touched: tuple[str, ...] = ()
) -> RobotReview:
    return RobotReview(
        robot="heron",
        profile=None,
        folder=folder,
        touched=touched,
        before=before,
        after=after,
        call=f"robokit-plan diff main --robot {folder or '.'}",
    )


def text_of(markdown: str) -> str:
    """Return what a reader of CommonMark with tables sees, without its marks."""
    html = MarkdownIt("commonmark").enable("table").render(markdown)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("&quot;", '"')


def test_no_robot_is_touched() -> None:
    assert render_review_markdown([], looked_at=3) == (
        "**This change touches no robot.** 3 robots of this repository looked at.\n"
    )


def test_what_is_new_and_what_is_gone() -> None:
    gone = finding("wire-drop", Severity.NOTE, "a thin wire", places=[Origin(file="robot.yaml")])
    before, after = replace(CLEAN, findings=(gone,)), replace(CLEAN, findings=(WARNED,))
    text = render_review_markdown([review(before, after, folder="raft")], looked_at=2)
    assert text_of(text).strip() == (
        "This change touches 1 of 2 robots "
        "robot before after errors warnings needs "
        "heron can be built can be built 0 0 → 1 nothing "
        "heron in raft touched: its robot file "
        "new findings finding where why fix "
        "warning rail-tight 5V is nearly full raft/robot.yaml:9:3 4.8 of 5 A "
        "robokit-plan disable lookout "
        "findings gone note wire-drop: a thin wire"
    )


def test_a_finding_that_moved_to_another_line_is_the_same() -> None:
    lower = replace(
        WARNED, places=(replace(WARNED.places[0], origin=Origin(file="robot.yaml", line=30)),)
    )
    assert findings_moved([WARNED], [lower]) == ((), ())
    graver = replace(WARNED, severity=Severity.ERROR)
    assert findings_moved([WARNED], [graver]) == ((graver,), (WARNED,))


def test_a_robot_that_comes_goes_or_cannot_be_read() -> None:
    broken = finding("file-unreadable", Severity.ERROR, "a tab", places=[Origin(file="robot.yaml")])
    rows = [
        review(None, CLEAN, folder="new"),
        review(CLEAN, None, folder="gone"),
        replace(review(CLEAN, None, folder="broken"), unread=(broken,)),
    ]
    text = text_of(render_review_markdown(rows, looked_at=3))
    assert "heron none can be built 0 0" in text
    assert "heron can be built none 0 0" in text
    assert "heron can be built cannot be read 0 → 1 0" in text
    assert "error file-unreadable a tab broken/robot.yaml" in text


def crowded(name: str, rows: int) -> Plan:
    """Return a plan with *rows* Debian packages that somebody asked for."""
    return replace(
        CLEAN,
        debian=tuple(deb(f"lib{name}{at}", "1", wanted_by=("helm",)) for at in range(rows)),
    )


@pytest.mark.parametrize("limit", [4_000, 12_000, 60_000])
def test_what_does_not_fit_is_counted_and_its_call_is_named(limit: int) -> None:
    """Every robot has its line and its findings before one has all its packages."""
    warned = [replace(crowded(name, 900), findings=(WARNED,)) for name in "abc"]
    none = crowded("", 0)
    rows = [review(none, plan, folder=f"r{at}") for at, plan in enumerate(warned)]
    text = render_review_markdown(rows, looked_at=3, limit=limit)
    assert len(text.encode()) <= limit
    shown = text_of(text)
    assert shown.count("rail-tight") == 3
    left = [int(one) for one in re.findall(r"Left out for length: .*?(\d+) rows of Debian", shown)]
    kept = len(re.findall(r"lib[abc]\d+", shown))
    assert sum(left) + kept == 2_700
    assert left
    assert "robokit-plan diff main --robot r2" in shown


EVIL = st.text(st.sampled_from("a|<>[]()`*_#!\\&@\n\r\x1b:-\u202e~$"), max_size=12)


@given(plans(), plans(), EVIL, st.integers(3_000, 30_000))
@settings(max_examples=15, deadline=None)
def test_whatever_plans_say_it_fits_and_nothing_of_it_acts(
    before: Plan, after: Plan, evil: str, limit: int
) -> None:
    """CommonMark 0.31 with tables: no link, image, raw HTML, code or heading of a stranger."""
    bad = finding("rail-tight", Severity.ERROR, evil, places=[Origin(file=f"{evil}x")], why=evil)
    one = replace(
        review(before, replace(after, findings=(bad,)), folder=evil, touched=(evil,)), robot=evil
    )
    text = render_review_markdown([one], looked_at=1, limit=limit)
    assert len(text.encode("utf-8", "surrogatepass")) <= limit
    tokens = MarkdownIt("commonmark").enable("table").parse(text)
    every = [kind for token in tokens for kind in (*(token.children or ()), token)]
    kinds = {one.type for one in every}
    assert not kinds & {"link_open", "image", "code_inline", "html_block", "fence", "code_block"}
    assert {one.content for one in every if one.type == "html_inline"} <= {"<br>"}
    assert sum(token.type == "heading_open" for token in tokens) == 1
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_many_robots_are_counted() -> None:
    rows = [review(CLEAN, CLEAN, folder=f"r{at}") for at in range(70)]
    text = render_review_markdown(rows, looked_at=70)
    assert "10 robots more left out for length." in text
    assert len(text.encode()) <= 60_000
