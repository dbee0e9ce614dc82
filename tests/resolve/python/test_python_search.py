"""The policy of choice, one small index a case."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.model import Need, Severity
from robokit_plan.resolve.python import _search
from robokit_plan.resolve.python._asked import read_units
from robokit_plan.resolve.python._search import Found, search
from robokit_plan.resolve.python._units import asks_in
from robokit_plan.resolve.python._world import Budget, World

from .fake_python_index import FakeIndex, Rel, Spec, answer_of, problem, versions


def test_newest_version_with_a_wheel_for_the_target() -> None:
    index = FakeIndex().add(
        {
            "sonar": {
                "1.0": Rel(tags=("cp313-cp313-manylinux_2_17_aarch64",)),
                "1.1": Rel(tags=("cp313-cp313-manylinux_2_41_aarch64",)),
                "1.2": Rel(tags=("cp313-cp313-manylinux_2_42_aarch64",)),
                "1.3": Rel(tags=("cp313-cp313-manylinux_2_17_x86_64",), sdist=True),
            }
        }
    )
    assert versions(answer_of(problem("sonar"), index)) == {"sonar": "1.1"}


def test_dependencies_markers_and_extras() -> None:
    index = FakeIndex().add(
        {
            "a": {
                "1": Rel(
                    requires=(
                        "b>=1 ; platform_machine == 'aarch64'",
                        "never ; platform_machine == 'x86_64'",
                        "c[fast] ; extra == 'more'",
                        "old ; python_full_version < '3.13.5'",
                        "new ; python_full_version >= '3.13.5'",
                    ),
                    extras=("more",),
                )
            },
            "b": {"1": []},
            "new": {"1": []},
            "c": {"2": Rel(requires=("d ; extra == 'fast'",), extras=("fast",))},
            "d": {"3": []},
        }
    )
    assert versions(answer_of(problem("a"), index)) == {"a": "1", "b": "1", "new": "1"}
    answer = answer_of(problem("A[More]"), index)
    assert versions(answer) == {"a": "1", "b": "1", "c": "2", "d": "3", "new": "1"}
    assert [pin.extras for pin in answer.pins] == [("more",), (), ("fast",), (), ()]
    assert len(index.rounds) == 6  # pages and metadata of three levels


def test_backtracks() -> None:
    index = FakeIndex().add(
        {
            "a": {str(n): ["c<5"] for n in range(1, 40)},
            "b": {str(n): [f"c=={n}"] for n in range(1, 40)},
            "c": {str(n): [] for n in range(1, 40)},
        }
    )
    assert versions(answer_of(problem("a", "b"), index)) == {"a": "39", "b": "4", "c": "4"}
    assert len(index.rounds) < 12


def test_what_is_asked_for_gives_way_to_what_asks() -> None:
    """The newest tool and the core that it wants, not the newest core and a tool of long ago."""
    index = FakeIndex().add(
        {
            "core": {"1": [], "2": [], "3": []},
            "tool": {"1": [], "2": ["core<3"]},
            "zeal": {"1": [], "2": ["core==1"]},
        }
    )
    assert versions(answer_of(problem("core", "tool"), index)) == {"core": "2", "tool": "2"}
    everything = problem("core", "tool", "zeal")
    assert versions(answer_of(everything, index)) == {"core": "1", "tool": "2", "zeal": "2"}


def test_what_is_asked_for_gives_way_at_the_end_of_a_chain() -> None:
    """Also where the one that asks is met only after the choice was made."""
    index = FakeIndex().add(
        {
            "core": {"1": [], "2": [], "3": []},
            "kit": {"1": [], "2": ["shelf==5"]},
            "shelf": {"4": [], "5": ["shop>=1"]},
            "shop": {"1": [], "2": ["core<3"]},
        }
    )
    answer = answer_of(problem("core", "kit"), index)
    assert versions(answer) == {"core": "2", "kit": "2", "shelf": "5", "shop": "2"}


def test_two_that_would_give_way_to_each_other() -> None:
    """Each newest wants the other's oldest: the search ends, with one of the two at its newest."""
    index = FakeIndex().add(
        {
            "a": {"1": [], "2": [], "3": ["b<2"]},
            "b": {"1": [], "2": [], "3": ["a<2"]},
        }
    )
    assert versions(answer_of(problem("a", "b"), index)) == {"a": "3", "b": "1"}


