"""Candidates of claims for blocks without a section of their own, and for the converter."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import islice, product

from robokit_plan.hardware.problem import Chip
from robokit_plan.model import (
    RECEIVING,
    SENDING,
    BlockClaim,
    BusName,
    LineName,
    SignalClaim,
    listed,
    near_names,
)

from ._board_view import BoardView, Rejection
from ._devices import find_controller
from ._requests import ClaimRequest
from ._resources import Candidate, Kind, Resource, Signal, Use

_WHOLE = (Kind.BUS, Kind.I2S, Kind.UART, Kind.BLOCK)
"""A block has one owner, whatever else it is known as."""
_WAYS = 4096
"""Ways to lay out one block that are looked at; no block of the facts has a tenth of it."""


def block_candidates(
    request: ClaimRequest, claim: BlockClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield the lines at which the block that *claim* names comes out, one line a signal."""
    if claim.controller is not None:
        yield from _on_controller(request, claim, view)
        return
    wired = None if request.wiring is None or relaxed else request.wiring.bus
    for option, name in enumerate(claim.blocks if wired is None else (wired,)):
        bus, _, route = name.partition("-" if "-" in name else " ")
        found = list(_layouts(claim, BusName(bus), route or None, view, relaxed))
        if not found:
            yield _no_block(request, claim, bus, view)
        for way, lines in found:
            lost = view.busy_elsewhere(
                BusName(bus), way, {view.board.lines[line].pin for line in lines.values()}
            )
            if lost is not None:
                yield Rejection(
                    rule="stock-claim",
                    message=f"{bus} serves {lost} on the board",
                    why="on the header it would be cut off from that part",
                    resource=bus,
                )
                continue
            yield Candidate(
                uses=(
                    *(Use(Resource(kind, bus)) for kind in _WHOLE),
                    *(Use(Resource(Kind.LINE, line)) for line in lines.values()),
                ),
                resource=bus,
                signals=tuple(Signal(word, line) for word, line in lines.items()),
                bus=BusName(bus),
                route=way,
                function="block",
                option=option,
            )


def _layouts(
    claim: BlockClaim, bus: BusName, route: str | None, view: BoardView, relaxed: bool
) -> Iterator[tuple[str | None, dict[str, LineName]]]:
    """Yield route and signal -> line for each way to bring the block out."""
    allowed = None if relaxed or claim.lines.any else set(map(str, claim.lines.options))
    positions = set() if relaxed else set(claim.positions)
    at: dict[str | None, dict[str, list[LineName]]] = {}
    for line in view.lines:
        if not line.usable or line.name in view.port_of:
            continue
        if allowed is not None and allowed.isdisjoint({line.name, str(line.pin)}):
            continue
        if positions and line.pin not in positions:
            continue
        for one in line.functions:
            if one.bus == bus and route in {None, one.route}:
                at.setdefault(one.route, {}).setdefault(one.signal, []).append(line.name)
    usual = next(
        (tuple(one.lines) for one in view.board.outlets if one.bus == bus and one.complete), ()
    )
    # A signal that no pad group tells apart belongs to every route of its block.
    for way in sorted(at, key=lambda one: one or ""):
        words = claim.signals or tuple(word for word in usual if word in at[way]) or tuple(at[way])
        if not all(word in at[way] for word in words):
            continue
        for lines in islice(product(*(at[way][word] for word in words)), _WAYS):
            if len(set(lines)) == len(lines):
                yield way, dict(zip(words, lines, strict=True))


def _no_block(request: ClaimRequest, claim: BlockClaim, bus: str, view: BoardView) -> Rejection:
    has = sorted({one.bus for line in view.lines for one in line.functions})
    if bus in has:
        words = ", ".join(claim.signals)
        return Rejection(
            rule="function-missing",
            message=f"{bus} does not come out where {request.text} wants it",
            why=f"it needs {words} on one route" if words else "its lines there are others'",
            resource=bus,
        )
    near = near_names(bus, has)
    return Rejection(
        rule="bus-missing",
        message=f"the header of {view.board.id} has no {bus}",
        why=f"similar: {', '.join(near)}" if near else "no such block reaches it",
        resource=bus,
        repair=tuple(f"wiring: {{{request.text}: {{bus: {one}}}}}" for one in near[:1]),
    )


