"""What holds for every robot, whatever it claims."""

from __future__ import annotations

import random
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from robokit_plan.edge.facts import board_ids
from robokit_plan.hardware import HardwareAnswer, HardwareProblem, assign
from robokit_plan.model import (
    AudioClaim,
    Choice,
    Claim,
    ClaimName,
    Controller,
    ControllerName,
    InstanceName,
    LineName,
    Mux,
    Origin,
    PinId,
    PortClaim,
    PortName,
    RoleName,
    UsbClaim,
    VariantName,
    Wiring,
)
from tests.hardware.build import (
    RPI4,
    camera,
    i2c,
    instance,
    key,
    one_wire,
    port,
    problem,
    signal,
    spi,
    uart,
    wire,
)
from tests.hardware.checker import faults
from tests.hardware.robots import crowded_robot, small_robot

BOARDS = board_ids()


def _robot(seed: int) -> HardwareProblem:
    return small_robot(random.Random(seed), BOARDS[seed % len(BOARDS)])


def _shuffled(robot: HardwareProblem, chance: random.Random) -> HardwareProblem:
    """Return the same robot with everything said in another order; variants keep theirs."""

    def mixed(ones: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(chance.sample(ones, len(ones)))

    instances = tuple(
        replace(
            one,
            claims=mixed(one.claims),
            variants=tuple((name, mixed(claims)) for name, claims in one.variants),
        )
        for one in robot.instances
    )
    return replace(robot, instances=mixed(instances), wiring=mixed(robot.wiring))


@pytest.mark.parametrize("seed", range(40))
def test_order_says_nothing(seed: int) -> None:
    """The order of instances and claims never matters: equal answers, equal findings."""
    robot = _robot(seed)
    assert assign(_shuffled(robot, random.Random(seed))) == assign(robot)


@pytest.mark.parametrize("seed", range(40))
def test_locked_assignments_stay(seed: int) -> None:
    """What the lock file holds stays, also when another plugin comes that fits beside it."""
    robot = _robot(1000 + seed)
    before = assign(robot)
    locked = _locked(robot, before)
    again = assign(locked)
    assert again.assignments == before.assignments
    assert again.variants == before.variants
    guest = instance("aaa-guest", signal("light", "output"))
    with_guest = assign(replace(locked, instances=(*robot.instances, guest)))
    if len(with_guest.conflicts) == len(before.conflicts):
        kept = [one for one in with_guest.assignments if one.instance != "aaa-guest"]
        assert tuple(kept) == before.assignments


def _locked(robot: HardwareProblem, answer: HardwareAnswer) -> HardwareProblem:
    return replace(
        robot,
        locked={(one.instance, one.claim): one for one in answer.assignments},
        locked_variants=dict(answer.variants),
    )


def test_lock_moves_only_who_must() -> None:
    """A newcomer that is fixed on a held line moves its holder, and nobody else."""
    robot = HardwareProblem(
        board=_robot(BOARDS.index(RPI4)).board,
        instances=tuple(instance(f"p{n}", signal("x", "input")) for n in range(5)),
    )
    before = assign(robot)
    held = before.assignments[2]
    fixed = instance("zz", signal("x", "output", held.resource))
    after = assign(replace(_locked(robot, before), instances=(*robot.instances, fixed)))
    assert after.findings == ()
    moved = [
        one.instance
        for one, other in zip(before.assignments, after.assignments, strict=False)
        if one.resource != other.resource
    ]
    assert moved == ["p2"]


@pytest.mark.parametrize("seed", range(20))
def test_wiring_of_a_disabled_plugin_changes_nothing(seed: int) -> None:
    robot = _robot(2000 + seed)
    sleeper = wire("sleeper.motor", line=LineName("gpio4"))
    idle = replace(robot, wiring=(*robot.wiring, sleeper))
    assert assign(idle) == assign(robot)


@pytest.mark.parametrize("seed", range(60))
def test_repairs_do_what_they_say(seed: int) -> None:
    """Every `wiring` and `variant` entry that a finding offers takes its conflict away."""
    robot = _robot(3000 + seed)
    before = assign(robot)
    for one in before.findings:
        if one.severity.value != "error":
            continue
        for text in one.repair:
            mended = _applied(robot, text)
            if mended is None:
                continue
            after = assign(mended)
            assert faults(mended, after) == []
            assert len(after.conflicts) < len(before.conflicts), (seed, text)


def _applied(robot: HardwareProblem, text: str) -> HardwareProblem | None:
    """Return *robot* with the first way that *text* offers."""
    if text.startswith("robokit-plan disable "):
        names = text.removeprefix("robokit-plan disable ").split()
        left = tuple(one for one in robot.instances if one.name not in names)
        return replace(robot, instances=left)
    found = re.match(r"(wiring|variant): (\{.*?\}+)(?:, or .*)?$", text)
    if found is None:
        return None
    ((name, value),) = yaml.safe_load(found[2]).items()
    if found[1] == "variant":
        return replace(
            robot,
            instances=tuple(
                replace(one, variant_wish=VariantName(value)) if one.name == name else one
                for one in robot.instances
            ),
        )
    return replace(robot, wiring=(*robot.wiring, _entry(robot, name, value)))


def _entry(robot: HardwareProblem, name: str, value: Any) -> Wiring:
    owner, _, claim = name.partition(".")
    known: dict[str, Any] = {}
    if isinstance(value, dict):
        known = {word: str(one) if word != "address" else one for word, one in value.items()}
        if "port" in known:
            known["port"] = PortName(known["port"])
    else:
        known["line"] = LineName(str(value))
    base = wire("a.b")
    return replace(base, instance=InstanceName(owner), claim=ClaimName(claim), **known)


@pytest.mark.parametrize("seed", range(len(BOARDS)))
def test_crowded_robots_keep_the_rules(seed: int) -> None:
    robot = crowded_robot(random.Random(seed), BOARDS[seed], claims=60)
    answer = assign(robot)
    assert faults(robot, answer) == []


def test_free_lists_what_a_newcomer_could_have() -> None:
    """Everything that is called free can be claimed by a further plugin."""
    for seed in range(20):
        robot = _robot(4000 + seed)
        before = assign(robot)
        if before.conflicts:
            continue
        locked = _locked(robot, before)
        for line in before.free.lines[:4]:
            guest = instance("zz", signal("x", "output", line))
            after = assign(replace(locked, instances=(*robot.instances, guest)))
            assert after.conflicts == ()
            assert [one for one in after.assignments if one.instance != "zz"] == list(
                before.assignments
            )
        for lines in before.free.channels.values():
            guest = instance("zz", signal("x", "pwm", lines[0]))
            after = assign(replace(locked, instances=(*robot.instances, guest)))
            assert after.conflicts == ()


_TELL = """
import hashlib, random
from robokit_plan.edge.facts import board_ids
from robokit_plan.hardware import assign
from tests.hardware.robots import small_robot
boards = board_ids()
total = hashlib.sha256()
for seed in range(40):
    answer = assign(small_robot(random.Random(seed), boards[seed % len(boards)]))
    total.update(repr((answer.assignments, answer.findings, answer.conflicts, answer.free)).encode())
print(total.hexdigest())
"""


def test_hash_seed_says_nothing() -> None:
    """Same inputs, same bytes, whatever order Python gives to sets."""
    root = Path(__file__).parents[3]
    told = {
        subprocess.run(
            [sys.executable, "-c", _TELL],
            env={"PYTHONHASHSEED": seed, "PATH": ""},
            cwd=root,
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(told) == 1


_WORDS = ("", "0", "any", "i2c1", "spi0", "uart9", "GPIO4_B3", "P9_22", "gpio999", "x y", "../..")


def _nonsense(chance: random.Random) -> HardwareProblem:
    """Return what a careless hand or a stranger could write and the schema lets through."""

    def word() -> str:
        return chance.choice(_WORDS)

    claims: list[Claim] = [
        signal(
            "a", chance.choice(("input", "pwm", "servo", "clock", "led-string")), [word(), word()]
        ),
        signal("b", "output", positions=(PinId(word()),)),
        signal("c", "servo", controller=RoleName(word()), pins=Choice(options=(word(),))),
        i2c("d", word(), word(), addresses=(chance.randrange(-1, 300),)),
        i2c("e", None, "any", behind=Mux(claim=ClaimName("e"), channel=-1)),
        i2c("f", "bno055", "any", behind=Mux(claim=ClaimName("nobody"), channel=1)),
        spi("g", word(), word()),
        uart("h", word(), port_kind=chance.choice((None, word()))),
        one_wire("i", word()),
        camera("j", word()),
        AudioClaim(key=key("k"), via=Choice(options=(word(),))),
        UsbClaim(key=key("l"), id=word(), serial=word()),
        PortClaim(key=key("m"), kind=word()),
    ]
    lines = {word(): word()}
    return problem(
        chance.choice(BOARDS),
        instance(
            "x",
            *chance.sample(claims, 8),
            variants={"v": [signal("n", "input", word())]},
            wish=word(),
        ),
        instance("x2", variants={"v": [], "w": []}),
        ports=(
            port(
                "P1",
                word(),
                lines,
                bus=chance.choice((None, word())),
                count=chance.randrange(-1, 3),
            ),
        ),
        controllers={
            ControllerName("mcu"): Controller(
                name=ControllerName("mcu"),
                chip=word(),
                link=word(),
                address=5,
                origin=Origin(file="r"),
            )
        },
        roles={RoleName(""): "mcu"},
        wiring=tuple(
            wire(
                f"x.{name}",
                line=chance.choice((None, word())),
                position=chance.choice((None, word())),
                bus=chance.choice((None, word())),
                address=chance.choice((None, 0, 999)),
                select=chance.choice((None, word())),
                port=chance.choice((None, word(), "P1")),
                pin=chance.choice((None, word())),
                connector=chance.choice((None, word())),
                via=chance.choice((None, word())),
            )
            for name in chance.sample("abcdefghijklm", 4)
        ),
        ruled_out=frozenset({(InstanceName("x2"), VariantName("v"))}),
    )


@pytest.mark.parametrize("part", range(6))
def test_nonsense_is_a_finding(part: int) -> None:
    """No input makes the engine stumble; what fits nowhere is said."""
    for seed in range(part * 25, part * 25 + 25):
        asked = _nonsense(random.Random(seed))
        answer = assign(asked)
        made = {(one.instance, one.claim) for one in answer.assignments}
        told = {key for conflict in answer.conflicts for key in conflict}
        asked_for = {(one.name, claim.key.name) for one in asked.instances for claim in one.claims}
        assert asked_for <= made | told, seed
        assert told == set() or any(one.severity.value == "error" for one in answer.findings)
        assert all(one.places and one.message for one in answer.findings)
