"""What holds for every archive: drawn at random, judged by trying everything."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from robokit_plan.model import DebianArchive, DebianName, DebianRow, Need
from robokit_plan.resolve.debian import DebianAnswer, parse_relations, resolve_debian
from robokit_plan.resolve.debian._explain import group_text

from .small_archive import (
    answer_of,
    archive_of,
    every_selection,
    faults,
    package,
    paragraphs,
    pins_of,
    problem_of,
)

NAMES = ("aa", "bb", "cc", "dd", "ee")
VIRTUAL = ("vv", "ww")


class World(NamedTuple):
    """One drawn archive with wants and base."""

    text: str
    installed: tuple[str, ...]
    wants: tuple[str, ...]


def term(names: tuple[str, ...]) -> st.SearchStrategy[str]:
    """A name, with a version relation in one of three cases."""
    bound = st.builds(
        "({} {})".format, st.sampled_from(["<<", "<=", "=", ">=", ">>"]), st.sampled_from("12")
    )
    return st.builds(
        lambda name, tail: f"{name} {tail}".strip(),
        st.sampled_from(names),
        st.one_of(st.just(""), st.just(""), bound),
    )


def groups(most: int) -> st.SearchStrategy[str]:
    """A Depends field."""
    group = st.lists(term(NAMES + VIRTUAL), min_size=1, max_size=3).map(" | ".join)
    return st.lists(group, max_size=most).map(", ".join)


@st.composite
def worlds(draw: st.DrawFn) -> World:
    """Five names in one or two versions, two virtual names, up to three wants, up to two installed."""
    blocks = []
    first: dict[str, str] = {}
    for name in NAMES:
        for version in draw(st.sampled_from([("1",), ("1",), ("2", "1")])):
            fields = {
                "Package": name,
                "Version": version,
                "Depends": draw(groups(2)),
                "Conflicts": draw(st.lists(term(NAMES + VIRTUAL), max_size=1).map(", ".join)),
                "Provides": draw(
                    st.lists(
                        st.sampled_from(["vv", "ww", "vv (= 1)", "vv (= 2)"]),
                        max_size=1,
                    ).map(", ".join)
                ),
                "Priority": draw(st.sampled_from(["optional", "optional", "standard", "required"])),
            }
            first[name] = version
            if version == "1" and draw(st.sampled_from([False, False, True])):
                fields["X-Status"] = "hold ok installed"
            blocks.append("\n".join(f"{key}: {value}" for key, value in fields.items() if value))
    installed = draw(st.lists(st.sampled_from(NAMES), max_size=2, unique=True))
    wants = draw(
        st.lists(
            st.lists(term(NAMES), min_size=1, max_size=2).map(" | ".join),
            min_size=1,
            max_size=3,
            unique=True,
        )
    )
    return World(
        "\n\n".join(blocks),
        tuple(f"{name}={first[name]}" for name in installed),
        tuple(wants),
    )


def sound(world: World) -> tuple[DebianArchive, bool]:
    """Return the archive, and whether its base is whole (a card's always is)."""
    archive = archive_of(world.text, installed=world.installed)
    return archive, not faults(archive.base.values())


def feasible(archive: DebianArchive, text: str, wants: tuple[str, ...]) -> bool:
    """Whether any selection at all satisfies *wants*."""
    packages = [package(fields) for fields in paragraphs(text)]
    return any(not faults(chosen, wants) for chosen in every_selection(packages, archive.base))


def selection_of(archive: DebianArchive, answer: DebianAnswer) -> list[object]:
    """Return what would be on the card."""
    after = {name: one for name, one in archive.base.items() if name not in answer.removed}
    for pin in answer.pins:
        after[pin.name] = next(
            one for one in archive.rows[pin.name].packages if one.version == pin.version
        )
    return list(after.values())


def judge_answer(world: World) -> None:
    archive, whole = sound(world)
    if not whole:
        return
    answer = answer_of(problem_of(world.wants), archive)
    errors = [one for one in answer.findings if one.severity.value == "error"]
    if feasible(archive, world.text, world.wants):
        assert not errors
        assert faults(selection_of(archive, answer), world.wants) == []  # type: ignore[arg-type]
        for name in answer.removed:
            gone = archive.base[name]
            assert not gone.essential
            assert gone.priority != "required"
            assert not gone.held
        assert not any(one.held for name, one in archive.base.items() if name in pins_of(answer))
    else:
        assert errors


def judge_conflicts(world: World) -> None:
    archive, whole = sound(world)
    if not whole:
        return
    answer = answer_of(problem_of(world.wants), archive)
    texts = {group_text(parse_relations(want, "arm64")[0]): want for want in world.wants}
    words = ("one", "two", "three")
    for found in answer.findings:
        if found.rule != "debian-conflict":
            continue
        labels = [place.label.partition(" asks for ")[2] for place in found.places]
        core = tuple(dict.fromkeys(texts[label] for label in labels))
        assert set(found.plugins) == {words[world.wants.index(want)] for want in core}
        assert not feasible(archive, world.text, core)
        for left_out in core:
            rest = tuple(want for want in core if want != left_out)
            assert feasible(archive, world.text, rest)


@settings(max_examples=60, deadline=None)
@given(worlds())
def test_an_answer_exists_where_any_does(world: World) -> None:
    """Policy 7: an answer is free of faults; where everything was tried and failed, it refuses."""
    judge_answer(world)


@settings(max_examples=40, deadline=None)
@given(worlds())
def test_conflicts_are_irreducible(world: World) -> None:
    """A reported set cannot hold together, and every part of it can."""
    judge_conflicts(world)


@pytest.mark.slow
@settings(max_examples=4000, deadline=None)
@given(worlds())
def test_both_thoroughly(world: World) -> None:
    """The same two laws, over many more archives."""
    judge_answer(world)
    judge_conflicts(world)


@settings(max_examples=40, deadline=None)
@given(worlds(), st.booleans())
def test_order_of_wants_never_matters(world: World, recommends: bool) -> None:
    """The same wants in another order give the same pins."""
    archive, _ = sound(world)
    forward = answer_of(problem_of(world.wants, recommends=recommends), archive)
    backward = answer_of(problem_of(world.wants[::-1], recommends=recommends), archive)
    assert pins_of(forward) == pins_of(backward)
    assert forward.removed == backward.removed


@settings(max_examples=40, deadline=None)
@given(worlds(), st.booleans())
def test_reading_step_by_step_gives_the_same(world: World, recommends: bool) -> None:
    """Rows that were never read do not change the answer; each need asks for something new."""
    archive, _ = sound(world)
    whole = answer_of(problem_of(world.wants, recommends=recommends), archive)
    rows: dict[DebianName, DebianRow] = {}
    for _round in range(40):
        partial = replace(archive, rows=rows)
        answer = resolve_debian(problem_of(world.wants, recommends=recommends), partial)
        if isinstance(answer, DebianAnswer):
            break
        assert isinstance(answer, Need)
        assert not answer.pages
        assert list(answer.debian) == sorted(set(answer.debian))
        assert not set(answer.debian) & rows.keys()
        for name in answer.debian:
            row = archive.rows.get(name)
            assert row is not None
            rows = {**rows, name: row}
    else:
        raise AssertionError("it never ends")
    assert answer == replace(whole, base=answer.base)


LATE = World(
    """\
Package: aa
Depends: dd | bb

Package: bb
Version: 2
Depends: dd

Package: dd
Version: 2
Conflicts: aa

Package: dd
Version: 1
""",
    (),
    ("aa",),
)
"""bb is turned to before the older dd is, which then serves in its place."""


@settings(max_examples=30, deadline=None)
@given(worlds())
@example(LATE)
def test_a_lock_is_kept(world: World) -> None:
    """What one answer chose, the next keeps, if its versions are locked and nothing changed."""
    archive, whole = sound(world)
    first = answer_of(problem_of(world.wants), archive)
    if not whole or any(one.severity.value == "error" for one in first.findings):
        return
    again = answer_of(problem_of(world.wants, locked=pins_of(first)), archive)
    assert pins_of(again).items() >= pins_of(first).items() or again.pins == first.pins
