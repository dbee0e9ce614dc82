"""Candidates of claims on buses: I2C, SPI, UART, I2S."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from robokit_plan.model import (
    BusName,
    BusOutlet,
    CarrierPort,
    Choice,
    I2cClaim,
    I2sClaim,
    Mux,
    PinId,
    SpiClaim,
    UartClaim,
    find_part,
    listed,
    near_names,
)

from ._board_view import BoardView, Rejection, address_text
from ._ports import port_uses, ports_for
from ._requests import ClaimRequest
from ._resources import Candidate, Kind, Resource, Signal, Use

# Addresses that no device may have: 0x00-0x07 and 0x78-0x7f are kept by the I2C specification
# (UM10204 3.1.12); the Linux kernel's strict limits are the same.
FIRST_ADDRESS = 0x08
LAST_ADDRESS = 0x77

_I2C = ("sda", "scl")

Way = tuple[int, BusOutlet, CarrierPort | None, int]
"""Option, outlet, port and place on it."""

NEEDED = {"i2c": ("sda", "scl"), "uart": ("tx", "rx"), "spi": ("sclk", "mosi", "miso")}
"""Without these signals a bus of the kind is none."""


def i2c_candidates(
    request: ClaimRequest, claim: I2cClaim, view: BoardView, relaxed: bool, is_mux: bool
) -> Iterator[Candidate | Rejection]:
    """Yield every bus and address for *claim*; *is_mux*: others are behind it."""
    addresses: list[tuple[int, int]] = []
    for option, address in _addresses(request, claim, view, relaxed):
        if isinstance(address, Rejection):
            yield address
        else:
            addresses.append((option, address))
    part = None if claim.part is None else find_part(view.problem.parts, claim.part)
    also = () if part is None else part.also_answers
    behind = _behind(request, claim, view)
    choice = Choice(any=True) if behind or relaxed else claim.bus
    for way in _ways(request, "i2c", choice, claim.port_kind, view, relaxed):
        if isinstance(way, Rejection):
            yield way
            continue
        bus_option, outlet, port, slot = way
        holder = None if port is not None else view.blocking_port(outlet, _I2C, shared=True)
        if holder is not None and not _is_wired(request, relaxed):
            yield port_in_the_way(holder, outlet)
            continue
        identity = outlet_key(outlet)
        bus_uses = (
            Use(Resource(Kind.BUS, outlet.bus), frozenset({identity})),
            *_shared(outlet, _I2C),
            *(Use(Resource(Kind.MUX, mux), frozenset({identity})) for mux, _ in behind[:1]),
            *([Use(Resource(Kind.MUX, request.text), frozenset({identity}))] if is_mux else []),
        )
        if port is not None:
            bus_uses = (*bus_uses, port_uses(port, slot, request.instance))
        segments = _segments(outlet.bus, behind)
        for option, address in addresses:
            yield Candidate(
                uses=(*bus_uses, *_address_uses(segments, address)),
                resource=f"{segments[-1]} {address_text(address)}",
                signals=_signals(outlet, _I2C),
                bus=outlet.bus,
                address=address,
                route=outlet.route,
                port=None if port is None else port.name,
                device=i2c_device(outlet.bus) if not behind else None,
                function="i2c",
                option=16 * bus_option + option,
                cost=bus_option,
                also=tuple(
                    Use(
                        Resource(Kind.ADDRESS, segments[-1], address_text(one)),
                        frozenset({"also"}),
                    )
                    for one in also
                    if one != address
                ),
                via=segments[-1],
            )


def i2c_device(bus: str) -> str | None:
    """Return the device file of a numbered bus."""
    return f"/dev/i2c-{bus[3:]}" if bus.startswith("i2c") and bus[3:].isdecimal() else None


def _address_uses(segments: tuple[str, ...], address: int) -> tuple[Use, ...]:
    """
    Return the uses of *address* on its own segment and on those in front of it.

    A channel that is switched on joins the segments: an address behind the multiplexer must not
    be in front of it too, but may stand behind several channels.
    """
    text = address_text(address)
    return (
        Use(Resource(Kind.ADDRESS, segments[-1], text)),
        *(
            Use(Resource(Kind.ADDRESS, segment, text), frozenset({"behind"}))
            for segment in segments[:-1]
        ),
    )


def _behind(request: ClaimRequest, claim: I2cClaim, view: BoardView) -> tuple[tuple[str, int], ...]:
    """Return the multiplexers in front of the device, the nearest first, with their channels."""
    found: list[tuple[str, int]] = []
    mux: Mux | None = claim.behind
    while mux is not None and len(found) < 8:
        name = mux.claim if "." in mux.claim else f"{request.instance}.{mux.claim}"
        if any(name == one for one, _ in found):
            break
        found.append((name, mux.channel))
        mux = _mux_of(name, view)
    return tuple(found)


def _mux_of(name: str, view: BoardView) -> Mux | None:
    instance_name, _, claim_name = name.partition(".")
    for instance in view.problem.instances:
        if instance.name != instance_name:
            continue
        groups = (instance.claims, *(claims for _, claims in instance.variants))
        for claim in (one for group in groups for one in group):
            if isinstance(claim, I2cClaim) and claim.key.name == claim_name:
                return claim.behind
    return None


def _segments(bus: str, behind: tuple[tuple[str, int], ...]) -> tuple[str, ...]:
    """Return the bus and the channels that lead to the device, the bus first."""
    found = [bus]
    for mux, channel in reversed(behind):
        found.append(f"{found[-1]} behind {mux} channel {channel}")
    return tuple(found)


def _addresses(
    request: ClaimRequest, claim: I2cClaim, view: BoardView, relaxed: bool
) -> Iterator[tuple[int, int | Rejection]]:
    part = None if claim.part is None else find_part(view.problem.parts, claim.part)
    straps: tuple[int, ...] = ()
    if part is not None:
        first = () if part.default is None else (part.default,)
        straps = tuple(dict.fromkeys((*first, *part.addresses)))
    wired = None if request.wiring is None else request.wiring.address
    if relaxed and straps:
        wanted: tuple[int, ...] = tuple(dict.fromkeys((*claim.addresses, *straps)))
    elif wired is not None and not relaxed:
        wanted = (wired,)
    else:
        wanted = claim.addresses or straps
    if not wanted:
        if part is None and claim.part is not None:
            yield 0, unknown_part(request, claim.part, view)
        else:
            yield (
                0,
                Rejection(
                    rule="address-missing",
                    message=f"{request.text} has no address",
                    why="without a known part the address must be given",
                    repair=("address: 0x40 in the manifest, as strapped",),
                ),
            )
    for option, address in enumerate(wanted):
        if not FIRST_ADDRESS <= address <= LAST_ADDRESS:
            yield 0, _reserved_address(request, address)
        elif straps and address not in straps:
            text = ", ".join(address_text(one) for one in sorted(straps))
            meant = _digits_as_hex(address)
            slip = meant in straps
            yield (
                0,
                Rejection(
                    rule="strap-missing",
                    message=f"{claim.part} cannot have address {address_text(address)}",
                    why=f"{address}, without 0x, is {address_text(address)}; its straps give {text}"
                    if slip
                    else f"its straps give {text}",
                    repair=tuple(
                        f"wiring: {{{request.text}: {{address: {address_text(one)}}}}}"
                        for one in ((meant,) if slip and meant is not None else straps[:1])
                    ),
                ),
            )
        else:
            yield option, address


def _digits_as_hex(address: int) -> int | None:
    """
    Return what the decimal digits of *address* are as hexadecimal ones: 68 was written for 0x68.

    >>> _digits_as_hex(0x44), _digits_as_hex(0x29)
    (104, 65)
    """
    return int(str(address), 16) if address >= 0 else None


def _reserved_address(request: ClaimRequest, address: int) -> Rejection:
    half = address >> 1
    eight_bit = FIRST_ADDRESS <= half <= LAST_ADDRESS and address > LAST_ADDRESS
    return Rejection(
        rule="address-reserved",
        message=f"no device can have I2C address {address_text(address)}",
        why="0x00 to 0x07 and 0x78 to 0x7f are kept by the I2C specification, 7 bits end at 0x7f",
        repair=(
            (
                f"wiring: {{{request.text}: {{address: {address_text(half)}}}}}, if "
                f"{address_text(address)} is the 8-bit form",
            )
            if eight_bit
            else ()
        ),
    )


def unknown_part(request: ClaimRequest, name: str, view: BoardView) -> Rejection:
    """Return the finding about a part that no fact names."""
    known = {part.name for part in view.problem.parts.values()}
    near = near_names(name, sorted(known)) or near_names(
        name.casefold(), sorted(view.problem.parts)
    )
    return Rejection(
        rule="part-unknown",
        message=f"no facts about part {name} of {request.text}",
        why=f"similar names: {', '.join(near)}" if near else "no known part has a similar name",
        repair=(
            *(request.typed(f"part: {one}") for one in near[:1]),
            request.typed("address: …", "as its data sheet says"),
        ),
    )


def spi_candidates(
    request: ClaimRequest, claim: SpiClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield every bus and chip select for *claim*."""
    words = ("sclk", "mosi", "miso")
    for way in _ways(request, "spi", claim.bus, claim.port_kind, view, relaxed):
        if isinstance(way, Rejection):
            yield way
            continue
        bus_option, outlet, port, slot = way
        if outlet.bus in view.board.family.target_only:
            yield _target_only(outlet.bus)
            continue
        holder = None if port is not None else view.blocking_port(outlet, words, shared=True)
        if holder is not None and not _is_wired(request, relaxed):
            yield port_in_the_way(holder, outlet)
            continue
        for option, select in _selects(request, claim, outlet, relaxed):
            line = outlet.lines.get(f"cs{select}")
            if line is None:
                has = ", ".join(word[2:] for word in sorted(outlet.lines) if word[:2] == "cs")
                yield Rejection(
                    rule="function-missing",
                    message=f"{outlet.bus} has no chip select {select} on the header",
                    why=f"selects of {outlet.bus}: {has or 'none'}",
                    resource=f"{outlet.bus} select {select}",
                )
                continue
            uses = [
                Use(Resource(Kind.BUS, outlet.bus), frozenset({outlet_key(outlet)})),
                *_shared(outlet, words),
                Use(Resource(Kind.SELECT, outlet.bus, select)),
                Use(Resource(Kind.LINE, line), frozenset({outlet.bus})),
            ]
            if port is not None:
                uses.append(port_uses(port, slot, request.instance))
            yield Candidate(
                uses=tuple(uses),
                resource=f"{outlet.bus} select {select}",
                signals=(*_signals(outlet, words), Signal("cs", line)),
                bus=outlet.bus,
                select=int(select),
                route=outlet.route,
                port=None if port is None else port.name,
                device=_spi_device(outlet.bus, select),
                function="spi",
                option=16 * bus_option + option,
                cost=10 * bus_option + option,
            )


