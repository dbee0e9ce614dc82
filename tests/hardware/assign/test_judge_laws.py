"""
What the engine relies on, of the judge over whole robots: made robots on every board.

All places at once say what each says alone; what is wrong among some claims is wrong beside more;
places that a rule cannot tell apart are judged alike.
"""

from __future__ import annotations

import random

import pytest

from robokit_plan.edge.facts import board_ids, read_controllers, read_electrical, read_i2c
from robokit_plan.hardware import HardwareProblem, Judge, assign
from robokit_plan.hardware.assign._board_view import BoardView
from robokit_plan.hardware.assign._made import assignment_of
from robokit_plan.hardware.assign._variables import offers_of, variables_of
from robokit_plan.model import (
    Active,
    Claim,
    Hazard,
    InstanceName,
    Milliamp,
    Millivolt,
    Origin,
    Pull,
    Robot,
    RobotName,
    SignalClaim,
    replace,
)
from robokit_plan.planner import Problem, judge_of
from tests.hardware.build import RPI5, instance, problem, signal
from tests.hardware.robots import small_robot

BOARDS = board_ids()
CHIPS, ELECTRICAL, I2C = read_controllers(), read_electrical(), read_i2c()


def _judge(asked: HardwareProblem) -> Judge:
    origin = Origin(file="robot.yaml")
    robot = Robot(
        name=RobotName("law"),
        board=asked.board.id,
        digest="",
        origin=origin,
        controllers=asked.controllers,
        ports=asked.ports,
    )
    found = judge_of(
        Problem(
            robot=robot,
            manifests={},
            board=asked.board,
            parts=asked.parts,
            chips=CHIPS,
            electrical=ELECTRICAL,
            i2c=I2C,
        ),
        asked,
    )
    assert found is not None
    return found


def _harder(chance: random.Random, asked: HardwareProblem) -> HardwareProblem:
    """Return *asked* with signals that are not content with any place."""

    def harder(claim: Claim) -> Claim:
        if not isinstance(claim, SignalClaim) or claim.key.share:
            return claim
        return replace(
            claim,
            hazard=chance.choice((Hazard.NONE, Hazard.MOTION)),
            drives=chance.choice((None, "motor-driver", "motor")),
            active=chance.choice(tuple(Active)),
            pull=chance.choice(tuple(Pull)),
            volts=chance.choice((Millivolt(1800), Millivolt(3300), Millivolt(5000))),
            current=chance.choice((None, Milliamp(2), Milliamp(15))),
        )

    return replace(
        asked,
        instances=tuple(
            replace(one, claims=tuple(map(harder, one.claims))) for one in asked.instances
        ),
    )


def _made(seed: int) -> HardwareProblem:
    chance = random.Random(f"judge {seed}")
    return _harder(chance, small_robot(chance, BOARDS[seed % len(BOARDS)]))


@pytest.mark.parametrize("seed", range(66))
def test_all_places_at_once_say_what_each_says_alone(seed: int) -> None:
    """Whatever the claim and the board."""
    asked = _made(seed)
    judge, view = _judge(asked), BoardView(asked)
    for one in variables_of(asked, view, offers_of(asked, view)):
        if one.request is None or one.request.variant is not None:
            continue
        places = [assignment_of(one, each, view) for each in one.candidates if each.active]
        only = frozenset((one.key,))
        variants = {each.name: None for each in asked.instances}
        anywhere = {(each.rule, each.resource) for each in judge.errors((), variants, only)}
        for place, told in zip(
            places, judge.alone(one.key, one.request.claim, places), strict=True
        ):
            errors = judge.errors((place,), variants, only)
            alone = {each.rule for each in errors if (each.rule, each.resource) not in anywhere}
            assert told == alone, (one.key, place)


@pytest.mark.parametrize("seed", range(66))
def test_what_is_wrong_among_some_is_wrong_beside_more(seed: int) -> None:
    """No error of one claim alone goes away when the whole robot stands beside it."""
    asked = _made(seed)
    judge, answer = _judge(asked), assign(asked)
    whole = {one.rule for one in judge.errors(answer.assignments, answer.variants)}
    for one in answer.assignments:
        only = frozenset(((one.instance, one.claim),))
        alone = {each.rule for each in judge.errors((one,), answer.variants, only)}
        assert alone <= whole, one


def test_the_whole_robot_has_no_more_errors_with_a_judge() -> None:
    """Of two hundred robots none is worse for it, and some are better."""
    better = 0
    for seed in range(200):
        asked = _made(seed)
        judge = _judge(asked)
        plain, judged = assign(asked), assign(asked, judge)
        assert plain.conflicts == judged.conflicts
        if plain.conflicts or any(one.variants for one in asked.instances):
            continue
        before = len(judge.errors(plain.assignments, plain.variants))
        after = len(judge.errors(judged.assignments, judged.variants))
        assert after <= before, seed
        better += after < before
    assert better > 0


def test_strings_that_are_made_alike_are_one_to_the_rule() -> None:
    """Which lines five strings of state machines have does not matter, only that they are five."""
    asked = problem(
        RPI5,
        instance("a", *(signal(f"s{at}", "led-string", leds=2, shifter=True) for at in range(5))),
    )
    judge, view = _judge(asked), BoardView(asked)
    variables = variables_of(asked, view, offers_of(asked, view))
    rule = "state-machines-exhausted"
    chance = random.Random(5)
    for _ in range(20):
        picked = [
            chance.choice([one for one in each.candidates if one.function == "led-string pio"])
            for each in variables
        ]
        placed = [
            assignment_of(one, each, view) for one, each in zip(variables, picked, strict=True)
        ]
        assert len({judge.aspect(rule, one) for one in placed}) == 1
        errors = judge.errors(placed, {InstanceName("a"): None}, rule=rule)
        assert [one.rule for one in errors if one.rule == rule] == [rule]
