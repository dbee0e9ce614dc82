"""
Random robots on all boards: the engine, CP-SAT and the checker agree.

``ROBOKIT_TEST_ROBOTS=5400 pytest tests/hardware/assign/test_second_opinion.py`` asks about 5400 small
robots, a third as many whose boot settings take more lines, and a fifth as many that fill their
header; the last take the longest, an hour on one core.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterable

import pytest

from robokit_plan.edge.facts import board_ids
from robokit_plan.hardware import HardwareProblem, assign
from robokit_plan.model import I2cClaim
from tests.hardware.checker import faults
from tests.hardware.judge import Judge, Key, Unjudged
from tests.hardware.robots import small_robot, switched_robot, tight_robot

BOARDS = board_ids()
ROBOTS = int(os.environ.get("ROBOKIT_TEST_ROBOTS", "120"))
PARTS = 10
Maker = Callable[[random.Random, str], HardwareProblem]


def _seeds(part: int, count: int) -> range:
    """Return the seeds of *part*, all parts together *count*."""
    return range(part * count // PARTS, (part + 1) * count // PARTS)


def _agree(make: Maker, seed: int) -> int:
    """Return how many conflicts the robot of *seed* has, after checking all that was said."""
    asked = make(random.Random(seed), BOARDS[seed % len(BOARDS)])
    try:
        judge = Judge(asked)
    except Unjudged:
        return 0
    answer = assign(asked)
    assert faults(asked, answer) == [], seed
    needed = _must(asked, judge, judge.keys)
    assert judge.fits(needed) == (not answer.conflicts), seed
    made = {(one.instance, one.claim) for one in answer.assignments}
    for conflict in answer.conflicts:
        assert not judge.fits(_must(asked, judge, conflict)), (seed, conflict)
        for key in conflict:
            rest = _must(asked, judge, [one for one in conflict if one != key])
            assert judge.fits(rest), (seed, conflict, key)
        assert not made >= set(conflict), (seed, conflict)
    if not answer.conflicts and not any(one.variants for one in asked.instances):
        for key in answer.left_out:
            assert not judge.fits(_with_muxes(asked, {*made, key})), (seed, key)
    if answer.conflicts and not any(one.variants for one in asked.instances):
        for key in judge.keys - judge.optional - made:
            # nothing is left out for which there is room
            assert not judge.fits(_with_muxes(asked, {*made, key})), (seed, key)
    if answer.conflicts:
        assert any(one.severity.value == "error" for one in answer.findings), seed
    return len(answer.conflicts)


@pytest.mark.timeout(0)  # as many robots as were asked for
@pytest.mark.parametrize("part", range(PARTS))
def test_random_robots(part: int) -> None:
    """Same feasibility; every conflict infeasible, and feasible without any one member."""
    conflicts = sum(_agree(small_robot, seed) for seed in _seeds(part, ROBOTS))
    assert conflicts > 0  # robots without conflicts would prove little


@pytest.mark.timeout(0)  # as many robots as were asked for
@pytest.mark.parametrize("part", range(PARTS))
def test_settings_that_take_more_lines(part: int) -> None:
    """The engine assigns with the lines of boot settings; the model chooses settings by itself."""
    conflicts = sum(_agree(switched_robot, seed) for seed in _seeds(part, ROBOTS // 3))
    assert conflicts > 0


def _must(asked: HardwareProblem, judge: Judge, keys: Iterable[Key]) -> set[Key]:
    """Return those of *keys* that cannot be left out beside the others."""
    given = set(keys)
    fixed = given - judge.optional
    return fixed | (given & _with_muxes(asked, fixed))


def _with_muxes(asked: HardwareProblem, keys: set[Key]) -> set[Key]:
    """Return *keys* and the multiplexers that their devices are behind."""
    muxes = {
        (one.name, claim.behind.claim)
        for one in asked.instances
        for claim in one.claims
        if isinstance(claim, I2cClaim)
        and claim.behind is not None
        and (one.name, claim.key.name) in keys
    }
    return keys | muxes


def _tight(seed: int) -> bool:
    asked = tight_robot(random.Random(seed), BOARDS[seed % len(BOARDS)])
    answer = assign(asked)
    judge = Judge(asked)
    assert faults(asked, answer) == [], seed
    assert judge.fits(judge.keys) == (not answer.conflicts), seed
    for conflict in answer.conflicts[:3]:
        assert not judge.fits(conflict), (seed, conflict)
        for key in conflict[:4]:
            assert judge.fits([one for one in conflict if one != key]), (seed, conflict, key)
    return not answer.conflicts


@pytest.mark.timeout(0)  # as many robots as were asked for
@pytest.mark.parametrize("part", range(PARTS))
def test_tight_robots(part: int) -> None:
    """Headers that are full to the last line, where a greedy choice would go wrong."""
    outcomes = {_tight(500 + seed) for seed in _seeds(part, ROBOTS // 5)}
    assert outcomes
