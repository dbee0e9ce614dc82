"""Laws of the electrical answer over the sample robot, on every board that we know."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from random import Random

import pytest

from robokit_plan.app.session import problem_of
from robokit_plan.edge.facts import board_ids, read_board
from robokit_plan.edge.reading import read_robot
from robokit_plan.hardware.circuits import ElectricalProblem, electrical
from robokit_plan.model import InstanceName, variant_needs
from robokit_plan.planner import Problem, instances_of
from robokit_plan.planner._hardware import assigned

SAMPLE = Path(__file__).parents[3] / "sample_robot"


@cache
def sample() -> Problem:
    return problem_of(read_robot(SAMPLE), locked=False)


def asked(board: str) -> ElectricalProblem:
    """Return what the planner asks about the sample robot on *board*."""
    problem = replace(sample(), board=read_board(board))
    assert problem.electrical is not None
    assert problem.i2c is not None
    instances = instances_of(problem.robot, None, problem.manifests)
    hardware = assigned(problem, instances, frozenset())
    return ElectricalProblem(
        board=problem.board,
        robot=problem.robot,
        electrical=problem.electrical,
        i2c=problem.i2c,
        chips=problem.chips,
        link_rules=problem.link_rules,
        parts=problem.parts,
        claims=tuple(
            (InstanceName(one.name), claim)
            for one in instances
            for claim in variant_needs(one.manifest, hardware.variants[one.name]).hardware
        ),
        assignments=hardware.assignments + hardware.links,
    )


@pytest.mark.parametrize("board", board_ids())
def test_order_says_nothing(board: str) -> None:
    """The same claims in another order give the same rails and findings."""
    problem = asked(board)
    expected = electrical(problem)
    claims, assignments = list(problem.claims), list(problem.assignments)
    Random(board).shuffle(claims)
    Random(board).shuffle(assignments)
    shuffled = replace(problem, claims=tuple(claims), assignments=tuple(assignments))
    assert electrical(shuffled) == expected


@pytest.mark.parametrize("board", board_ids())
def test_sums_are_those_of_the_loads(board: str) -> None:
    """A rail is the sum of its loads, in whole mA, and its peak is not below its typical load."""
    for rail in electrical(asked(board)).rails:
        assert rail.typical == sum(one.typical or one.peak or 0 for one in rail.loads)
        assert rail.peak == sum(one.peak or one.typical or 0 for one in rail.loads)
        assert rail.peak >= rail.typical
        numbers = (rail.volts, rail.limit, rail.typical, rail.peak, rail.run_minutes)
        assert all(one is None or isinstance(one, int) for one in numbers)


@pytest.mark.parametrize("board", board_ids())
def test_findings_can_be_acted_on(board: str) -> None:
    """Every finding has a place and a way out, and speaks in lower case without a full stop."""
    for one in electrical(asked(board)).findings:
        assert one.places
        assert one.repair, one
        assert not one.message.endswith(".")


def test_less_load_is_never_worse() -> None:
    """Whoever takes a load away sees no rail rise."""
    problem = asked("raspberrypi,4-model-b")
    before = {one.name: one.peak for one in electrical(problem).rails}
    for at in range(len(problem.claims)):
        fewer = problem.claims[:at] + problem.claims[at + 1 :]
        for rail in electrical(replace(problem, claims=fewer)).rails:
            assert rail.peak <= before[rail.name]