def _on_controller(
    request: ClaimRequest, claim: BlockClaim, view: BoardView
) -> Iterator[Candidate | Rejection]:
    """Yield the companion's pins; whether its chip can do it there, `clashes` tells."""
    found = find_controller(request, claim.controller, view)
    if isinstance(found, Rejection):
        yield found
        return
    name, controller = found
    chip = view.problem.chip_of(controller)
    free = any("any" in pins for _, pins in claim.pins)
    if free and chip is None:
        yield Rejection(
            rule="chip-unknown",
            message=f"no facts about chip {controller.chip} of {name}",
            why="without them the planner cannot choose a pin",
            resource=name,
        )
        return
    fixed = _fixed(request, name, chip, view)
    for option, block in enumerate(claim.blocks):
        choices: list[Sequence[str]] = []
        for signal, pins in claim.pins:
            if "any" in pins and chip is not None:
                able = [pin for pin in chip.pins if _serves(chip, pin, block, signal)]
                able.sort(key=lambda pin: (pin in fixed, pin in chip.special))
                choices.append(able[: _most(len(claim.pins))])
                if not able:
                    yield Rejection(
                        rule="function-missing",
                        message=f"{name}: no pin of {chip.name} can be {block} {signal}",
                        why="it has no such outlet",
                        resource=f"{name} {block}",
                    )
                continue
            real = [pin if chip is None else chip.own_name(pin) for pin in pins]
            lost = [] if chip is None else [pin for pin in real if pin not in chip.pins]
            if chip is not None and len(lost) == len(real):
                yield _lost(name, chip, lost[0])
                return
            choices.append([pin for pin in real if pin not in lost])
        apart = False
        for rank, pins in enumerate(islice(product(*choices), _WAYS)):
            if len(set(pins)) < len(pins):
                continue
            apart = True
            yield Candidate(
                uses=tuple(Use(Resource(Kind.PIN, name, pin)) for pin in pins),
                resource=f"{name} {block}",
                pins=tuple((word, pin) for (word, _), pin in zip(claim.pins, pins, strict=True)),
                bus=BusName(block),
                controller=name,
                function="block",
                option=option if free else option + rank,
                cost=100 * sum(pin in chip.special for pin in pins) if chip is not None else 0,
            )
        if not apart and all(choices):
            signals = [signal for signal, _ in claim.pins]
            yield Rejection(
                rule="pin-collision",
                message=f"{name}: {listed(signals)} of {block} are at one pin",
                why="one pin carries one signal at a time",
                resource=f"{name} pin {choices[0][0]}",
            )


def _most(signals: int) -> int:
    """Return how many pins are looked at for each of *signals* that any pin may serve."""
    return max(signals, int(_WAYS ** (1 / signals)))


def _lost(name: str, chip: Chip, pin: str) -> Rejection:
    if pin in chip.reserved:
        return Rejection(
            rule="pin-reserved",
            message=f"{name}: pin {pin} of {chip.name} is not free",
            why=f"it serves {chip.reserved[pin]}",
            resource=f"{name} pin {pin}",
        )
    return Rejection(
        rule="line-missing",
        message=f"{name}: {chip.name} has no pin {pin}",
        why=f"its pins: {', '.join(chip.pins)}",
        resource=f"{name} pin {pin}",
    )


def _serves(chip: Chip, pin: str, block: str, signal: str) -> bool:
    """Whether *signal* of *block* comes out at *pin*."""
    if not chip.matrix:
        return (block, signal) in chip.outlets.get(pin, frozenset())
    able = chip.functions.get(pin, frozenset())
    return ("output" in able or signal not in SENDING) and (
        "input" in able or signal not in RECEIVING
    )


def _fixed(request: ClaimRequest, name: str, chip: Chip | None, view: BoardView) -> frozenset[str]:
    """Return the pins of *name* that other claims cannot do without."""
    found = set()
    for one in view.problem.instances:
        for claim in one.claims:
            if (one.name, claim.key.name) == request.key or chip is None:
                continue
            if isinstance(claim, SignalClaim) and claim.controller is not None:
                choices: list[Sequence[str]] = [claim.pins.options]
            elif isinstance(claim, BlockClaim) and claim.controller is not None:
                choices = [pins for _, pins in claim.pins if "any" not in pins]
            else:
                continue
            if view.problem.roles.get(claim.controller, claim.controller) == name:
                found |= {chip.own_name(pins[0]) for pins in choices if len(pins) == 1}
    return frozenset(found)


def analog_candidates(
    request: ClaimRequest, claim: SignalClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield the positions of the header that the board's converter reads."""
    channels = {pin.id: pin.adc for pin in view.board.pins if pin.adc is not None}
    if not channels:
        yield Rejection(
            rule="function-missing",
            message=f"the header of {view.board.id} has no analogue input",
            why="no converter reaches it; one on I2C or SPI is a part with a claim of its own",
            resource="analog",
        )
        return
    wired = None if request.wiring is None or relaxed else request.wiring
    names: Iterable[str]
    if wired is not None and (wired.line or wired.position):
        names = (str(wired.line or wired.position),)
    elif not relaxed and claim.positions:
        names = claim.positions
    elif not relaxed and claim.lines.options:
        names = claim.lines.options
    else:
        names = channels
    for option, name in enumerate(names):
        pin = next((pin for pin, adc in channels.items() if name in {pin, adc}), None)
        if pin is None:
            yield Rejection(
                rule="function-missing",
                message=f"{name} cannot be analog on {view.board.id}",
                why="the converter reads "
                + ", ".join(f"{adc} at position {at}" for at, adc in channels.items()),
                resource=name,
                repair=(f"wiring: {{{request.text}: {{header: {next(iter(channels))}}}}}",),
            )
            continue
        channel = channels[pin]
        yield Candidate(
            uses=(Use(Resource(Kind.POSITION, pin)),),
            resource=channel,
            signals=(Signal("", LineName(channel)),),
            function="analog",
            option=0 if names is channels else option,
            cost=option,
        )
