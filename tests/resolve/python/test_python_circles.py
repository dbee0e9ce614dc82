"""Extras and projects that ask for each other in circles: answered, and explained, once round."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from robokit_plan.render import render_findings_text
from robokit_plan.resolve.python import _world

from .circles import judged
from .fake_python_index import FakeIndex, Rel, Spec, answer_of, ask, problem, versions

_END: Spec = {"end": {"1": [], "2": []}}


def _extras(*requires: str) -> Rel:
    return Rel(requires=requires, extras=("all", "dev"))


@pytest.mark.parametrize(
    ("rows", "asked", "trail"),
    [
        pytest.param(
            {"kit": {"1": _extras("kit[dev]; extra == 'all'", "kit[all]; extra == 'dev'",
                                  "end<2; extra == 'dev'")}},
            "kit[all]",
            "helm asks for kit[all]; kit 1 asks for kit[dev]; kit 1 asks for end<2",
            id="all and dev",
        ),
        pytest.param(
            {
                "kit": {"1": _extras("box[dev]; extra == 'dev'")},
                "box": {"1": _extras("kit[dev]; extra == 'dev'", "end<2; extra == 'dev'")},
            },
            "kit[dev]",
            "helm asks for kit[dev]; kit 1 asks for box[dev]; box 1 asks for end<2",
            id="two projects",
        ),
        pytest.param(
            {"kit": {"1": _extras("kit[dev]; python_version > '3'", "kit[dev]; extra == 'dev'",
                                  "end<2; extra == 'dev'")}},
            "kit",
            "helm asks for kit; kit 1 asks for kit[dev]; kit 1 asks for end<2",
            id="its own extra under a marker",
        ),
    ],
)  # fmt: skip
def test_a_conflict_behind_a_circle(rows: Spec, asked: str, trail: str) -> None:
    index = FakeIndex().add({**rows, **_END})
    answer = answer_of(problem(ask(asked), ask("end>=2", "raft")), index)
    (finding,) = answer.findings
    assert finding.rule == "python-conflict"
    assert finding.why == ("raft asks for end>=2", trail)
    assert versions(answer_of(problem(asked, "end"), index))["end"] == "1"


def test_a_conflict_that_the_first_walk_does_not_meet() -> None:
    """The one that went round without end, in memory as well, until nothing was left of it."""
    index = FakeIndex().add(
        {
            "kit": {
                "1": _extras(
                    "box",
                    "kit[dev]; extra == 'all'",
                    "kit[all]; extra == 'dev'",
                    "box<2; extra == 'dev'",
                )
            },
            "box": {"1": ["end<2"], "2": []},
            **_END,
        }
    )
    answer = answer_of(problem(ask("kit[all]"), ask("end>=2", "raft")), index)
    (finding,) = answer.findings
    assert finding.why == (
        "raft asks for end>=2",
        "helm asks for kit[all]; kit 1 asks for box; box 1 asks for end<2",
    )


def test_a_release_that_asks_for_an_extra_of_another_release_of_its_own() -> None:
    index = FakeIndex().add(
        {"kit": {one: _extras("kit[dev]>=3; extra == 'all'") for one in ("1", "2")}}
    )
    answer = answer_of(problem("kit[all]"), index)
    assert answer.pins == ()
    assert "kit 2 asks for kit[dev]>=3" in render_findings_text(answer.findings)


def test_a_long_chain_is_told_by_its_two_ends() -> None:
    rows = {f"p{place}": {"1": [f"p{place + 1}"]} for place in range(3000)}
    index = FakeIndex().add({**rows, "p3000": {"1": ["end<2"]}, **_END})
    answer = answer_of(problem(ask("p0"), ask("end>=2", "raft")), index, index.whole(), most=1)
    assert answer.findings[0].why[1] == (
        "helm asks for p0; p0 1 asks for p1; p1 1 asks for p2; p2 1 asks for p3; p3 1 asks for p4; "
        "p4 1 asks for p5; ... 2991 more releases, one after the other; p2996 1 asks for p2997; "
        "p2997 1 asks for p2998; p2998 1 asks for p2999; p2999 1 asks for p3000; "
        "p3000 1 asks for end<2"
    )


@pytest.mark.parametrize("levels", [12, 120])
def test_ways_through_the_graph_do_not_count(levels: int) -> None:
    """Two to the power of *levels* ways lead to the clash; one is told."""
    sides = {f"{side}{level}": level for level in range(levels) for side in "lr"}
    ask_on = "l{0}[dev]; extra == 'dev'", "r{0}[dev]; extra == 'dev'"
    rows = {
        name: {"1": _extras(*(one.format(level + 1) for one in ask_on))}
        for name, level in sides.items()
    }
    last = {f"{side}{levels}": {"1": _extras("end<2; extra == 'dev'")} for side in "lr"}
    index = FakeIndex().add({**rows, **last, **_END})
    answer = answer_of(problem(ask("l0[dev]"), ask("end>=2", "raft")), index, index.whole(), most=1)
    assert [one.message for one in answer.findings] == [
        "helm and raft cannot share one Python: no version of end suits all of them"
    ]


def test_what_an_explanation_may_take_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """With no step left for it, what the search itself proved is told, and all are still named."""
    monkeypatch.setattr(_world, "EXPLAINING_STEPS", 0)
    releases = range(1, 7)
    index = FakeIndex().add({"x": {str(one): [] for one in releases}, "y": {"1": []}})
    lines = [ask(f"x!={one}", f"i{one}") for one in releases]
    answer = answer_of(problem(*lines, ask("y", "calm")), index)
    (finding,) = answer.findings
    assert finding.plugins == ("i1", "i2", "i3", "i4", "i5", "i6")


@pytest.mark.parametrize("seed", range(150))
def test_generated(seed: int) -> None:
    """As `tests.bench.bench_circles` does with more."""
    assert judged(seed).wrong == ()


def test_the_kept_result_of_more() -> None:
    file = Path(__file__).parents[2] / "bench" / "circles.json"
    kept = json.loads(file.read_text("utf-8"))
    assert (kept["wrong"], kept["over two seconds"]) == ([], 0)
    assert kept["cases"] >= 10_000