def test_what_is_bounded_is_decided_before_what_is_not() -> None:
    """Each newest excludes the other's; whoever is decided first keeps its own."""
    index = FakeIndex().add({"a": {"1": [], "2": ["b<2"]}, "b": {"1": [], "2": ["a<2"]}})
    assert versions(answer_of(problem("a", "b<9"), index)) == {"a": "1", "b": "2"}
    assert versions(answer_of(problem("a<9", "b"), index)) == {"a": "2", "b": "1"}
    assert versions(answer_of(problem("a", "b"), index)) == {"a": "2", "b": "1"}


def test_a_set_of_known_needs_before_an_archive_that_says_nothing() -> None:
    """An older app with wheels throughout; the archive only where no wheel of its name fits."""
    rows: Spec = {
        "app": {"1": [], "2": ["core>=2"]},
        "core": {"1": [], "2": []},
        "ping": {
            "1": Rel(requires=None, tags=(), sdist=True),
            "2": Rel(requires=("core<2",)),
        },
        "setuptools": {"80": []},
    }
    answer = answer_of(problem("app", "ping"), FakeIndex().add(rows))
    assert versions(answer) == {"app": "1", "core": "1", "ping": "2"}
    answer = answer_of(problem("app", "ping<2"), FakeIndex().add(rows))
    assert versions(answer) == {"app": "2", "core": "2", "ping": "1"}
    assert [one.rule for one in answer.findings if one.severity is Severity.ERROR] == [
        "metadata-unknown"
    ]


def test_a_search_that_would_take_too_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """
    Twelve pigeons and eleven holes: no proof by resolution is short, so the search says that it gave up.

    Source:
        A. Haken, The intractability of resolution, Theoretical Computer Science 39 (1985).
    """
    holes, pigeons = range(1, 12), range(1, 13)
    index = FakeIndex().add(
        {
            **{
                f"pigeon{one}": {str(hole): [f"hole{hole}=={one}"] for hole in holes}
                for one in pigeons
            },
            **{f"hole{hole}": {str(one): [] for one in pigeons} for hole in holes},
        }
    )
    monkeypatch.setattr(_search, "STEPS", 20_000)
    answer = answer_of(problem(*(f"pigeon{one}" for one in pigeons)), index)
    assert [one.rule for one in answer.findings] == ["python-search-too-long"]
    assert answer.pins == ()
    assert len(index.rounds) < 20


def test_a_need_names_all_that_is_open() -> None:
    """One question for all plugins' names, then one for the best release of each."""
    index = FakeIndex().add({one: {"1": [], "2": []} for one in ("a", "b", "c")})
    answer_of(problem("a", "b<2", "c"), index)
    first, second = index.rounds
    assert first.pages == ("a", "b", "c")
    assert [file.filename for file in second.metadata] == [
        "a-2-py3-none-any.whl",
        "b-1-py3-none-any.whl",
        "c-2-py3-none-any.whl",
    ]


def test_a_name_given_up_often_is_asked_about_in_growing_portions() -> None:
    """Sixty releases that all fail take a handful of questions, not sixty."""
    index = FakeIndex().add(
        {
            "tool": {f"1.{n}": (["core>=2"] if n else ["core<2"]) for n in range(60)},
            "core": {"1": [], "2": []},
        }
    )
    assert versions(answer_of(problem("core<2", "tool"), index)) == {"core": "1", "tool": "1.0"}
    # The best of each name; then the next one and as many more as were tried: 2, 4, 8, 16, rest.
    assert [len(one.metadata) for one in index.rounds if one.metadata] == [2, 2, 4, 8, 16, 29]


