"""Candidates of claims for single lines: signals and 1-wire."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from robokit_plan.model import (
    Active,
    Backend,
    BusName,
    BusOutlet,
    CarrierPort,
    Function,
    Hazard,
    Line,
    LineName,
    OneWireClaim,
    PinId,
    Pull,
    SignalClaim,
    counted,
    dataclass,
    listed,
)

from ._board_view import BoardView, Rejection
from ._ports import lacking_line, port_uses, ports_for
from ._requests import ClaimRequest
from ._resources import Candidate, Kind, Resource, Signal, Use, channel_text

SERVO_HZ = 50
"""Pulses of hobby servos; from memory, common practice."""

_OUTPUTS = frozenset(
    {
        Function.OUTPUT,
        Function.PWM,
        Function.SERVO,
        Function.CLOCK,
        Function.LED_STRING,
        Function.IR_OUT,
    }
)
_BY_DMA = frozenset({"pwm", "pcm"})
"""Back ends of LED strings that a library feeds by DMA."""
_RISKY_LOADS = frozenset(
    {"relay-module", "relay-coil", "motor-driver", "motor", "solenoid", "heater", "laser"}
)


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """One line that a claim may sit on, and the carrier port by which it is reached."""

    line: Line
    option: int = 0
    port: CarrierPort | None = None
    slot: int = 0


def signal_candidates(
    request: ClaimRequest, claim: SignalClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield every way to place *claim*, and why other ways are none."""
    for spot in _spots(request, claim, view, relaxed):
        if isinstance(spot, Rejection):
            yield spot
            continue
        yield from _on(request, claim, view, spot)


