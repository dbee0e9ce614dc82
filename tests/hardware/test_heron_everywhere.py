"""
The raft `heron` on every known board: what the engine says holds, and can be read.

Each answer passes the checker; each conflict is infeasible for CP-SAT and feasible without any one
member. The judge learns here what the raft uses besides its random robots: companions, sound, USB,
wiring, hardware servos.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
import yaml

from robokit_plan.app.session import open_session
from robokit_plan.edge.facts import board_ids, read_board
from robokit_plan.hardware import HardwareAnswer, HardwareInstance, HardwareProblem, assign
from robokit_plan.model import (
    ActuatorClaim,
    AudioClaim,
    Backend,
    BoardId,
    CarrierPort,
    Choice,
    Claim,
    ClaimName,
    ControllerName,
    EnabledPlugin,
    Finding,
    Function,
    Hertz,
    I2cClaim,
    InstanceName,
    LineName,
    PluginName,
    PowerClaim,
    Robot,
    Severity,
    SignalClaim,
    UsbClaim,
    VariantName,
    Wiring,
    line_name,
)
from robokit_plan.planner import (
    Problem,
    findings_without_indices,
    hardware_problem,
    instances_of,
)

from .checker import faults
from .judge import ALONE, Judge, Key, Option

RAFT = Path(__file__).parents[2] / "sample_robot"
BOARDS = board_ids()
SETS = ("together", "everything")
"""The enabled plugins and the second voice; every plugin of the folder."""
WIRINGS = ("as it stands", "rewired")
"""What the robot file fixes; nothing of it, and the carrier's line moved to one of this board."""


@cache
def _read() -> Problem:
    return open_session(RAFT).problem


@cache
def raft(board: BoardId, which: str, wiring: str) -> Problem:
    """Return the raft on *board* with more plugins enabled, as `check --board` plans it."""
    problem = _read()
    known = {one.plugin for one in problem.robot.enabled}
    more = (
        sorted(set(problem.manifests) - known)
        if which == "everything"
        else [PluginName("spoken-alarm")]
    )
    robot = replace(
        problem.robot,
        board=board,
        enabled=(
            *problem.robot.enabled,
            *(
                EnabledPlugin(instance=InstanceName(one), plugin=one, origin=problem.robot.origin)
                for one in more
            ),
        ),
    )
    there = read_board(board)
    system = replace(robot.system, image="vendor" if "vendor" in there.boot else "debian")
    robot = replace(robot, system=system)
    if wiring == "rewired":
        robot = replace(
            robot,
            wiring=tuple(one for one in robot.wiring if one.pin is not None),
            ports=tuple(_port(one, _plain_line(board)) for one in robot.ports),
        )
    return replace(problem, board=there, robot=robot)


def _plain_line(board: BoardId) -> LineName:
    """Return a line that a carrier board would bring to a plug: the last that carries no bus."""
    there = read_board(board)
    carried = [line for one in there.outlets for line in one.lines.values()]
    kept = {pin for one in there.default_claims for pin in one.pins}
    fit = [
        name
        for name, line in there.lines.items()
        if line.usable and line.pin not in kept and not line.boot_strap and not line.reserved
    ]
    return min(reversed(fit), key=carried.count)


def _port(port: CarrierPort, line: LineName) -> CarrierPort:
    if port.lines:
        return replace(port, lines=dict.fromkeys(port.lines, line))
    return port if port.bus is None else replace(port, bus=None, kind="spare")


