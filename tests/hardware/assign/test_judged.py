"""
What is judged of an assignment takes part in the choice: made judges, against all there is.

The second opinions share no code with the engine: all assignments one after the other, and a model
for CP-SAT (source: Google OR-Tools). Robots of these tests are plain inputs with lists of lines, so
that what fits is known without the engine.
"""

from __future__ import annotations

import random
from collections.abc import Hashable, Iterator, Mapping, Sequence
from itertools import permutations
from typing import NamedTuple

import pytest
from ortools.sat.python import cp_model

from robokit_plan.hardware import ClaimKeyPair, HardwareProblem, JudgedError, assign
from robokit_plan.hardware.assign.alternatives import movable_claims
from robokit_plan.model import Assignment, Claim, ClaimName, InstanceName, VariantName
from tests.hardware.build import RPI4, instance, problem, signal

_LINES = tuple(f"gpio{number}" for number in (5, 6, 12, 13, 16, 19, 20, 26, 22, 23, 24, 25, 27, 17))
Bad = tuple[tuple[str, str], ...]
"""Claims and lines; all of them together are an error."""


class Made(NamedTuple):
    """A judge made for a test: each of *bad* is an error of a rule of its own."""

    bad: Sequence[Bad]
    unnamed: bool = False
    """Whether its errors do not say which claims they are about."""
    unpublished: frozenset[str] = frozenset()

    def errors(
        self,
        assignments: Sequence[Assignment],
        variants: Mapping[InstanceName, VariantName | None],
        only: frozenset[ClaimKeyPair] | None = None,
        rule: str | None = None,
    ) -> Sequence[JudgedError]:
        assert set(variants) == {"a"}
        held = {str(one.claim): one.resource for one in assignments}
        found = []
        for number, bad in enumerate(self.bad):
            keys = frozenset((InstanceName("a"), ClaimName(name)) for name, _ in bad)
            seen = only is None or keys <= only
            asked = rule in {None, f"r{number}"}
            if seen and asked and all(held.get(name) == line for name, line in bad):
                found.append(JudgedError(f"r{number}", "x", frozenset() if self.unnamed else keys))
        return found

    def alone(
        self,
        key: ClaimKeyPair,
        claim: Claim | None,  # noqa: ARG002  its signature is the engine's
        places: Sequence[Assignment],
    ) -> Sequence[frozenset[str]]:
        return [
            frozenset(
                one.rule
                for one in self.errors([place], {InstanceName("a"): None}, only=frozenset({key}))
            )
            for place in places
        ]

    def aspect(self, rule: str, placed: Assignment) -> Hashable:  # noqa: ARG002  its signature is the engine's
        return None


def _robot(chance: random.Random, claims: int, lines: int) -> dict[str, list[str]]:
    """Return the claims of a robot with the lines that each lists."""
    names = _LINES[:lines]
    return {
        f"c{number}": chance.sample(names, chance.randrange(1, min(5, lines)))
        for number in range(claims)
    }


def _problem(lists: Mapping[str, Sequence[str]]) -> HardwareProblem:
    return problem(
        RPI4, instance("a", *(signal(name, "input", lines) for name, lines in lists.items()))
    )


def _bad(chance: random.Random, lists: Mapping[str, Sequence[str]], size: int) -> Bad:
    names = chance.sample(sorted(lists), min(size, len(lists)))
    return tuple((name, chance.choice(lists[name])) for name in names)


def _every(lists: Mapping[str, Sequence[str]]) -> Iterator[dict[str, str]]:
    """Yield all assignments, each line to one claim."""
    every = sorted({line for lines in lists.values() for line in lines})
    for some in permutations(every, len(lists)):
        if all(line in lists[name] for name, line in zip(lists, some, strict=True)):
            yield dict(zip(lists, some, strict=True))


def _count(bads: Sequence[Bad], held: Mapping[str, str]) -> int:
    return sum(all(held.get(name) == line for name, line in bad) for bad in bads)


def _held(lists: Mapping[str, Sequence[str]], judge: Made | None) -> dict[str, str] | None:
    answer = assign(_problem(lists), judge)
    if answer.conflicts:
        return None
    return {str(one.claim): str(one.resource) for one in answer.assignments}


@pytest.mark.parametrize("unnamed", [False, True])
@pytest.mark.parametrize("size", [1, 2, 3])
@pytest.mark.parametrize("seed", range(60))
def test_the_fewest_errors_of_all_assignments(seed: int, size: int, unnamed: bool) -> None:
    """As few errors as the best of all assignments has; where it has none, none."""
    chance = random.Random(f"{seed} {size}")
    lists = _robot(chance, chance.randrange(2, 5), 6)
    bads = [
        _bad(chance, lists, chance.randrange(1, size + 1)) for _ in range(chance.randrange(1, 14))
    ]
    bads = list(dict.fromkeys(tuple(sorted(one)) for one in bads))
    found = _held(lists, Made(bads, unnamed))
    every = list(_every(lists))
    assert (found is None) == (not every)
    if found is not None:
        assert found in every
        assert _count(bads, found) == min(_count(bads, one) for one in every)