def _target_only(bus: BusName) -> Rejection:
    return Rejection(
        rule="function-missing",
        message=f"{bus} cannot drive a device",
        why="it is target-only on this board: another controller must drive it",
        resource=bus,
    )


def _spi_device(bus: str, select: str) -> str | None:
    number = bus[3:]
    return f"/dev/spidev{number}.{select}" if number.isdecimal() else None


def _selects(
    request: ClaimRequest, claim: SpiClaim, outlet: BusOutlet, relaxed: bool
) -> Iterable[tuple[int, str]]:
    wired = None if request.wiring is None or relaxed else request.wiring.select
    if wired is not None:
        return [(0, wired)]
    if claim.select.options and not relaxed:
        return list(enumerate(claim.select.options))
    if claim.select.any or relaxed:
        numbers = sorted(word[2:] for word in outlet.lines if word.startswith("cs"))
        return [(0, number) for number in numbers]
    return [(0, "0")]


def uart_candidates(
    request: ClaimRequest, claim: UartClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield the serial ports for *claim*."""
    words = ("tx", "rx", "rts", "cts") if claim.flow_control else ("tx", "rx")
    kinds = view.board.family.uart_kinds
    for way in _ways(request, "uart", claim.port, claim.port_kind, view, relaxed):
        if isinstance(way, Rejection):
            yield way
            continue
        option, outlet, port, slot = way
        lost = [word for word in words if word not in outlet.lines]
        if lost:
            yield Rejection(
                rule="function-missing",
                message=f"{outlet.bus} has no {listed(lost)} on the header",
                why=f"{request.text} asks for flow control, which needs both",
                resource=outlet.bus,
            )
            continue
        if claim.parity != "none" and kinds.get(outlet.bus) == "mini":
            yield Rejection(
                rule="uart-collision",
                message=f"{outlet.bus} knows no parity, which {request.text} needs",
                why=f"{outlet.bus} is the small UART; it has no parity bit and its rate follows "
                "the core clock",
                resource=outlet.bus,
            )
            continue
        holder = None if port is not None else view.blocking_port(outlet, words, shared=False)
        if holder is not None and not _is_wired(request, relaxed):
            yield port_in_the_way(holder, outlet)
            continue
        uses = [
            Use(Resource(Kind.UART, outlet.bus)),
            Use(Resource(Kind.BUS, outlet.bus), frozenset({outlet_key(outlet)})),
            *(Use(Resource(Kind.LINE, outlet.lines[word])) for word in words),
        ]
        if port is not None:
            uses.append(port_uses(port, slot, request.instance))
        small = kinds.get(outlet.bus) == "mini"
        yield Candidate(
            uses=tuple(uses),
            resource=outlet.bus,
            signals=tuple(Signal(word, outlet.lines[word]) for word in words),
            bus=outlet.bus,
            route=outlet.route,
            port=None if port is None else port.name,
            function=f"uart {kinds[outlet.bus]}" if outlet.bus in kinds else "uart",
            option=option,
            cost=option
            + 50 * small
            + sum(
                5000 for word in words if view.board.lines[outlet.lines[word]].reserved is not None
            ),
        )


def i2s_candidates(claim: I2sClaim, view: BoardView) -> Iterator[Candidate | Rejection]:
    """Yield the digital audio controllers that suit who makes the clock."""
    outlets = view.outlets.get("i2s", ())
    if not outlets:
        yield Rejection(
            rule="bus-missing",
            message=f"the header of {view.board.id} has no I2S",
            why="no digital audio controller reaches it, or none is known",
        )
    for option, outlet in enumerate(outlets):
        if not outlet.complete:
            yield _incomplete(outlet)
            continue
        holder = view.blocking_port(outlet, outlet.lines, shared=False)
        if holder is not None:
            yield port_in_the_way(holder, outlet)
            continue
        side = view.board.family.i2s_clock.get(outlet.bus)
        if side is not None and side != claim.clock:
            continue
        yield Candidate(
            uses=i2s_uses(outlet),
            resource=outlet.bus,
            signals=tuple(Signal(word, line) for word, line in outlet.lines.items()),
            bus=outlet.bus,
            route=outlet.route,
            function=f"i2s {claim.direction}",
            option=option,
            cost=option,
        )


def i2s_uses(outlet: BusOutlet) -> tuple[Use, ...]:
    """Return what digital audio takes: the controller and all of its lines as one group."""
    return (
        Use(Resource(Kind.I2S, outlet.bus)),
        Use(Resource(Kind.BUS, outlet.bus), frozenset({outlet_key(outlet)})),
        *(
            Use(Resource(Kind.LINE, line), frozenset({outlet.bus}))
            for line in outlet.lines.values()
        ),
    )


def outlet_key(outlet: BusOutlet) -> str:
    """Return what tells one outlet of a bus from the others."""
    return f"{outlet.bus} {outlet.route or ''} on {' '.join(outlet.lines.values())}"


def _shared(outlet: BusOutlet, words: Iterable[str]) -> tuple[Use, ...]:
    return tuple(
        Use(Resource(Kind.LINE, outlet.lines[word]), frozenset({outlet.bus}))
        for word in words
        if word in outlet.lines
    )


def _signals(outlet: BusOutlet, words: Iterable[str]) -> tuple[Signal, ...]:
    return tuple(
        Signal(word, outlet.lines[word], shared=True) for word in words if word in outlet.lines
    )


def _ways(
    request: ClaimRequest,
    kind: str,
    choice: Choice,
    port_kind: str | None,
    view: BoardView,
    relaxed: bool,
) -> Iterator[Way | Rejection]:
    """Yield the outlets that the claim may sit on in the order of its preference."""
    wiring = None if relaxed else request.wiring
    carrier = None
    named: str | None = None
    if wiring is not None:
        named = wiring.bus
        if wiring.port is not None:
            if any(port.name == wiring.port for port in view.problem.ports):
                carrier = wiring.port
            elif kind == "uart":
                named = wiring.port
            else:
                carrier = wiring.port
    if carrier is not None or (port_kind is not None and named is None):
        yield from _by_ports(request, kind, port_kind, carrier, view)
        return
    if named is not None:
        names: tuple[str, ...] = (named,)
    elif (positions := getattr(request.claim, "positions", ())) and not relaxed:
        yield from _standing_at(request, kind, positions, view)
        return
    elif choice.options and not relaxed:
        names = choice.options
    elif choice.any or relaxed:
        # The board's own order, but a bus that the device's level would strain comes late, and one
        # on which the boot loader prints.
        names = tuple(
            sorted(
                _every(kind, view),
                key=lambda name: (
                    _strain(request, kind, name, view),
                    _printed_on(kind, name, view),
                ),
            )
        )
    else:
        names = _usual(kind, view)
    if not names:
        yield _no_bus(request, kind, None, view)
    for option, name in enumerate(names):
        yield from _outlets(request, kind, name, option, view)


def _standing_at(
    request: ClaimRequest, kind: str, positions: tuple[PinId, ...], view: BoardView
) -> Iterator[Way | Rejection]:
    """Yield the outlets that come out at *positions*, whatever bus the board has there."""
    missing = [position for position in positions if position not in view.pins]
    names = tuple(
        dict.fromkeys(
            outlet.bus if outlet.route is None else f"{outlet.bus} {outlet.route}"
            for outlet in view.outlets.get(kind, ())
            if outlet.complete
            and {view.board.lines[outlet.lines[word]].pin for word in NEEDED[kind]}
            <= set(positions)
        )
    )
    if missing or not names:
        has = ", ".join(view.buses(kind)) or "none"
        yield Rejection(
            rule="position-missing" if missing else "bus-missing",
            message=f"{view.board.id} has no header position {missing[0]}"
            if missing
            else f"positions {', '.join(positions)} of {view.board.id} carry no {kind}",
            why=f"the add-on board of {request.text} has its {kind} there; this header has {has}",
            resource=f"position {missing[0] if missing else positions[0]}",
        )
    for option, name in enumerate(names):
        yield from _outlets(request, kind, name, option, view)


def _strain(request: ClaimRequest, kind: str, name: str, view: BoardView) -> int:
    """Return how badly the lines of the outlet *name* suit the level of what *request* connects."""
    claim = request.claim
    if not isinstance(claim, I2cClaim | SpiClaim | UartClaim):
        return 0
    if isinstance(claim, UartClaim) and (claim.shifter or claim.divider_ohm is not None):
        return 0
    return max(
        (
            view.strain(line, claim.volts)
            for outlet in view.outlet(kind, name)
            if outlet.complete
            for line in outlet.lines.values()
        ),
        default=0,
    )


def _printed_on(kind: str, name: str, view: BoardView) -> bool:
    """Whether every outlet of *name* has a line on which the boot loader prints at each start."""
    pins = set(view.board.console_pins) if view.board.console_always else set()
    return all(
        any(view.board.lines[line].pin in pins for line in outlet.lines.values())
        for outlet in view.outlet(kind, name)
        if outlet.complete
    )


def _usual(kind: str, view: BoardView) -> tuple[str, ...]:
    """Return the header's first bus of *kind*, in words that `_outlets` understands."""
    if kind == "uart":
        return ("header",)
    for outlet in view.outlets.get(kind, ()):
        if outlet.complete:
            return (outlet.bus if outlet.route is None else f"{outlet.bus} {outlet.route}",)
    return ()


def _is_wired(request: ClaimRequest, relaxed: bool) -> bool:
    """Whether the robot file itself puts the claim on its bus."""
    wiring = None if relaxed else request.wiring
    return wiring is not None and (wiring.bus is not None or wiring.port is not None)


def _every(kind: str, view: BoardView) -> tuple[str, ...]:
    """Return all complete outlets of *kind*, the board's usual ones first."""
    return tuple(
        dict.fromkeys(
            outlet.bus if outlet.route is None else f"{outlet.bus} {outlet.route}"
            for outlet in view.outlets.get(kind, ())
            if outlet.complete
        )
    )


def _outlets(
    request: ClaimRequest, kind: str, name: str, option: int, view: BoardView
) -> Iterator[Way | Rejection]:
    outlets = _header_uarts(view) if name == "header" and kind == "uart" else None
    if outlets is None:
        outlets = view.outlet(kind, name)
    if not outlets:
        yield _no_bus(request, kind, name, view)
        return
    if all(not outlet.complete for outlet in outlets):
        pins = {PinId(view.board.lines[line].pin) for line in outlets[0].lines.values()}
        lost = view.busy_elsewhere(outlets[0].bus, outlets[0].route, pins)
        yield _incomplete(outlets[0], lost)
        return
    for outlet in outlets:
        if not outlet.complete:
            continue
        pins = {PinId(view.board.lines[line].pin) for line in outlet.lines.values()}
        lost = view.busy_elsewhere(outlet.bus, outlet.route, pins)
        if lost is not None:
            yield Rejection(
                rule="stock-claim",
                message=f"{outlet.bus} serves {lost} on the board",
                why="a controller reaches one set of lines at a time; on the header it would be "
                "cut off from that part",
                resource=outlet.bus,
            )
            continue
        yield option, outlet, None, 0


def _header_uarts(view: BoardView) -> tuple[BusOutlet, ...]:
    """Return the UARTs that reach the header's serial positions, the board's own first."""
    outlets = [one for one in view.outlets.get("uart", ()) if one.complete]
    own = [one for one in outlets if one.bus == view.board.header_uart] or outlets[:1]
    if not own:
        return ()
    pair = (own[0].lines["tx"], own[0].lines["rx"])
    twins = [one for one in outlets if (one.lines["tx"], one.lines["rx"]) == pair]
    return (own[0], *(one for one in twins if one is not own[0]))


def _by_ports(
    request: ClaimRequest, kind: str, port_kind: str | None, wired: str | None, view: BoardView
) -> Iterator[Way | Rejection]:
    for option, port in ports_for(request, view, port_kind, wired):
        if isinstance(port, Rejection):
            yield port
            continue
        outlets = list(_port_outlets(kind, port, view))
        if not outlets:
            yield Rejection(
                rule="port-missing",
                message=f"port {port.name} carries no {kind} for {request.text}",
                why="a port for a bus names it under `bus`, or its lines under `lines`",
                resource=f"port {port.name}",
                origin=port.origin,
                label=f"port {port.name}",
            )
        for outlet in outlets:
            for slot in range(max(1, port.count)):
                yield option, outlet, port, slot


def _port_outlets(kind: str, port: CarrierPort, view: BoardView) -> Iterator[BusOutlet]:
    if port.bus is not None:
        for outlet in view.outlet(kind, port.bus):
            pins = {PinId(view.board.lines[line].pin) for line in outlet.lines.values()}
            if outlet.complete and view.busy_elsewhere(outlet.bus, outlet.route, pins) is None:
                yield outlet
        return
    lines = {view.find_line(line) for line in port.lines.values()}
    needed = NEEDED[kind]
    for outlet in view.outlets.get(kind, ()):
        if outlet.complete and lines >= {outlet.lines[word] for word in needed}:
            yield outlet


def _no_bus(request: ClaimRequest, kind: str, name: str | None, view: BoardView) -> Rejection:
    if name in view.board.family.target_only:
        return _target_only(BusName(name or ""))
    has = view.buses(kind)
    label = {"i2c": "I2C", "spi": "SPI", "uart": "serial port"}[kind]
    near = near_names(name or "", has, 1)
    key = "port" if kind == "uart" else "bus"
    return Rejection(
        rule="bus-missing",
        message=f"the header of {view.board.id} has no {label}"
        if name is None
        else f"the header of {view.board.id} has no {name}",
        why=f"it has {', '.join(has)}" if has else f"no {label} reaches it",
        resource=name,
        repair=tuple(
            f"wiring: {{{request.text}: {{{key}: {one}}}}}" for one in (near or list(has[:1]))
        ),
    )


def _incomplete(outlet: BusOutlet, lost: str | None = None) -> Rejection:
    route = "" if outlet.route is None else f" {outlet.route}"
    also = "" if lost is None else f"; it also serves {lost} on the board"
    return Rejection(
        rule="bus-missing",
        message=f"{outlet.bus}{route} is not whole on this header",
        why=f"{listed(outlet.missing) or 'a needed signal'} does not reach the header{also}",
        resource=outlet.bus,
    )


def port_in_the_way(port: CarrierPort, outlet: BusOutlet) -> Rejection:
    """Return why *outlet* is no candidate where a carrier port has some of its lines."""
    return Rejection(
        rule="port-line",
        message=f"lines of {outlet.bus} belong to port {port.name}",
        why="the lines of a port are for what is plugged into it",
        resource=outlet.bus,
        origin=port.origin,
        label=f"port {port.name}",
    )
