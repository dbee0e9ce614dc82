"""Warnings and notes about an assignment that stands."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.hardware.problem import Free, HardwareProblem
from robokit_plan.hardware.typed_claim import manifest_of
from robokit_plan.model import (
    Finding,
    Function,
    I2cClaim,
    Severity,
    SignalClaim,
    find_part,
    finding,
    listed,
)

from ._board_view import BoardView, address_text
from ._buses import unknown_part
from ._resources import Candidate, Kind, Resource
from ._signals import SERVO_HZ
from ._variables import Variable

_KEPT_FOR = {
    "id-eeprom": "kept for the identification memory of add-on boards",
    "boot-flash": "shared with the board's boot flash, where that is fitted",
}

Pairs = Sequence[tuple[Variable, Candidate]]


def assignment_warnings(
    problem: HardwareProblem, view: BoardView, pairs: Pairs, free: Free
) -> Iterable[Finding]:
    """Yield what should be known about the assignment *pairs*."""
    yield from _reserved(view, pairs, free)
    yield from _console(view, pairs)
    yield from _left_out(pairs)
    yield from _also_answered(problem, pairs)
    yield from _unknown_parts(problem, view, pairs)
    yield from _open_periods(view, pairs)
    yield from _lights(view, pairs)
    yield from _behind_twice(pairs)
    yield from _unknown_cameras(view, pairs)


def _reserved(view: BoardView, pairs: Pairs, free: Free) -> Iterable[Finding]:
    running = {claim.bus for claim in view.board.default_claims if claim.bus is not None}
    for variable, one in pairs:
        if not one.active or variable.choice:
            continue
        if (
            variable.request is not None
            and variable.request.section == "i2c"
            and one.bus in running
        ):
            continue
        lines = sorted(
            {
                signal.line
                for signal in one.signals
                if (line := view.board.lines.get(signal.line)) and line.reserved is not None
            }
        )
        if lines:
            yield finding(
                "reserved-line",
                Severity.WARNING,
                f"{listed(lines)} {'are' if len(lines) > 1 else 'is'} "
                f"{_KEPT_FOR.get(view.board.lines[lines[0]].reserved or '', 'kept free')}",
                places=[variable.place],
                why=[
                    f"{view.at(line)}: {view.board.lines[line].special[0]}"
                    for line in lines
                    if view.board.lines[line].special
                ],
                repair=_elsewhere(variable, free),
                plugins=[] if variable.link else [variable.instance],
                resource=lines[0],
            )


def _elsewhere(variable: Variable, free: Free) -> list[str]:
    """Return a move to an ordinary line that nobody uses, for a claim that needs no more."""
    request = variable.request
    if request is None or not isinstance(request.claim, SignalClaim) or not free.lines:
        return []
    if request.claim.function not in {Function.INPUT, Function.OUTPUT, Function.SERVO}:
        return []
    return [f"wiring: {{{request.text}: {free.lines[0]}}}"]


def _console(view: BoardView, pairs: Pairs) -> Iterable[Finding]:
    if not view.board.console_always:
        return
    pins = set(view.board.console_pins)
    for variable, one in pairs:
        lines = sorted(
            {signal.line for signal in one.signals if view.position(signal.line) in pins}
        )
        if lines:
            yield finding(
                "console-line",
                Severity.WARNING,
                f"the boot loader prints on {listed(lines)} before any program runs",
                places=[variable.place],
                why="what hangs there sees this text at every start",
                repair=[]
                if variable.request is None
                else [f"robokit-plan suggest {variable.request.text}   lists other places"],
                plugins=[] if variable.link else [variable.instance],
                resource=lines[0],
            )


def _left_out(pairs: Pairs) -> Iterable[Finding]:
    for variable, one in pairs:
        if one.active or one.function != "left out" or variable.request is None:
            continue
        yield finding(
            "optional-left-out",
            Severity.NOTE,
            f"{variable.request.text} is left out",
            places=[variable.place],
            why=variable.rejections[0].message
            if variable.rejections and len(variable.candidates) == 1
            else "it is optional, and nothing that it could use is free",
            plugins=[variable.instance],
        )


def _also_answered(problem: HardwareProblem, pairs: Pairs) -> Iterable[Finding]:
    """Yield where a part answers an address of another one besides its own."""
    owners = {
        use.resource: variable
        for variable, one in pairs
        for use in one.uses
        if use.resource.kind is Kind.ADDRESS and not use.keys
    }
    for variable, one in pairs:
        for use in one.also:
            other = owners.get(use.resource)
            if other is None or other is variable or variable.request is None:
                continue
            part = getattr(variable.request.claim, "part", None)
            known = None if part is None else find_part(problem.parts, part)
            yield finding(
                "address-also-answered",
                Severity.WARNING,
                f"{part} answers {use.resource.part} besides its own address, where "
                f"{other.place.label} sits",
                places=[variable.place, other.place],
                why="both answer until the part is told not to"
                if known is None or not known.note
                else known.note,
                repair=_other_address(problem, other, use.resource, pairs),
                plugins=[variable.instance, other.instance],
                resource=use.resource.text,
            )


def _other_address(
    problem: HardwareProblem, variable: Variable, taken: Resource, pairs: Pairs
) -> list[str]:
    """Say at which other strap the part of *variable* would be alone on its bus."""
    request = variable.request
    if request is None or not isinstance(request.claim, I2cClaim):
        return []
    part = None if request.claim.part is None else find_part(problem.parts, request.claim.part)
    held = {
        use.resource.part
        for _, one in pairs
        for use in (*one.uses, *one.also)
        if use.resource.kind is Kind.ADDRESS and use.resource.name == taken.name
    }
    straps = () if part is None else tuple(address_text(one) for one in part.addresses)
    free = [one for one in straps if one not in held]
    return [
        f"wiring: {{{request.text}: {{address: {one}}}}}   once its address is strapped so"
        for one in free[:1]
    ] or [f"wiring: {{{request.text}: {{bus: …}}}}   on another bus"]


def _unknown_parts(problem: HardwareProblem, view: BoardView, pairs: Pairs) -> Iterable[Finding]:
    for variable, one in pairs:
        request = variable.request
        if request is None or not one.active or not isinstance(request.claim, I2cClaim):
            continue
        part = request.claim.part
        if part is None or find_part(problem.parts, part) is not None:
            continue
        rejection = unknown_part(request, part, view)
        yield finding(
            rejection.rule,
            Severity.NOTE,
            rejection.message,
            places=[variable.place],
            why=("its address is taken as written", rejection.why),
            repair=rejection.repair[:-1],
            plugins=[variable.instance],
            resource=f"{one.bus} {address_text(one.address or 0)}",
        )


def _open_periods(view: BoardView, pairs: Pairs) -> Iterable[Finding]:
    """Yield PWM claims without `hz` beside one with it where both share a period."""
    if view.board.family.pwm_kind != "pairs-one-period":
        return
    by_block: dict[str, list[tuple[Variable, int | None]]] = {}
    for variable, one in pairs:
        if one.channel is None or variable.request is None or one.bus is None:
            continue
        claim = variable.request.claim
        hertz = None
        if isinstance(claim, SignalClaim):
            hertz = SERVO_HZ if claim.function is Function.SERVO else claim.frequency
        by_block.setdefault(one.bus, []).append((variable, hertz))
    for block, users in sorted(by_block.items()):
        open_ones = [variable for variable, hertz in users if hertz is None]
        known = sorted({hertz for _, hertz in users if hertz is not None})
        if open_ones and len(open_ones) < len(users):
            yield finding(
                "period-undeclared",
                Severity.WARNING,
                f"the outputs of {block} share one period, but not every user says which",
                places=[variable.place for variable, _ in users],
                why="the later of two different periods is refused while the other output runs",
                repair=[
                    one.request.typed(f"hz: {known[0]}", "if that suits it")
                    for one in open_ones
                    if one.request is not None
                ],
                plugins=[variable.instance for variable, _ in users],
                resource=f"{block} period",
            )


def _lights(view: BoardView, pairs: Pairs) -> Iterable[Finding]:
    """Yield where a claim takes the controller of one of the board's own lights."""
    for variable, one in pairs:
        lights = () if one.bus is None else view.lights_on(one.bus, one.route)
        if lights:
            yield finding(
                "stock-claim",
                Severity.WARNING,
                f"{one.bus} also drives the board's {listed(lights)}",
                places=[variable.place],
                why="some kernels run it there; on the header it is lost for that",
                plugins=[] if variable.link else [variable.instance],
                resource=one.bus,
            )