class RaftJudge(Judge):
    """The second opinion, with all that the raft claims."""

    def __init__(self, problem: HardwareProblem) -> None:
        """A variant that the robot file asks for is the only one."""
        wished = tuple(
            one
            if one.variant_wish is None
            else replace(
                one, variants=tuple(pair for pair in one.variants if pair[0] == one.variant_wish)
            )
            for one in problem.instances
        )
        super().__init__(replace(problem, instances=wished))

    def _raw(self, instance: HardwareInstance, claim: Claim) -> Iterator[Option]:
        wiring = self._wiring.get((instance.name, claim.key.name))
        match claim:
            case PowerClaim() | ActuatorClaim():
                yield {}
            case UsbClaim():
                atoms: dict[str, frozenset[str]] = {f"usb {claim.id.casefold()}": ALONE}
                if claim.serial is not None:
                    atoms = {
                        f"usb {claim.id.casefold()}": frozenset({"by serial"}),
                        f"usb {claim.id.casefold()} {claim.serial}": ALONE,
                    }
                yield atoms
            case AudioClaim():
                yield from self._audio(claim)
            case SignalClaim() if claim.controller is not None:
                yield from self._pins(claim, wiring)
            case SignalClaim() if claim.port_kind is not None:
                for port in self.problem.ports:
                    wired = wiring is None or wiring.port in {None, port.name}
                    if port.kind == claim.port_kind and wired:
                        for line in port.lines.values():
                            if line in self.board.lines and self.board.lines[line].usable:
                                for slot in range(max(1, port.count)):
                                    yield {f"line {line}": ALONE, f"port {port.name} {slot}": ALONE}
            case I2cClaim() if wiring is not None and wiring.bus is not None:
                moved = replace(claim, bus=Choice(options=(wiring.bus,)))
                yield from super()._raw(instance, moved)
            case _:
                yield from super()._raw(instance, claim)

    def _signal(
        self, instance: HardwareInstance, claim: SignalClaim, line: str
    ) -> Iterator[Option]:
        if claim.function is Function.SERVO:
            kernel = claim.backend is Backend.KERNEL
            function = Function.PWM if kernel else Function.OUTPUT
            claim = replace(claim, function=function, frequency=claim.frequency or Hertz(50))
        yield from super()._signal(instance, claim, line)

    def _pins(self, claim: SignalClaim, wiring: Wiring | None) -> Iterator[Option]:
        role = claim.controller
        assert role is not None
        name = ControllerName(self.problem.roles.get(role, role))
        controller = self.problem.controllers[name]
        chip = self.problem.chips[controller.chip]
        inhibit = None if controller.inhibit is None else controller.inhibit.pin
        wished = claim.pins.options or chip.pins
        if wiring is not None and wiring.pin is not None:
            wished = (wiring.pin,)
        for pin in wished:
            real = chip.aliases.get(pin, pin)
            able = claim.function.value in chip.functions[real]
            if able and real != chip.aliases.get(str(inhibit), inhibit):
                yield {f"pin {name} {real}": ALONE}

    def _audio(self, claim: AudioClaim) -> Iterator[Option]:
        for way in claim.via.options:
            path = f"audio {way} {claim.direction}"
            if way == "analog":
                if self.board.analog_audio is True and claim.direction == "out":
                    block = self.board.analog_audio_block
                    held = {} if block is None else {f"block {block}": frozenset({"analog audio"})}
                    yield {path: ALONE, **held}
            elif way in {"hdmi", "usb"}:
                yield {path: ALONE}
            else:
                raise AssertionError(way)


@cache
def answered(board: BoardId, which: str, wiring: str) -> tuple[HardwareProblem, HardwareAnswer]:
    problem = raft(board, which, wiring)
    instances = instances_of(problem.robot, None, problem.manifests)
    asked = hardware_problem(problem, instances)
    return asked, assign(asked)


EVERYWHERE = [
    pytest.param(
        board,
        which,
        wiring,
        id=f"{board} {which} {wiring}",
        # The quick run moves the raft as it stands; the looser wiring costs as much again.
        marks=[] if wiring == WIRINGS[0] else [pytest.mark.slow],
    )
    for board in BOARDS
    for which in SETS
    for wiring in WIRINGS
]


@pytest.mark.parametrize(("board", "which", "wiring"), EVERYWHERE)
def test_an_answer_holds_and_a_refusal_is_true(board: BoardId, which: str, wiring: str) -> None:
    asked, answer = answered(board, which, wiring)
    assert faults(asked, answer) == []
    judge = RaftJudge(asked)
    needed = judge.keys - judge.optional
    assert judge.fits(needed) == (not answer.conflicts)
    for conflict in answer.conflicts:
        assert not judge.fits(_needed(judge, conflict)), conflict
        for key in conflict:
            assert judge.fits(_needed(judge, [one for one in conflict if one != key])), key
    kept = {(one.instance, one.claim) for one in answer.assignments}
    assert judge.fits(kept | {key for key in judge.keys if _free_of_lines(asked, key)})


def _needed(judge: Judge, keys: list[Key] | tuple[Key, ...]) -> set[Key]:
    """Return *keys* with what they cannot do without: a device its multiplexer."""
    return set(keys) | _muxes(judge.problem, set(keys))


def _muxes(asked: HardwareProblem, keys: set[Key]) -> set[Key]:
    return {
        (one.name, claim.behind.claim)
        for one in asked.instances
        for claim in one.claims
        if isinstance(claim, I2cClaim)
        and claim.behind is not None
        and (one.name, claim.key.name) in keys
    }


def _free_of_lines(asked: HardwareProblem, key: Key) -> bool:
    return any(
        isinstance(claim, PowerClaim | ActuatorClaim)
        for one in asked.instances
        if one.name == key[0]
        for claim in one.claims
        if claim.key.name == key[1]
    )


def findings(board: BoardId, which: str, wiring: str) -> tuple[Finding, ...]:
    return findings_without_indices(raft(board, which, wiring))


