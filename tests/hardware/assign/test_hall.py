"""Counting proves only what trying everything proves, and what it is there for it does prove."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import pytest

from robokit_plan.hardware import HardwareProblem, assign
from robokit_plan.hardware.assign._resources import Candidate, Kind, Resource, Use
from robokit_plan.hardware.assign._search import Space
from tests.hardware.build import board, i2c, instance, problem, signal
from tests.hardware.judge import Judge


def _random_domains(chance: random.Random) -> list[tuple[Candidate, ...]]:
    """Return domains of lines that are taken alone, with a bus's key, or not at all."""
    lines = [Resource(Kind.LINE, f"l{n}") for n in range(chance.randrange(2, 6))]

    def candidate() -> Candidate:
        uses = [
            Use(line, frozenset(chance.choice(("", "", "a", "b", "ab"))))
            for line in chance.sample(lines, chance.choice((1, 1, 1, 2, 2)))
        ]
        if chance.random() < 0.2:
            uses.append(Use(uses[0].resource, frozenset("a")))
        if chance.random() < 0.4:
            uses.append(Use(Resource(Kind.ADDRESS, "bus", chance.choice("12"))))
        if chance.random() < 0.05:
            uses = []
        return Candidate(uses=tuple(uses), resource="")

    shapes = [
        tuple(candidate() for _ in range(chance.randrange(1, 5)))
        for _ in range(chance.randrange(1, 5))
    ]
    return [chance.choice(shapes) for _ in range(chance.randrange(1, 7))]


def _fits(domains: Sequence[Sequence[Candidate]]) -> bool:
    """Try everything; the rule is that of `Use`: two go together only if their keys meet."""
    return any(
        all(
            one.resource != other.resource or one.keys & other.keys
            for at, first in enumerate(chosen)
            for second in chosen[at + 1 :]
            for one in first.uses
            for other in second.uses
        )
        for chosen in product(*domains)
    )


@pytest.mark.parametrize("part", range(4))
def test_a_crowd_never_fits(part: int) -> None:
    """Nor does any crowd among candidates that are left; what fits is found, the rest refused."""
    crowds = 0
    for seed in range(part * 400, part * 400 + 400):
        chance = random.Random(seed)
        domains = _random_domains(chance)
        space = Space(domains, strict=False)
        crowd = space.crowd(range(len(domains)), space.all)
        fits = _fits(domains)
        assert (space.solve(range(len(domains))) is not None) == fits, seed
        assert space.fits(range(len(domains))) == fits, seed
        if crowd:
            crowds += 1
            assert crowd == sorted(set(crowd)), seed
            assert not _fits([domains[one] for one in crowd]), seed
        alive = sum(1 << bit for bit in range(len(space.of_bit)) if chance.random() < 0.7)
        left = [
            [one for at, one in enumerate(domain) if alive >> space.offsets[number] + at & 1]
            for number, domain in enumerate(domains)
        ]
        if all(left):
            crowd = space.crowd(range(len(domains)), alive)
            assert not crowd or not _fits([left[one] for one in crowd]), seed
            assert (space.solve(range(len(domains)), alive) is not None) == _fits(left), seed
    assert crowds > 40


def _line(number: int, *keys: str) -> Use:
    return Use(Resource(Kind.LINE, f"l{number}"), frozenset(keys))


def test_devices_of_one_address_are_counted_with_the_lines_of_their_buses() -> None:
    """Two buses take four lines, so of six only two are left for three; no search is needed."""
    bus = {name: (_line(at, name), _line(at + 1, name)) for at, name in ((0, "x"), (2, "y"))}

    def device(address: str) -> tuple[Candidate, ...]:
        return tuple(
            Candidate(uses=(*lines, Use(Resource(Kind.ADDRESS, name, address))), resource=name)
            for name, lines in bus.items()
        )

    plain = tuple(Candidate(uses=(_line(at),), resource="") for at in range(6))
    domains = [device("1"), device("2"), device("1"), device("3"), plain, plain, plain]
    space = Space(domains, strict=False)
    assert space.crowd(range(7), space.all) == [0, 2, 4, 5, 6]
    for one in (0, 2, 4, 5, 6):
        rest = [other for other in range(7) if other != one]
        assert space.crowd(rest, space.all) == []
        assert space.solve(rest) is not None
    space.nodes = 0
    assert not space.fits(range(7))
    assert space.nodes == 0