def _behind_twice(pairs: Pairs) -> Iterable[Finding]:
    """Yield addresses that wait behind several multiplexers of one bus."""
    groups: dict[tuple[str, str], list[tuple[Variable, str]]] = {}
    for variable, one in pairs:
        own = [use.resource for use in one.uses if use.resource.kind is Kind.ADDRESS]
        if len(own) < 2 or one.bus is None:
            continue
        mux = own[0].name.rsplit(" channel ", 1)[0]
        groups.setdefault((one.bus, own[0].part), []).append((variable, mux))
    for (bus, address), users in sorted(groups.items()):
        if len({mux for _, mux in users}) < 2:
            continue
        yield finding(
            "address-behind-twice",
            Severity.NOTE,
            f"{address} waits behind several multiplexers of {bus}",
            places=[variable.place for variable, _ in users],
            why="two channels that are open at once join their devices: each multiplexer must "
            "close its channel after use",
            plugins=[variable.instance for variable, _ in users],
            resource=f"{bus} {address}",
        )


def _unknown_cameras(view: BoardView, pairs: Pairs) -> Iterable[Finding]:
    if view.board.cameras is not None:
        return
    for variable, one in pairs:
        if variable.request is not None and variable.request.section == "camera" and one.active:
            yield finding(
                "camera-unknown",
                Severity.WARNING,
                f"whether {view.board.id} has camera connector {one.via} is not known",
                places=[variable.place],
                why="no fact about its camera connectors was found, which does not mean none",
                repair=f"hardware: {{usb: {{{variable.request.name}: {{id: …}}}}}}   "
                f"{manifest_of(variable.request.claim.key.origin)}, with a camera at USB in its "
                "place",
                plugins=[variable.instance],
                resource=one.resource,
            )