def test_the_hash_seed_does_not_matter() -> None:
    """Same inputs, same bytes, whatever order sets happen to have."""
    program = (
        "from tests.resolve.python.test_python_findings import GESTURE, CV2, FACTS\n"
        "from tests.resolve.python.fake_python_index import answer_of, ask, problem\n"
        "print(answer_of(problem(ask('mediapipe==0.10.18', 'g'), ask('opencv-python>=4.12', 'l'),"
        " facts=FACTS), GESTURE))\n"
        "print(answer_of(problem('x', 'y', 'attr', 'attrs', 'mediapipe', facts=FACTS), CV2))\n"
    )
    answers = {
        subprocess.run(
            [sys.executable, "-c", program],
            cwd=Path(__file__).parents[3],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2", "3")
    }
    assert len(answers) == 1


def test_a_clash_below_many_settled_names() -> None:
    """
    ``httpx<0.24 openai``: what has nothing to do with a clash is not tried again in each way.

    Rows of the public index of 2026-11, trimmed, and few steps for few rows. By hand: each `openai` leads to h11 0.16, which
    of these `httpcore` only 0.13.2 lets in, which only `httpx` 0.18.1 lets in.
    """
    core2 = ("2.12.0", "2.13.0", "2.13.1", "2.14.0", "2.15.0", "2.15.1", "2.16.0", "2.16.1")
    idna = "rfc3986[idna2008]>=1.3,<2"
    early, middle, late = "h11>=0.11,<0.13", "h11>=0.13,<0.15", "h11>=0.16"
    index = FakeIndex().add(
        {
            "httpx": {
                one: [f"httpcore{bound}", idna, "certifi", "sniffio"]
                for one, bound in {
                    "0.18.1": ">=0.13.0,<0.14.0",
                    "0.18.2": ">=0.13.3,<0.14.0",
                    "0.19.0": ">=0.13.3,<0.14.0",
                    "0.20.0": ">=0.13.3,<0.14.0",
                    "0.21.3": ">=0.14.0,<0.15.0",
                    "0.22.0": ">=0.14.5,<0.15.0",
                    "0.23.0": ">=0.15.0,<0.16.0",
                    "0.23.3": ">=0.15.0,<0.17.0",
                }.items()
            },
            "httpcore": {
                "0.13.2": ["h11==0.*", "sniffio==1.*"],
                "0.13.3": [early, "sniffio==1.*"],
                **{
                    one: ["anyio==3.*", early, "sniffio==1.*"]
                    for one in ("0.13.7", "0.14.0", "0.14.7", "0.15.0")
                },
                **{
                    one: ["anyio>=3.0,<5.0", "certifi", middle, "sniffio==1.*"]
                    for one in ("0.16.0", "0.16.1", "0.16.2", "0.16.3")
                },
            },
            "h11": {"0.12.0": [], "0.14.0": [], "0.16.0": []},
            "openai": {
                one: ["anyio>=4.10.0,<5", "httpx2>=2.12.0,<3", "jiter<1", "pydantic<3", "sniffio"]
                for one in ("3.53.0", "3.54.0", "3.55.0", "3.55.1", "3.56.0", "3.57.0")
            },
            "httpx2": {
                one: ["anyio>=4.10", f"httpcore2=={one}", "idna>=3.18", "truststore>=0.10"]
                for one in core2
            },
            "httpcore2": {one: [late, "truststore>=0.10"] for one in core2},
            "pydantic": {"2.14.4": ["annotated-types>=0.6.0", "pydantic-core==2.50.5"]},
            "rfc3986": {
                "1.5.0": Rel(requires=("idna ; extra == 'idna2008'",), extras=("idna2008",))
            },
            "anyio": {"3.7.1": ["idna>=2.8", "sniffio>=1.1"], "4.16.0": ["idna>=2.8"]},
            **{
                one: {version: []}
                for one, version in {
                    "annotated-types": "0.8.0",
                    "certifi": "2026.10.19",
                    "idna": "3.20",
                    "jiter": "0.19.0",
                    "pydantic-core": "2.50.5",
                    "sniffio": "1.3.1",
                    "truststore": "0.10.5",
                }.items()
            },
        }
    )
    question = problem("httpx<0.24", "openai")
    world = World(question, index.whole())
    units, _ = read_units(question, world)
    found = search(world, asks_in(units), budget=Budget(3_000))
    assert isinstance(found, Found)
    names = ("openai", "httpx2", "httpcore2", "h11", "httpcore", "httpx")
    releases = [found.chosen[one].release for one in names]
    assert [str(one.version) for one in releases if one is not None] == [
        "3.57.0", "2.16.1", "2.16.1", "0.16.0", "0.13.2", "0.18.1",
    ]  # fmt: skip


def _met(index: FakeIndex, known: Iterable[str], *asked: str, unread: Iterable[str] = ()) -> Need:
    """Return what a search wants that knows the pages of *known*, and not the metadata of *unread*."""
    whole = index.whole()
    closed = set(unread)
    snapshot = replace(
        whole,
        pages={one: page for one, page in whole.pages.items() if one in set(known)},
        metadata={
            key: row
            for key, row in whole.metadata.items()
            if f"{row.name} {row.version}" not in closed
        },
    )
    question = problem(*asked)
    world = World(question, snapshot)
    need = search(world, asks_in(read_units(question, world)[0]))
    assert isinstance(need, Need)
    return need


ABANDONED = FakeIndex().add(
    {
        # a 2 is met first; b then leaves a 1 alone, so what a 2 wanted is not worth a question.
        "a": {"2": ["left", "zz==2"], "1": ["right", "aft"]},
        "b": {"2": ["zz==1"], "1": ["zz<2"]},
        "zz": {"1": [], "2": []},
        "left": {"1": []},
        "right": {"1": []},
        "aft": {"1": []},
    }
)


def test_a_need_names_the_pages_that_the_choice_stands_on() -> None:
    need = _met(ABANDONED, ("a", "b", "zz"), "a", "b")
    assert need.pages == ("aft", "right")
    assert need.metadata == ()


def test_a_need_names_the_releases_that_the_choice_stands_on() -> None:
    every = ("a", "b", "zz", "left", "right", "aft")
    need = _met(ABANDONED, every, "a", "b", unread=("left 1", "right 1", "aft 1"))
    assert need.pages == ()
    assert [file.filename for file in need.metadata] == [
        "aft-1-py3-none-any.whl",
        "right-1-py3-none-any.whl",
    ]


def test_a_need_names_pages_and_releases_together() -> None:
    need = _met(
        ABANDONED, ("a", "b", "zz", "left", "right"), "a", "b", unread=("left 1", "right 1")
    )
    assert need.pages == ("aft",)
    assert [file.filename for file in need.metadata] == ["right-1-py3-none-any.whl"]


def test_a_need_names_all_that_was_met_where_the_choice_stands_on_none_of_it() -> None:
    """Nothing is decided by a search that met a gap, also where it does not seem to matter."""
    index = FakeIndex().add(
        {
            "a": {"2": ["left", "zz==2"], "1": []},
            "b": {"2": ["zz==1"], "1": ["zz<2"]},
            "zz": {"1": [], "2": []},
        }
    )
    assert _met(index, ("a", "b", "zz"), "a", "b").pages == ("left",)


def test_an_archive_stays_where_no_wheel_fits_what_others_ask() -> None:
    """The wheel would fit what the plugin asks, but not what the app asks of the same name."""
    rows: Spec = {
        "app": {"1": ["ping<2"]},
        "ping": {"1": Rel(requires=None, tags=(), sdist=True), "2": []},
        "setuptools": {"80": []},
    }
    answer = answer_of(problem("app", "ping"), FakeIndex().add(rows))
    assert versions(answer) == {"app": "1", "ping": "1"}
    assert [one.rule for one in answer.findings if one.severity is Severity.ERROR] == [
        "metadata-unknown"
    ]


def test_archives_that_were_left_out_are_told_in_order() -> None:
    silent = Rel(requires=None, tags=(), sdist=True)
    rows: Spec = {
        "app": {"1": ["core>=2"]},
        "core": {"1": [], "2": []},
        "ping": {"1": silent, "2": ["core<2"]},
        "echo": {"1": silent, "2": ["core<2"]},
    }
    answer = answer_of(problem("app", "ping", "echo"), FakeIndex().add(rows))
    told = [line for one in answer.findings for line in one.why if "were left out" in line]
    assert told
    assert all(line.startswith("source archives of echo and ping were") for line in told)