def test_who_is_in_nobodys_way_is_counted_in_every_group() -> None:
    """A port of two lines stands beside each pair of devices, not only beside the first."""
    bus = {name: (_line(at, name),) for at, name in enumerate("xyz")}

    def device(address: str) -> tuple[Candidate, ...]:
        return tuple(
            Candidate(uses=(*lines, Use(Resource(Kind.ADDRESS, name, address))), resource=name)
            for name, lines in bus.items()
        )

    port = tuple(
        Candidate(uses=(_line(at, "p"), _line(at + 1, "p")), resource="") for at in range(2)
    )
    domains = [device("1"), port, port, device("2"), device("3"), device("3")]
    space = Space(domains, strict=False)
    # Of three lines the port takes two, so the two at address 3, on buses of their own, do not fit.
    assert space.crowd(range(6), space.all) == [1, 4, 5]


BONE = "ti,am335x-bone-black"


def test_two_pads_on_one_position_are_one_thing() -> None:
    """
    A board where pads meet on a position has fewer places than lines; what is too much is told.

    Source:
        BeagleBone Black system reference manual (from memory): P9_41 and P9_42 carry two pads each.
    """
    lines = board(BONE).lines
    free = [lines[name] for name in assign(problem(BONE)).free.lines]
    most = len({line.pin for line in free})
    assert most == len(free) - 2
    for more in (0, 1, 12):
        claims = [signal(f"s{at:02}", "output", "any") for at in range(most + more)]
        answer = assign(problem(BONE, instance("a", *claims)))
        assert len(answer.assignments) == most
        assert len(answer.conflicts) == more


def test_inputs_of_the_converter_go_anywhere_and_then_run_out() -> None:
    """
    Beside plain lines, which are chosen by where they are on the header.

    Source:
        BeagleBone Black system reference manual (from memory): AIN0 to AIN6, seven inputs.
    """
    for count in (1, 7, 9):
        claims = [
            signal("lamp", "output", "any"),
            *(signal(f"level{at}", "analog", "any") for at in range(count)),
        ]
        answer = assign(problem(BONE, instance("a", *claims)))
        inputs = {one.resource for one in answer.assignments if one.function == "analog"}
        assert inputs <= {f"AIN{at}" for at in range(7)}
        assert len(inputs) == min(count, 7)
        assert len(answer.conflicts) == count - len(inputs)


def test_a_robot_of_a_thousand_claims_is_planned() -> None:
    """However many claims there are, the depth of the search is no limit of Python's."""
    many = [signal(f"s{at:04}", "input", "any", share="one") for at in range(1100)]
    answer = assign(problem("raspberrypi,4-model-b", instance("a", *many)))
    assert answer.conflicts == ()
    assert len(answer.assignments) == 1100


def _fleet() -> HardwareProblem:
    """Return more plugins than addresses: some devices need a second bus, two more lines."""
    return problem(
        "raspberrypi,4-model-b",
        *(
            instance(
                f"p{at:03}",
                signal("s", "input", "any"),
                i2c("d", None, "any", addresses=(0x08 + at % 0x70,)),
            )
            for at in range(130)
        ),
    )


def test_plugins_that_all_want_the_same_lines_and_addresses() -> None:
    """Every claim is made or told; without counting the lines of buses this takes minutes."""
    robot = _fleet()
    answer = assign(robot)
    made = {(one.instance, one.claim) for one in answer.assignments}
    told = {key for conflict in answer.conflicts for key in conflict}
    assert made | told == {(one.name, name) for one in robot.instances for name in ("s", "d")}
    assert all(not made >= set(conflict) for conflict in answer.conflicts)


@pytest.mark.slow
def test_what_is_told_of_them_is_what_another_solver_says() -> None:
    """CP-SAT: the claims of a conflict do not fit, and do without any one of them."""
    robot = _fleet()
    conflict = min(assign(robot).conflicts, key=len)
    names = {name for name, _ in conflict}
    few = replace(robot, instances=tuple(one for one in robot.instances if one.name in names))
    judge = Judge(few)
    assert not judge.fits(conflict)
    assert all(judge.fits(set(conflict) - {key}) for key in conflict)