@pytest.mark.parametrize("seed", range(40))
def test_where_nothing_is_wrong_nothing_moves(seed: int) -> None:
    """A judge that finds no error in what is preferred changes nothing."""
    chance = random.Random(seed)
    lists = _robot(chance, 6, 12)
    plain = _held(lists, None)
    if plain is None:
        return
    bads = [one for _ in range(20) if not _count([one := _bad(chance, lists, 2)], plain)]
    assert _held(lists, Made(bads)) == plain


def _model(lists: Mapping[str, Sequence[str]], bads: Sequence[Bad]) -> bool:
    """Whether CP-SAT finds an assignment without error."""
    model = cp_model.CpModel()
    at = {
        (name, line): model.new_bool_var(f"{name} {line}")
        for name, lines in lists.items()
        for line in lines
    }
    for name, lines in lists.items():
        model.add_exactly_one(at[name, line] for line in lines)
    for line in _LINES:
        model.add_at_most_one(var for (_, its), var in at.items() if its == line)
    for bad in bads:
        model.add_bool_or(at[one].negated() for one in bad)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    return bool(solver.solve(model) != cp_model.INFEASIBLE)


@pytest.mark.parametrize("part", range(4))
def test_an_assignment_without_error_is_found_where_there_is_one(part: int) -> None:
    """Ten claims on fourteen lines with many errors over one, two and three of them."""
    outcomes = []
    for seed in range(25):
        chance = random.Random(f"large {part} {seed}")
        lists = {f"c{number}": chance.sample(_LINES, 5) for number in range(10)}
        bads = [
            _bad(chance, lists, chance.choice((1, 2, 2, 3)))
            for _ in range(chance.randrange(60, 160))
        ]
        found = _held(lists, Made(bads))
        assert found is not None or not _model(lists, [])
        if found is not None:
            outcomes.append(_count(bads, found) == 0)
            assert (_count(bads, found) == 0) == _model(lists, bads), seed
    assert set(outcomes) == {True, False}


def test_an_optional_claim_is_left_out_where_each_of_its_places_is_an_error() -> None:
    """Leaving it out is one of its places, the last."""
    lists = {"c0": ["gpio5", "gpio6"], "c1": ["gpio5", "gpio6", "gpio13"]}
    claims = [
        signal("c0", "input", lists["c0"], optional=True),
        signal("c1", "input", lists["c1"]),
    ]
    judge = Made([(("c0", "gpio5"),), (("c0", "gpio6"), ("c1", "gpio13")), (("c0", "gpio6"),)])
    answer = assign(problem(RPI4, instance("a", *claims)), judge)
    assert answer.left_out == ((InstanceName("a"), ClaimName("c0")),)


def test_a_place_that_is_an_error_is_not_offered() -> None:
    """Neither as another place of a claim nor as a way out of a collision."""
    lists = {"c0": ["gpio5", "gpio6", "gpio13"]}
    judge = Made([(("c0", "gpio6"),)])
    asked = _problem(lists)
    answer = assign(asked, judge)
    (movable,) = movable_claims(asked, answer, judge=judge)
    assert [one.resource for one in movable.others] == ["gpio13"]
    (plain,) = movable_claims(asked, answer)
    assert [one.resource for one in plain.others] == ["gpio6", "gpio13"]


def test_moves_are_judged_before_they_are_told() -> None:
    """A claim on one line may go where it makes no error; a list is kept to."""
    every = [f"gpio{number}" for number in range(28)]
    fixed = Made([(("c0", line),) for line in every if line != "gpio23"])
    answer = assign(_problem({"c0": ["gpio5"]}), fixed)
    assert answer.moves == {("a", "c0"): ("wiring: {a.c0: gpio23}",)}
    assert assign(_problem({"c0": ["gpio5", "gpio6"]}), fixed).moves == {}


def test_a_collision_is_not_mended_by_leaving_a_list() -> None:
    """Two claims that list the same two lines as a third: nobody is sent elsewhere."""
    answer = assign(_problem({name: ["gpio5", "gpio6"] for name in ("c0", "c1", "c2")}))
    (found,) = [one for one in answer.findings if one.severity.value == "error"]
    assert not any(text.startswith("wiring:") for text in found.repair)


def test_nothing_gives_way_for_what_nobody_published() -> None:
    """An optional claim that makes such an error everywhere is not left out; another place is."""
    judge = Made([(("c0", "gpio5"),), (("c0", "gpio6"),)], unpublished=frozenset({"r0", "r1"}))
    fixed = signal("c0", "input", ["gpio5"], optional=True)
    assert assign(problem(RPI4, instance("a", fixed)), judge).left_out == ()
    moved = signal("c0", "input", ["gpio5", "gpio13"], optional=True)
    (placed,) = assign(problem(RPI4, instance("a", moved)), judge).assignments
    assert placed.resource == "gpio13"
