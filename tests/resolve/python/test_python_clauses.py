"""
The engine alone: small sets of clauses, with all ways tried as the judge.

What it may draw, learn and call impossible follows from the clauses by counting solutions; nothing
here knows names or releases.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import product

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from robokit_plan.resolve.python._clauses import Clause, Engine, ImpossibleError, TooLongError

NONE = 1
FULL = 0b1111
Literals = Mapping[int, int]
"""Variable -> the values of which it takes one, or another literal holds."""


@st.composite
def literals(draw: st.DrawFn, *, least: int = 1, variables: int = 5) -> Literals:
    some = draw(st.lists(st.integers(0, variables - 1), min_size=least, max_size=3, unique=True))
    return {one: draw(st.integers(1, FULL - 1)) for one in some}


asked = st.lists(literals(), max_size=9)
many = st.lists(literals(least=2), max_size=12)
links = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 4)).filter(lambda one: one[0] != one[1]),
    max_size=2,
    unique=True,
)


class Laid:
    """An engine of five variables, and all that holds of them."""

    def __init__(
        self, first: Sequence[Literals], some: Sequence[Literals], pairs: Sequence[tuple[int, int]]
    ) -> None:
        self.engine = Engine(none=NONE, steps=100_000)
        self.first = first
        self.some = some
        self.pairs = pairs
        for _ in range(5):
            self.engine.variable(FULL)
        for follower, leader in pairs:
            self.engine.link(follower, leader)
        for one in self.some:
            self.engine.watch(Clause(dict(one)))
        for place, one in enumerate(first):
            if len(one) > 1:
                self.engine.watch(Clause(dict(one), roots=1 << place))

    def begun(self) -> Clause | None:
        for place, one in enumerate(self.first):
            if len(one) > 1:
                continue
            (variable,) = one
            broken = self.engine.narrow(variable, Clause(dict(one), roots=1 << place))
            if broken is not None:
                return broken
        return None

    def solutions(self, roots: int = -1) -> list[tuple[int, ...]]:
        """Return each way that meets all clauses, and of the first facts those in *roots*."""
        facts = [one for place, one in enumerate(self.first) if roots >> place & 1]
        return list(solutions([*self.some, *facts], self.pairs))

    def searched(self) -> tuple[int, ...] | ImpossibleError:
        """Return what a plain search by this engine finds; the law is checked on the way."""
        engine = self.engine
        known: list[list[int]] = []
        broken = self.begun()
        every = self.solutions()
        while True:
            broken = broken or engine.propagate()
            assert not (broken is None and engine.is_pending)
            if broken is not None:
                conflicts = engine.conflicts
                try:
                    engine.learn(broken, lambda *_: False)
                except ImpossibleError as error:
                    return error
                assert engine.conflicts == conflicts + 1
                for variable in range(5):  # the last step may have narrowed one of them further
                    assert not engine.domains[variable] & ~known[engine.level][variable]
                assert all_learned_holds(engine, every)
                del known[engine.level :]
                broken = None
                continue
            self.drawn(every)
            known.append(list(engine.domains))
            assert len(known) == engine.level + 1
            open_ = [one for one in range(5) if engine.domains[one].bit_count() > 1]
            if not open_:
                return tuple(engine.domains)
            value = engine.domains[open_[0]]
            engine.choose(open_[0], value & -value)

    def drawn(self, every: Sequence[tuple[int, ...]]) -> None:
        """All that one clause alone says is drawn; at the start, nothing that is not so."""
        domains = self.engine.domains
        for one in (*self.some, *self.first):
            able = [variable for variable, values in one.items() if domains[variable] & values]
            assert able
            if len(able) == 1:
                assert not domains[able[0]] & ~one[able[0]]
        for follower, leader in self.pairs:
            assert not domains[follower] & ~(domains[leader] | NONE)
            if not domains[follower] & NONE:
                assert not domains[leader] & ~domains[follower]
        if not self.engine.level:
            for way in every:
                assert all(value & domain for value, domain in zip(way, domains, strict=True))


def solutions(
    clauses: Sequence[Literals], pairs: Sequence[tuple[int, int]]
) -> Iterator[tuple[int, ...]]:
    for way in product((1, 2, 4, 8), repeat=5):
        if all(any(way[one] & values for one, values in each.items()) for each in clauses) and all(
            way[follower] in (NONE, way[leader]) for follower, leader in pairs
        ):
            yield way


def all_learned_holds(engine: Engine, every: Sequence[tuple[int, ...]]) -> bool:
    """Whether each clause that the engine has now is met by each of the ways."""
    there = [one for part in engine._watching for one in part] + list(engine.facts)
    return all(
        any(way[variable] & values for variable, values in one.literals.items())
        for one in there
        for way in every
    )


@settings(max_examples=300, deadline=None)
@given(first=asked, some=many, pairs=links)
def test_a_way_is_found_exactly_where_there_is_one(
    first: list[Literals], some: list[Literals], pairs: list[tuple[int, int]]
) -> None:
    """And the first facts that are named as the reason leave none by themselves."""
    laid = Laid(first, some, pairs)
    every = laid.solutions()
    found = laid.searched()
    if isinstance(found, ImpossibleError):
        assert every == []
        assert laid.solutions(found.roots) == []
    else:
        assert found in every


tight = st.lists(
    st.dictionaries(st.integers(0, 2), st.sampled_from([1, 2, 4, 8, 3, 12]), min_size=2),
    min_size=6,
    max_size=14,
)


@settings(max_examples=200, deadline=None)
@given(first=tight)
def test_clauses_that_exclude_each_other_only_by_choices_are_named(first: list[Literals]) -> None:
    """None of them says anything alone, so each contradiction begins with a choice."""
    laid = Laid(first, [], [])
    found = laid.searched()
    assert isinstance(found, ImpossibleError) is (laid.solutions() == [])
    if isinstance(found, ImpossibleError):
        assert laid.solutions(found.roots) == []


@settings(max_examples=100, deadline=None)
@given(first=asked, some=many, pairs=links)
def test_a_search_forgets_all_but_what_always_holds(
    first: list[Literals], some: list[Literals], pairs: list[tuple[int, int]]
) -> None:
    """Begun anew it comes to the same verdict, with every domain whole in between."""
    laid = Laid(first, some, pairs)
    before = laid.searched()
    laid.engine.forget()
    assert laid.engine.domains == [FULL] * 5
    assert laid.engine.level == 0
    assert laid.engine.is_pending
    for fact in laid.engine.facts:
        assert not fact.tentative
        assert all(any(way[one] & values for one, values in fact.literals.items())
                   for way in laid.solutions())  # fmt: skip
    after = laid.searched()
    assert isinstance(before, ImpossibleError) == isinstance(after, ImpossibleError)
    if isinstance(after, ImpossibleError):
        assert laid.solutions(after.roots) == []


@settings(max_examples=100, deadline=None)
@given(some=many, order=st.permutations(range(5)), values=st.lists(st.integers(0, 3), min_size=5))
def test_going_back_undoes_what_came_after(
    some: list[Literals], order: list[int], values: list[int]
) -> None:
    laid = Laid([], some, [])
    engine = laid.engine
    assume(engine.propagate() is None)
    stages = [list(engine.domains)]
    for variable in order:
        bit = 1 << values[variable]
        if engine.domains[variable] == bit or not engine.domains[variable] & bit:
            continue
        engine.choose(variable, bit)
        assert engine.is_chosen_away(variable, FULL & ~bit)
        if engine.propagate() is not None:
            engine.go_back(engine.level - 1)
            break
        stages.append(list(engine.domains))
    assert engine.level == len(stages) - 1
    for level in reversed(range(len(stages))):
        engine.go_back(level)
        assert engine.domains == stages[level]
        engine.go_back(level + 1)  # there is nothing above to undo
        assert (engine.level, engine.domains) == (level, stages[level])
        assert engine.propagate() is None
        assert engine.domains == stages[level]


def test_what_was_chosen_and_what_followed_are_told_apart() -> None:
    engine = Engine(none=NONE, steps=100)
    one, two = engine.variable(FULL), engine.variable(FULL)
    engine.watch(Clause({one: FULL & ~2, two: 4}))  # the second is 4 where the first is 2
    engine.choose(one, 2)
    assert engine.propagate() is None
    assert engine.domains == [2, 4]
    assert engine.choices == {one: 2}
    assert engine.is_chosen_away(one, 4)
    assert not engine.is_chosen_away(one, 16)  # it never was among its values
    assert not engine.is_chosen_away(two, 2)
    assert [list(one.literals) for one in engine.reasons(two)] == [[one, two]]
    assert list(engine.reasons(one)) == []
    assert engine.touched == [one, two]
    engine.go_before(one)
    assert (engine.level, engine.domains) == (0, [FULL, FULL])


def test_choices_of_one_variable_stand_as_the_last_one_left_it() -> None:
    engine = Engine(none=NONE, steps=100)
    one, two = engine.variable(FULL), engine.variable(FULL)
    engine.choose(one, 6)
    assert engine.propagate() is None
    engine.choose(two, 3)
    assert engine.propagate() is None
    assert engine.choices == {one: 6, two: 3}
    engine.choose(one, 2)
    assert engine.propagate() is None
    assert engine.choices == {one: 2, two: 3}
    # What a consequence took from it since was not chosen.
    assert engine.narrow(two, Clause({two: 2, one: 4})) is None
    assert engine.domains[two] == 2
    assert engine.choices == {one: 2, two: 3}


def test_steps_are_counted_to_the_last() -> None:
    engine = Engine(none=NONE, steps=3)
    engine.spend(2)
    engine.spend(1)
    with pytest.raises(TooLongError):
        engine.spend(1)