def one_wire_candidates(
    request: ClaimRequest, claim: OneWireClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield the lines for a 1-wire probe; probes on one line share it."""
    for spot in _spots(request, claim, view, relaxed):
        if isinstance(spot, Rejection):
            yield spot
            continue
        line = spot.line
        default = any(user.startswith("w1-gpio") for user in line.default_users)
        uses = (
            Use(Resource(Kind.LINE, line.name), frozenset({"1-wire"})),
            *_pad_uses(view, line),
        )
        if spot.port is not None:
            uses = (*uses, port_uses(spot.port, spot.slot, request.instance))
        yield Candidate(
            uses=uses,
            resource=line.name,
            signals=(Signal("data", line.name, shared=True),),
            port=None if spot.port is None else spot.port.name,
            function="1-wire",
            option=spot.option,
            cost=0 if default else 1 + line_cost(view, line),
        )


def line_cost(view: BoardView, line: Line) -> int:
    """Return how much is lost when *line* goes to a plain signal; 0 for an ordinary line."""
    known = view.costs.get(line.name)
    if known is not None:
        return known
    pin = view.pins[line.pin]
    cost = 10 * min(len(line.special), 20)
    if line.reserved is not None:
        cost += 5000
    if (pin.logic is None or not pin.confirmed) and line.name not in view.problem.measured:
        cost += 3000
    if line.boot_strap:
        cost += 1000
    if _moves_at_boot(view, line):
        cost += 100
    view.costs[line.name] = cost
    return cost


def _level_cost(claim: SignalClaim, view: BoardView, line: Line) -> int:
    """Return how badly the line's level suits the other side; what is unknown costs already."""
    if claim.shifter or claim.divider_ohm is not None:
        return 0
    # An output feeds nothing back: what it switches on at reset is worse than a low level.
    worst = 1500 if claim.function in _OUTPUTS else 4000
    return worst * (view.strain(line.name, claim.volts) == 2)


def _boot_cost(claim: SignalClaim, view: BoardView, line: Line) -> int:
    """
    Return how badly the line's state at reset suits what hangs on it.

    Between power-up and the program's start a line is an input with its default pull; a load
    that this level switches on runs unasked.
    """
    cost = 0
    if claim.pull is Pull.DOWN and line.external_pull_up is not None:
        cost += 1500
    if claim.function not in _OUTPUTS:
        return cost
    risky = claim.hazard is not Hazard.NONE or claim.drives in _RISKY_LOADS
    if not risky:
        return cost
    pull = Pull.UP if line.external_pull_up is not None else line.pull_at_reset
    if pull is None or pull is Pull.NONE:
        cost += 200
    elif (pull is Pull.UP) == (claim.active is Active.HIGH):
        cost += 2000
    if _moves_at_boot(view, line):
        cost += 2500
    return cost


def _moves_at_boot(view: BoardView, line: Line) -> bool:
    """Whether *line* changes its level before any program runs: a boot loader may talk there."""
    board = view.board
    return line.moves_at_boot or (board.console_always and line.pin in board.console_pins)


@dataclass(frozen=True, slots=True, eq=False)
class _Way:
    """One way to do a function on a line: what it takes besides, and under which name."""

    function: str
    uses: tuple[Use, ...] = ()
    bus: BusName | None = None
    channel: str | None = None
    signals: tuple[Signal, ...] = ()
    cost: int = 0


def _on(
    request: ClaimRequest, claim: SignalClaim, view: BoardView, spot: Spot
) -> Iterator[Candidate | Rejection]:
    line = spot.line
    ways: list[_Way]
    match claim.function:
        case Function.PWM:
            ways = list(_pwm_ways(request, view, line, claim.frequency))
            if not ways:
                yield _no_pwm(view, line)
        case Function.SERVO if claim.backend is Backend.KERNEL:
            ways = list(_pwm_ways(request, view, line, SERVO_HZ, "servo"))
            if not ways:
                yield _no_pwm(view, line)
        case Function.CLOCK:
            owner = frozenset({f"{request.instance}:{claim.frequency}"})
            ways = [
                _Way("clock", (Use(Resource(Kind.CLOCK, bus), owner),), bus)
                for bus in view.clocks.get(line.name, ())
                if view.busy_elsewhere(bus, None, {line.pin}) is None
            ]
            if not ways:
                yield _no_clock(view, line)
        case Function.LED_STRING:
            ways = list(_led_ways(request, view, line, claim.backend))
            if not ways and claim.backend is Backend.DMA and view.board.family.dma is None:
                yield _no_dma(view, line)
            elif not ways:
                yield _no_led(view, line)
        case Function.SERVO if claim.backend is Backend.DMA:
            if view.board.family.dma is None:
                yield _no_dma(view, line)
                return
            # The library paces itself with the PCM clock: one program, whole.
            owner = frozenset({f"of {request.instance}"})
            ways = [_Way("servo", (Use(Resource(Kind.I2S, "pcm"), owner),))]
        case Function.INPUT | Function.OUTPUT | Function.SERVO | Function.IR_IN | Function.IR_OUT:
            ways = [_Way(claim.function.value)]
    pads = _pad_uses(view, line) if claim.function in _OUTPUTS else ()
    cost = line_cost(view, line) + _boot_cost(claim, view, line) + _level_cost(claim, view, line)
    for way in ways:
        # A way that owns its line as part of a bus brings the line's use itself.
        owns = any(use.resource == Resource(Kind.LINE, line.name) for use in way.uses)
        uses = (*(() if owns else (Use(Resource(Kind.LINE, line.name)),)), *pads, *way.uses)
        if spot.port is not None:
            uses = (*uses, port_uses(spot.port, spot.slot, request.instance))
        yield Candidate(
            uses=uses,
            resource=line.name,
            signals=(Signal("", line.name), *way.signals),
            bus=way.bus,
            channel=way.channel,
            port=None if spot.port is None else spot.port.name,
            function=way.function,
            option=spot.option,
            cost=cost + way.cost,
        )


def _pwm_ways(
    request: ClaimRequest, view: BoardView, line: Line, hertz: int | None, function: str = "pwm"
) -> Iterator[_Way]:
    for bus, signal, route in view.pwm.get(line.name, ()):
        if view.busy_elsewhere(bus, route, {line.pin}) is not None:
            continue
        uses = [
            Use(Resource(Kind.CHANNEL, bus, signal)),
            Use(Resource(Kind.BLOCK, bus), frozenset({"kernel", f"of {request.instance}"})),
        ]
        if view.board.family.pwm_kind == "pairs-one-period" and hertz is not None:
            uses.append(Use(Resource(Kind.PERIOD, bus), frozenset({f"{hertz} Hz"})))
        yield _Way(function, tuple(uses), bus, channel_text(bus, signal))


def _no_dma(view: BoardView, line: Line) -> Rejection:
    return Rejection(
        rule="function-missing",
        message=f"no library feeds {line.name} of {view.board.id} by DMA",
        why="those libraries write to blocks of another SoC and do not start on this one",
        resource=line.name,
    )


def _led_ways(
    request: ClaimRequest, view: BoardView, line: Line, backend: Backend | None
) -> Iterator[_Way]:
    owner = frozenset({f"of {request.instance}"})
    named = {None: None, Backend.LIBRARY: None, Backend.DMA: _BY_DMA}.get(
        backend, frozenset({"" if backend is None else backend.value})
    )
    for rank, (back_end, lines) in enumerate(view.board.family.led_string.items()):
        if (lines and line.name not in lines) or (named is not None and back_end not in named):
            continue
        name = f"led-string {back_end}"
        match back_end:
            case "pwm":
                for bus, signal, _ in view.pwm.get(line.name, ()):
                    uses = (
                        Use(Resource(Kind.CHANNEL, bus, signal)),
                        Use(Resource(Kind.BLOCK, bus), owner),
                    )
                    yield _Way(name, uses, bus, channel_text(bus, signal), cost=rank)
            case "pcm":
                whole = (Use(Resource(Kind.I2S, "pcm")),)
                yield _Way(name, whole, BusName("pcm"), cost=rank)
            case "spi":
                for outlet in view.outlets.get("spi", ()):
                    if outlet.complete and outlet.lines.get("mosi") == line.name:
                        yield from _led_on_bus(view, outlet, name, rank)
            case _:
                yield _Way(name, cost=rank)


def _led_on_bus(view: BoardView, outlet: BusOutlet, name: str, rank: int) -> Iterator[_Way]:
    """Yield the bus as a whole: the string is deaf to clock and select, so it is alone on it."""
    rest = tuple(word for word in ("sclk", "miso") if word in outlet.lines)
    if view.blocking_port(outlet, rest, shared=False) is not None:
        return
    yield _Way(
        name,
        (
            *(
                Use(Resource(Kind.LINE, outlet.lines[word]), frozenset({outlet.bus}))
                for word in ("mosi", *rest)
            ),
            Use(Resource(Kind.BUS, outlet.bus)),
        ),
        outlet.bus,
        signals=tuple(Signal(word, outlet.lines[word]) for word in rest),
        cost=rank,
    )


def line_uses(view: BoardView, line: Line) -> tuple[Use, ...]:
    """Return what an output on *line* takes, and nothing of what its function adds."""
    return (Use(Resource(Kind.LINE, line.name)), *_pad_uses(view, line))


def _pad_uses(view: BoardView, line: Line) -> tuple[Use, ...]:
    """Where two pads meet on a position, only one of them may drive it."""
    if line.pin not in view.doubled:
        return ()
    return (Use(Resource(Kind.POSITION, line.pin), frozenset({line.name})),)


def _spots(
    request: ClaimRequest, claim: SignalClaim | OneWireClaim, view: BoardView, relaxed: bool
) -> Iterator[Spot | Rejection]:
    """Yield the lines that the claim may sit on in the order of its preference."""
    wiring = None if relaxed else request.wiring
    if wiring is not None and wiring.line is not None:
        yield from _named(request, view, (wiring.line,), wired=True)
    elif wiring is not None and wiring.position is not None:
        yield from _at_positions(view, (wiring.position,), wired=True)
    elif claim.port_kind is not None or (wiring is not None and wiring.port is not None):
        yield from _at_ports(request, claim, view, None if wiring is None else wiring.port)
    elif relaxed:
        yield from _any(view)
    elif isinstance(claim, SignalClaim) and claim.positions:
        yield from _at_positions(view, claim.positions)
    elif claim.lines.options:
        yield from _named(request, view, claim.lines.options)
    elif claim.lines.any or isinstance(claim, SignalClaim):
        yield from _any(view)
    else:
        yield from _usual_one_wire(view)


def _any(view: BoardView) -> Iterator[Spot | Rejection]:
    for line in view.lines:
        found = _spot(view, line.name, 0)
        if isinstance(found, Spot) or found.rule not in {"line-unusable", "port-line"}:
            yield found


def _usual_one_wire(view: BoardView) -> Iterator[Spot | Rejection]:
    """Yield the line of the kernel's 1-wire setting, else the first ordinary line."""
    lines = [
        line
        for line in view.lines
        if any(user.startswith("w1-gpio") for user in line.default_users)
    ] or sorted(view.lines, key=lambda line: line_cost(view, line))
    for line in lines[:1]:
        yield _spot(view, line.name, 0)


def _named(
    request: ClaimRequest, view: BoardView, names: Iterable[str], *, wired: bool = False
) -> Iterator[Spot | Rejection]:
    for option, name in enumerate(names):
        line = view.find_line(name)
        if line is None:
            near = view.near_lines(name)
            number = PinId(name.removeprefix("gpio"))
            position = view.pins.get(number)
            why = ""
            if position is not None:
                # A number that is no line may be meant as a position of the header.
                why = f"position {number} is {view.what_stands_at(number)}"
                near = (*map(str, position.lines[:1]), *near)
            yield Rejection(
                rule="line-missing",
                message=f"the header of {view.board.id} has no line {name}",
                why=why or (f"similar names: {', '.join(near)}" if near else ""),
                resource=name,
                repair=tuple(f"wiring: {{{request.text}: {one}}}" for one in near[:1]),
            )
            continue
        yield _spot(view, line, option, wired=wired)


def _at_positions(
    view: BoardView, positions: Iterable[PinId], *, wired: bool = False
) -> Iterator[Spot | Rejection]:
    for option, position in enumerate(positions):
        pin = view.pins.get(position)
        if pin is None:
            if view.connectors and position.isdecimal():
                both = listed((f"{one}_{position}" for one in sorted(view.connectors)), "or")
                why = f"this board has {counted(len(view.connectors), 'connector')}: say {both}"
            else:
                why = f"the header ends at position {view.last_position}"
            yield Rejection(
                rule="position-missing",
                message=f"{view.board.id} has no header position {position}",
                why=why,
                resource=f"position {position}",
            )
        elif not pin.lines:
            yield Rejection(
                rule="position-missing",
                message=f"header position {position} of {view.board.id} carries no line",
                why=f"it is {view.what_stands_at(position)}",
                resource=f"position {position}",
            )
        else:
            yield _spot(view, pin.lines[0], option, wired=wired)


def _spot(view: BoardView, name: LineName, option: int, *, wired: bool = False) -> Spot | Rejection:
    line = view.board.lines[name]
    if not line.usable:
        return Rejection(
            rule="line-unusable",
            message=f"{name} must not be used",
            why="; ".join(line.special) or "the board's documents keep it free",
            resource=name,
        )
    port = view.port_of.get(name)
    if port is not None and not wired:
        return Rejection(
            rule="port-line",
            message=f"{name} belongs to port {port.name}",
            why=f"the lines of a port are for what is plugged into it ({view.at(name)})",
            resource=name,
            origin=port.origin,
            label=f"port {port.name}",
        )
    return Spot(line, option)


def _at_ports(
    request: ClaimRequest, claim: SignalClaim | OneWireClaim, view: BoardView, wired: str | None
) -> Iterator[Spot | Rejection]:
    for option, port in ports_for(request, view, claim.port_kind, wired):
        if isinstance(port, Rejection):
            yield port
            continue
        lines = list(port.lines.items())
        own = [(word, line) for word, line in lines if word == request.name]
        if not lines:
            yield Rejection(
                rule="port-missing",
                message=f"port {port.name} has no line for {request.text}",
                why="a port for a signal lists its line under `lines`",
                resource=f"port {port.name}",
                origin=port.origin,
                label=f"port {port.name}",
            )
        for word, line in own or lines:
            name = view.find_line(line)
            if name is None:
                near = view.near_lines(line)
                yield Rejection(
                    rule="line-missing",
                    message=f"port {port.name} names {line}, which this header has not",
                    why=f"similar names: {', '.join(near)}"
                    if near
                    else f"lines of {view.board.id} are named like {view.lines[0].name}",
                    resource=line,
                    origin=port.origin,
                    label=f"port {port.name}",
                    repair=(lacking_line(port, word, view),),
                )
                continue
            for slot in range(max(1, port.count)):
                yield Spot(view.board.lines[name], option, port, slot)


def _cannot(view: BoardView, line: Line, what: str, able: Iterable[LineName]) -> Rejection:
    lines = sorted(able, key=lambda name: view.rank[view.board.lines[name].pin])
    has = f"lines with one: {', '.join(lines)}" if lines else "this header has none"
    article = "a PWM channel" if what == "PWM" else "a clock output"
    return Rejection(
        rule="function-missing",
        message=f"{line.name} has no {what} output",
        why=f"{article} comes out at fixed lines; {has}",
        resource=line.name,
    )


def _no_clock(view: BoardView, line: Line) -> Rejection:
    for bus in view.clocks.get(line.name, ()):
        lost = view.busy_elsewhere(bus, None, {line.pin})
        if lost is not None:
            return Rejection(
                rule="stock-claim",
                message=f"{bus} runs {lost} on the board",
                why="a clock has one frequency, on the header as well; with another one that part "
                "stops",
                resource=bus,
            )
    return _cannot(view, line, "clock", view.clocks)


def _no_pwm(view: BoardView, line: Line) -> Rejection:
    for bus, _, route in view.pwm.get(line.name, ()):
        lost = view.busy_elsewhere(bus, route, {line.pin})
        if lost is not None:
            return Rejection(
                rule="stock-claim",
                message=f"{bus} serves {lost} on the board",
                why="a controller reaches one set of lines at a time; on the header it would be "
                "cut off from that part",
                resource=bus,
            )
    return _cannot(view, line, "PWM", view.pwm)


def _no_led(view: BoardView, line: Line) -> Rejection:
    ways = view.board.family.led_string
    text = "; ".join(
        f"{back_end} on {', '.join(lines) if lines else 'any line'}"
        for back_end, lines in ways.items()
    )
    return Rejection(
        rule="function-missing",
        message=f"{line.name} cannot drive a string of addressable LEDs",
        why=f"ways on this board: {text}" if text else "no way is known for this board",
        resource=line.name,
    )