@pytest.mark.parametrize("wiring", [WIRINGS[0], pytest.param(WIRINGS[1], marks=pytest.mark.slow)])
@pytest.mark.parametrize("board", BOARDS)
def test_every_finding_says_where_and_why(board: BoardId, wiring: str) -> None:
    for one in findings(board, "together", wiring):
        assert one.places, one.rule
        assert all(one.why), one.rule
        if one.severity is not Severity.NOTE:
            assert one.why, one.rule
        if one.severity is Severity.ERROR:
            assert one.repair, one.rule
        assert all(place.origin.file for place in one.places), one.rule
        assert one.message == one.message.strip()
        assert not one.message.endswith("."), one.message


@pytest.mark.parametrize("wiring", [WIRINGS[0], pytest.param(WIRINGS[1], marks=pytest.mark.slow)])
@pytest.mark.parametrize("board", BOARDS)
def test_a_repair_that_is_typed_in_repairs(board: BoardId, wiring: str) -> None:
    """The error goes, and none of another kind comes; what one plugin less opens is its own."""
    problem = raft(board, "together", wiring)
    before = [one for one in findings_without_indices(problem) if one.severity is Severity.ERROR]
    rules = {one.rule for one in before} | {"capability-missing", "actuator-missing"}
    for one in before:
        if one.rule not in _OF_THE_ASSIGNMENT:
            continue
        for text in one.repair:
            for typed, repaired in _typed(problem, text):
                after = [
                    each
                    for each in findings_without_indices(repaired)
                    if each.severity is Severity.ERROR
                ]
                assert (one.rule, one.message) not in {
                    (each.rule, each.message) for each in after if each.plugins == one.plugins
                }, typed
                assert {each.rule for each in after} <= rules | _ELECTRICAL, typed


_OF_THE_ASSIGNMENT = frozenset(
    {
        "bus-missing",
        "line-missing",
        "pin-collision",
        "stock-claim",
        "strap-missing",
        "uart-collision",
        "channel-collision",
        "address-collision",
    }
)
_ELECTRICAL = frozenset({"level-too-high", "level-unknown"})


def _typed(problem: Problem, text: str) -> Iterator[tuple[str, Problem]]:
    """Yield *problem* as each alternative of the repair *text* would make it."""
    robot = problem.robot
    if text.startswith("robokit-plan disable "):
        names = set(text.split("   ", maxsplit=1)[0].split()[2:])
        rest = tuple(one for one in robot.enabled if one.instance not in names)
        assert len(rest) == len(robot.enabled) - len(names), text
        yield text, replace(problem, robot=replace(robot, enabled=rest))
    elif text.startswith("variant: {"):
        ((name, variant),) = yaml.safe_load(text)["variant"].items()
        variants = {**robot.variants, InstanceName(name): (VariantName(variant), robot.origin)}
        yield text, replace(problem, robot=replace(robot, variants=variants))
    elif text.startswith("wiring: {"):
        first, *more = re.split(r", or | or |, (?=\{)", text.split("   ", maxsplit=1)[0])
        ((claim, value),) = yaml.safe_load(first)["wiring"].items()
        for one in (value, *(yaml.safe_load(other) for other in more)):
            yield f"{claim}: {one}", replace(problem, robot=_rewired(robot, claim, one))


def _rewired(robot: Robot, name: str, value: str | dict[str, object]) -> Robot:
    instance, _, claim = name.partition(".")
    said = value if isinstance(value, dict) else {"line": line_name(value)}
    wiring = Wiring(
        instance=InstanceName(instance),
        claim=ClaimName(claim),
        origin=robot.origin,
        **{key: one if key == "address" else str(one) for key, one in said.items()},  # type: ignore[arg-type]
    )
    others = tuple(one for one in robot.wiring if (one.instance, one.claim) != (instance, claim))
    return replace(robot, wiring=(*others, wiring))


def test_the_reason_is_that_of_the_first_variant() -> None:
    """`compass` would rather be built up as nine-axis; that its other part lacks 0x69 is second."""
    (one,) = (
        one
        for one in findings(BoardId("radxa,rock-5b"), "together", "as it stands")
        if one.plugins == ("compass",) and one.severity is Severity.ERROR
    )
    assert one.rule == "stock-claim"
    assert one.message == "i2c1 serves NPU regulator on the board"
    assert "built up as fused: bno055 cannot have address 0x69" in one.why


def test_a_buzzer_is_not_sent_to_the_console() -> None:
    """Positions 8 and 10 of that board are the boot loader's (facts: console, always)."""
    for one in findings(BoardId("radxa,rock-5b"), "together", "rewired"):
        if one.rule == "boot-energised":
            assert not any("GPIO0_B5" in text or "GPIO0_B6" in text for text in one.repair)
