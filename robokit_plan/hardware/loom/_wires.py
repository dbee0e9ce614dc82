"""The table of wires that every sheet, parts list and net list is a view of."""

from __future__ import annotations

from collections.abc import Iterable

from robokit_plan.hardware.electrical.circuit import ElectricalProblem, Wired, Wiring
from robokit_plan.hardware.electrical.loads import draws_of
from robokit_plan.model import (
    BOARD_PART,
    GROUND_NET,
    AudioClaim,
    CameraClaim,
    CarrierPort,
    Claim,
    ClaimName,
    Component,
    Controller,
    Direction,
    Does,
    End,
    FittedPart,
    Function,
    I2cClaim,
    InstanceName,
    LineName,
    LineUse,
    Milliamp,
    Millivolt,
    OneWireClaim,
    Pin,
    PortClaim,
    PowerClaim,
    Pull,
    SignalClaim,
    Supply,
    SupplyName,
    UsbClaim,
    Wire,
    WireKind,
    Wires,
    current_text,
    dataclass,
    ohm_text,
    replace,
    volt_text,
)

from ._devices import (
    GROUND_PIN,
    SUPPLY_PIN,
    Device,
    devices_of,
    does_at,
    is_used,
    pin_name,
)
from ._places import Places, supply_net

_ONE_WIRE_OHM = 4700
"""Pull-up of a 1-wire line (DS18B20 data sheet, "Powering the DS18B20", from memory)."""
_JOINT_OHM = 1000
"""Between the board's output and a part that talks and listens on one line (from memory)."""
_FIVE, _THREE = Millivolt(5000), Millivolt(3300)
_LOGIC_MAX = 3600
"""Of two usual supplies, 3.3 V with its tolerance: above it a part lives on 5 V."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Feed:
    """Where a part gets its current: the far end, its net, its ground."""

    end: End
    net: str
    ground: End
    volts: Millivolt


def wires_of(problem: ElectricalProblem) -> Wires:
    """
    Return every wire of what is assigned in *problem*, with both ends.

    Shape:
        signals of claims, supply and ground of each part, straps of addresses, carrier ports,
        companions and supplies; claims without an assignment are left out, and so is nothing else.
    """
    return _Sheet(Wiring(problem)).all()


class _Sheet:
    """Builds the table part by part."""

    def __init__(self, wiring: Wiring) -> None:
        self.wiring = wiring
        self.places = Places(wiring)
        self.wires: list[Wire] = []
        self.components: dict[str, Component] = {}
        self.parts: dict[str, FittedPart] = {}
        self.ports = {one.name: one for one in wiring.robot.ports}
        self.devices = tuple(devices_of(wiring.wired, wiring.problem.parts))
        self.names = {
            (one.instance, each.claim.key.name): one.name
            for one in self.devices
            for each in one.claims
        }
        self.peaks = {
            (draw.load.instance, draw.load.claim): draw.peak
            for draws in draws_of(wiring).values()
            for draw in draws
        }

    def all(self) -> Wires:
        self._part(
            FittedPart(name=BOARD_PART, kind="board", type=str(self.wiring.board.id), what="board")
        )
        for device in self.devices:
            self._device(device)
        for name, controller, chip in self.wiring.controllers():
            self._controller(str(name), controller, chip.name if chip else controller.chip)
        for port in self.wiring.robot.ports:
            self._port(port)
        for supply in sorted(self.wiring.robot.supplies):
            self._supply(self.wiring.robot.supplies[supply])
        self._common_ground()
        kinds = list(WireKind)
        return Wires(
            wires=tuple(
                sorted(
                    self.wires,
                    key=lambda one: (
                        one.instance is None,
                        one.near.part,
                        kinds.index(one.kind),
                        one.signal,
                        one.near.pin,
                        one.far.text,
                    ),
                )
            ),
            parts=tuple(self._without_used(self.parts[name]) for name in sorted(self.parts)),
            components=tuple(self.components[name] for name in sorted(self.components)),
        )

    def _without_used(self, part: FittedPart) -> FittedPart:
        """Return *part* with only those pins left open that no wire goes to."""
        used = {
            end.pin for one in self.wires for end in (one.near, one.far) if end.part == part.name
        }
        left = tuple(one for one in part.open_pins if one[0] not in used)
        return replace(part, open_pins=left)

    def _part(self, part: FittedPart) -> None:
        self.parts.setdefault(part.name, part)

    def _add(
        self,
        kind: WireKind,
        near: End,
        far: End,
        net: str,
        one: Wired | None = None,
        **more: object,
    ) -> None:
        """Append a wire; *one* is the claim that it belongs to."""
        values: dict[str, object] = {
            "instance": None if one is None else one.instance,
            "claim": None if one is None else one.claim.key.name,
            "signal": kind.value,
            "kind": kind,
            "near": near,
            "far": far,
            "near_net": net,
            "far_net": net,
        }
        self.wires.append(Wire(**{**values, **more}))  # type: ignore[arg-type]

    # --- parts of plugins ------------------------------------------------------------------

    def _device(self, device: Device) -> None:
        for one in device.claims:
            self._claim(device, one)
        wired = [
            one
            for one in device.claims
            if not _is_plugged(one.claim) and not isinstance(one.claim, PortClaim)
        ]
        if wired or device.power is not None:
            self._feeding(device, wired)
        claims = [*device.claims, *([device.power] if device.power is not None else [])]
        load = device.power.claim if device.power is not None else None
        self._part(
            FittedPart(
                name=device.name,
                kind="part",
                type=device.type,
                what=device.what or "load",
                count=load.count if isinstance(load, PowerClaim) else 1,
                claims=tuple(sorted(one.text for one in claims)),
                open_pins=() if device.part is None else device.part.pins,
            )
        )

    def _claim(self, device: Device, one: Wired) -> None:
        """Add the wires of one claim."""
        assignment, claim = one.assignment, one.claim
        if assignment is None:
            return
        if _is_plugged(claim):
            self._add(
                WireKind.PLUG,
                End(part=device.name, pin="plug"),
                End(part=BOARD_PART, pin=_socket(claim, str(assignment.resource))),
                "",
                one,
                note=assignment.note,
            )
        elif isinstance(claim, PortClaim):
            self._port_power(device, one, claim)
        else:
            for use in assignment.lines:
                if is_used(claim, use.signal):
                    self._line(device, one, use)

    def _line(self, device: Device, one: Wired, use: LineUse) -> None:
        """Add the wire of one signal."""
        claim = one.claim
        pin = pin_name(device, one, use.signal)
        does = does_at(claim, use.signal)
        volts = getattr(claim, "volts", None)
        near = End(
            part=device.name, pin=pin, does=does, level=volts if does is Does.DRIVES else None
        )
        far, net = self._far(one, use)
        near_net = net
        between: tuple[str, ...] = ()
        base = one.text if use.signal in {claim.key.name, "data"} else f"{one.text}-{use.signal}"
        divider = getattr(claim, "divider_ohm", None)
        if divider is not None and does in {Does.DRIVES, Does.READS}:
            near_net = base
            # From whoever drives through the upper resistor; the lower one pulls the other side.
            first, second = (near_net, net) if does is Does.DRIVES else (net, near_net)
            between = self._divider(base, first, second, divider)
        elif getattr(claim, "shifter", False):
            near_net = base
            between = self._shifter(device, one, base, near_net, net, does)
        elif device.part is not None and device.part.word_of(pin) == "tx-rx":
            near_net = f"{one.text}-line"
            if use.signal == "tx":
                between = (self._resistor(f"{one.text}.R1", _JOINT_OHM, near_net, net),)
            else:
                net = near_net
        if isinstance(claim, OneWireClaim):
            self._one_wire(net, use.line)
        size = getattr(claim, "wire", None)
        self._add(
            WireKind.SIGNAL,
            near,
            far,
            net,
            one,
            signal=use.signal,
            near_net=near_net,
            between=between,
            direction=_seen_from_part(does, use.direction),
            level=volts,
            current=getattr(claim, "current", None),
            size=None if size is None else size.hundredth_mm2,
            length_mm=None if size is None else size.length_mm,
            pull=getattr(claim, "pull", None) if isinstance(claim, SignalClaim) else None,
            active=getattr(claim, "active", None) if isinstance(claim, SignalClaim) else None,
        )

    def _far(self, one: Wired, use: LineUse) -> tuple[End, str]:
        """Return where a line of *one* goes, and the net there."""
        assignment, claim = one.assignment, one.claim
        assert assignment is not None  # noqa: S101  the caller has looked
        does = _other(does_at(claim, use.signal))
        if not assignment.on_board:
            controller = str(assignment.controller)
            level = self._controller_level(controller)
            return (
                End(
                    part=controller, pin=str(use.line), does=does,
                    level=level if does is Does.DRIVES else None,
                ),
                f"{controller}-{use.line}",
            )  # fmt: skip
        if isinstance(claim, I2cClaim) and claim.behind is not None:
            full = str(claim.behind.claim)
            if "." not in full:
                full = f"{one.instance}.{full}"
            instance, _, mux = full.partition(".")
            name = self.names.get((InstanceName(instance), ClaimName(mux)), full)
            channel = f"{'SD' if use.signal == 'sda' else 'SC'}{claim.behind.channel}"
            return End(part=name, pin=channel, does=Does.BOTH), f"{name}-{channel.lower()}"
        port = self.ports.get(assignment.port) if assignment.port is not None else None
        if port is not None:
            own = next((own for own, line in port.lines.items() if line == use.line), use.signal)
            return End(part=str(port.name), pin=str(own)), str(use.line)
        return self._header(use.line, does), str(use.line)

    def _header(self, line: LineName, does: Does) -> End:
        pin = self.wiring.pin_of(line)
        if pin is None:
            return End(part=BOARD_PART, pin=str(line), does=does)
        return End(
            part=BOARD_PART,
            pin=str(pin.id),
            does=does,
            level=pin.logic if does is Does.DRIVES else None,
            limit=pin.maximum,
        )

    def _controller_level(self, name: str) -> Millivolt | None:
        for known, controller, chip in self.wiring.controllers():
            if str(known) == name:
                return controller.volts or (None if chip is None else chip.logic)
        return None

    # --- what lies between -----------------------------------------------------------------

    def _resistor(self, name: str, ohm: int, first: str, second: str) -> str:
        self.components[name] = Component(
            name=name,
            kind="resistor",
            value=ohm_text(ohm),
            ends=((first, End(part=name, pin="1")), (second, End(part=name, pin="2"))),
        )
        return name

    def _divider(
        self, base: str, driven: str, divided: str, ohm: tuple[int, int]
    ) -> tuple[str, ...]:
        upper = self._resistor(f"{base}.R1", ohm[0], driven, divided)
        return upper, self._resistor(f"{base}.R2", ohm[1], divided, GROUND_NET)

    def _shifter(
        self, device: Device, one: Wired, base: str, near_net: str, net: str, does: Does
    ) -> tuple[str, ...]:
        name = f"{base}.LS"
        feed = self._feed(device, [one])
        low = self.places.rail_of("3V3") or "3V3"
        towards = does is not Does.DRIVES
        level = getattr(one.claim, "volts", None)
        ends = [
            (net, End(part=name, pin="A", does=Does.READS if towards else Does.DRIVES)),
            (
                near_net,
                End(
                    part=name, pin="B", does=Does.DRIVES if towards else Does.READS,
                    level=level if towards else None,
                ),
            ),
            (low, End(part=name, pin="VA", does=Does.TAKES)),
            (GROUND_NET, End(part=name, pin="GND", does=Does.GROUND)),
        ]  # fmt: skip
        if feed is not None:
            ends.append((feed.net, End(part=name, pin="VB", does=Does.TAKES)))
        self.components[name] = Component(
            name=name,
            kind="shifter",
            value=f"3.3 V to {volt_text(level)}" if level is not None else "",
            ends=tuple(ends),
        )
        return (name,)

    def _one_wire(self, net: str, line: LineName) -> None:
        """Add the pull-up of a 1-wire line, once, where the board has none."""
        found = self.wiring.board.lines.get(line)
        if found is None or found.external_pull_up is None:
            rail = self.places.rail_of("3V3") or "3V3"
            self._resistor(f"{net}.pull-up", _ONE_WIRE_OHM, net, rail)

    # --- supply and ground -----------------------------------------------------------------

    def _feeding(self, device: Device, wired: list[Wired]) -> None:
        """Add supply, ground and straps of *device*."""
        one = wired[0] if wired else device.power
        assert one is not None  # noqa: S101  the caller has looked
        feed = self._feed(device, wired)
        load = device.power
        size = getattr(load.claim if load is not None else one.claim, "wire", None)
        more: dict[str, object] = {
            "current": self._peak(device),
            "size": None if size is None else size.hundredth_mm2,
            "length_mm": None if size is None else size.length_mm,
        }
        if load is not None and isinstance(load.claim, PowerClaim):
            more["count"] = load.claim.count
        if feed is not None:
            for pin in _pins_for(device, "supply", SUPPLY_PIN):
                near = End(part=device.name, pin=pin, does=Does.TAKES, level=feed.volts)
                self._add(
                    WireKind.SUPPLY, near, feed.end, feed.net, load or one, level=feed.volts, **more
                )
        ground = feed.ground if feed is not None else self._signal_ground(wired)
        if ground is None:
            return
        for pin in _pins_for(device, "ground", GROUND_PIN):
            near = End(part=device.name, pin=pin, does=Does.GROUND)
            self._add(WireKind.GROUND, near, ground, GROUND_NET, load or one, **more)
        self._ties(device, wired, feed, ground)

    def _ties(self, device: Device, wired: list[Wired], feed: _Feed | None, ground: End) -> None:
        """Add what ties pins of a known part: straps of its address, the bus it is to talk."""
        part = device.part
        if part is None:
            return
        ties = [(pin, "supply", "") for pin in part.pins_for("high")]
        ties += [(pin, "ground", "") for pin in part.pins_for("low")]
        for one in wired:
            address = None if one.assignment is None else one.assignment.address
            if part.straps is not None and address is not None and isinstance(one.claim, I2cClaim):
                ties += [
                    (pin, level, f"0x{address:02x}")
                    for pin, level in part.straps.ties(address, part.addresses)
                ]
        for pin, level, why in ties:
            far, net = self._tied(device, wired, level, feed, ground)
            if far is None:
                continue
            self._add(
                WireKind.STRAP,
                End(part=device.name, pin=pin, does=Does.READS),
                far,
                net,
                wired[0],
                note=f"address {why}" if why else "fixed level",
            )

    def _tied(
        self, device: Device, wired: list[Wired], level: str, feed: _Feed | None, ground: End
    ) -> tuple[End | None, str]:
        match level:
            case "ground":
                return ground, GROUND_NET
            case "supply":
                return (None, "") if feed is None else (feed.end, feed.net)
            case "sda" | "scl":
                for one in wired:
                    for use in one.assignment.lines if one.assignment is not None else ():
                        if use.signal == level:
                            return (
                                End(
                                    part=device.name,
                                    pin=pin_name(device, one, level),
                                    does=Does.BOTH,
                                ),
                                self._far(one, use)[1],
                            )
                return None, ""
            case _:
                return None, ""

    def _peak(self, device: Device) -> Milliamp | None:
        claims = [*device.claims, *([device.power] if device.power is not None else [])]
        found = [
            self.peaks[key]
            for one in claims
            if (key := (one.instance, str(one.claim.key.name))) in self.peaks
        ]
        return Milliamp(sum(found)) if found else None

    def _feed(self, device: Device, wired: list[Wired]) -> _Feed | None:
        """Return where *device* gets its current; None: it is a contact, or nobody says."""
        near = self._near(wired)
        ports = {
            one.assignment.port
            for one in wired
            if one.assignment is not None and one.assignment.port in self.ports
        }
        for name in sorted(str(one) for one in ports if one is not None):
            return self._at_port(name)
        roles = [
            one.claim.supply
            for one in (*wired, *([device.power] if device.power is not None else []))
            if isinstance(one.claim, PowerClaim | SignalClaim) and one.claim.supply is not None
        ]
        for role in roles:
            return self._named(self.wiring.supply_name(role), near, self._peak(device))
        wanted = self._logic_supply(device, wired)
        return None if wanted is None else self._named(wanted, near, self._peak(device))

    def _logic_supply(self, device: Device, wired: list[Wired]) -> str | None:
        """Return the header rail of a part on a bus, or of a contact that is pulled down."""
        for one in wired:
            claim = one.claim
            if isinstance(claim, SignalClaim):
                pulled = claim.pull is Pull.DOWN and claim.function is Function.INPUT
                if pulled and len(device.claims) == 1:
                    return "3V3"
                continue
            volts = getattr(claim, "volts", _THREE)
            span = None if device.part is None else device.part.supply
            if span is not None:
                fits = [each for each in (volts, _THREE, _FIVE) if span[0] <= each <= span[1]]
                if not fits:
                    return None
                volts = fits[0]
            return "5V" if volts > _LOGIC_MAX else "3V3"
        return None

    def _named(self, name: str, near: Pin | None, current: Milliamp | None) -> _Feed | None:
        """Return a supply of the robot or a rail of the header as a feed."""
        supply = self.wiring.robot.supplies.get(SupplyName(name))
        if supply is not None:
            net = supply_net(self.wiring, name, self.places)
            return _Feed(
                end=_plus(supply),
                net=net,
                ground=End(part=name, pin="-", does=Does.GROUND),
                volts=supply.volts,
            )
        rail = self.places.rail_of(name)
        end = None if rail is None else self.places.power(rail, near, current)
        if rail is None or end is None:
            return None
        return _Feed(
            end=end, net=rail, ground=self.places.ground(near), volts=self.places.volts(rail)
        )

    def _at_port(self, name: str) -> _Feed | None:
        port = next(one for key, one in self.ports.items() if str(key) == name)
        source = self._port_source(port)
        if source is None:
            return None
        return _Feed(
            end=End(part=name, pin=SUPPLY_PIN),
            net=source.net,
            ground=End(part=name, pin=GROUND_PIN, does=Does.GROUND),
            volts=source.volts,
        )

    def _port_source(self, port: CarrierPort) -> _Feed | None:
        near = self._port_pin(port)
        if port.supply is not None:
            return self._named(self.wiring.supply_name(str(port.supply)), near, None)
        if port.kind in {"3V3", "5V"}:
            return self._named(port.kind, near, None)
        return self._named("5V" if (port.volts or _THREE) > _LOGIC_MAX else "3V3", near, None)

    def _port_pin(self, port: CarrierPort) -> Pin | None:
        lines = list(port.lines.values()) or list(self._bus_lines(port).values())
        return next((pin for line in lines if (pin := self.wiring.pin_of(line)) is not None), None)

    def _signal_ground(self, wired: list[Wired]) -> End | None:
        """Return where the return of a part without supply goes; None: it has none."""
        for one in wired:
            assignment = one.assignment
            if assignment is not None and not assignment.on_board:
                return End(part=str(assignment.controller), pin=GROUND_PIN, does=Does.GROUND)
        return self.places.ground(self._near(wired))

    def _near(self, wired: Iterable[Wired]) -> Pin | None:
        for one in wired:
            assignment = one.assignment
            if assignment is None or not assignment.on_board:
                continue
            for use in assignment.lines:
                pin = self.wiring.pin_of(use.line)
                if pin is not None:
                    return pin
        return None

    def _port_power(self, device: Device, one: Wired, claim: PortClaim) -> None:
        assignment = one.assignment
        feed = None
        if assignment is not None and assignment.port in self.ports:
            feed = self._at_port(str(assignment.port))
        if feed is None:
            return
        more = {"current": claim.current}
        near = End(part=device.name, pin=SUPPLY_PIN, does=Does.TAKES, level=feed.volts)
        self._add(WireKind.SUPPLY, near, feed.end, feed.net, one, level=feed.volts, **more)
        near = End(part=device.name, pin=GROUND_PIN, does=Does.GROUND)
        self._add(WireKind.GROUND, near, feed.ground, GROUND_NET, one, **more)

    # --- the robot itself ------------------------------------------------------------------

    def _controller(self, name: str, controller: Controller, chip: str) -> None:
        self._part(FittedPart(name=name, kind="controller", type=chip, what="controller"))
        for link in self.wiring.links:
            if str(link.instance) != name:
                continue
            if link.function == "inhibit":
                self._inhibit(name, controller, link.lines)
                continue
            if not link.lines:
                self._add(
                    WireKind.PLUG,
                    End(part=name, pin="USB"),
                    End(part=BOARD_PART, pin="USB"),
                    "",
                    signal="link",
                    note=str(link.resource),
                )
            for use in link.lines:
                does = _of_direction(use.direction, use.signal)
                near = End(part=name, pin=_LINK_PINS.get(use.signal, use.signal), does=does)
                self._add(
                    WireKind.SIGNAL,
                    near,
                    self._header(use.line, _other(does)),
                    str(use.line),
                    signal=use.signal,
                    direction=_seen_from_part(does, use.direction),
                )
        if controller.supply is None:
            return
        feed = self._named(self.wiring.supply_name(str(controller.supply)), None, None)
        if feed is not None:
            near = End(part=name, pin=SUPPLY_PIN, does=Does.TAKES, level=feed.volts)
            self._add(WireKind.SUPPLY, near, feed.end, feed.net, level=feed.volts)
            near = End(part=name, pin=GROUND_PIN, does=Does.GROUND)
            self._add(WireKind.GROUND, near, feed.ground, GROUND_NET)

    def _inhibit(self, name: str, controller: Controller, lines: tuple[LineUse, ...]) -> None:
        """Add the switch that a controller reads before it lets anything move."""
        switch = f"{name}.inhibit"
        stops = ", ".join(controller.inhibit.stops) if controller.inhibit is not None else ""
        self._part(
            FittedPart(
                name=switch, kind="switch", what=f"inhibit switch: stops {stops}".rstrip(": ")
            )
        )
        low = controller.inhibit is None or controller.inhibit.active == "low"
        for use in lines:
            net = f"{name}-{use.line}"
            self._add(
                WireKind.SIGNAL,
                End(part=switch, pin="1"),
                End(part=name, pin=str(use.line), does=Does.READS),
                net,
                signal="inhibit",
                direction=Direction.OUT,
            )
        if low:
            near = End(part=switch, pin="2", does=Does.GROUND)
            far = End(part=name, pin=GROUND_PIN, does=Does.GROUND)
            self._add(WireKind.GROUND, near, far, GROUND_NET)
        else:
            self._add(
                WireKind.SUPPLY,
                End(part=switch, pin="2"),
                End(part=name, pin="3V3", does=Does.FEEDS, level=_THREE),
                f"{name}-3V3",
                level=_THREE,
            )

    def _bus_lines(self, port: CarrierPort) -> dict[str, LineName]:
        if port.bus is None:
            return {}
        fitting = [one for one in self.wiring.board.outlets if str(one.bus) == port.bus]
        outlet = next((one for one in fitting if one.complete), None)
        return {} if outlet is None else dict(outlet.lines)

    def _port(self, port: CarrierPort) -> None:
        name = str(port.name)
        self._part(FittedPart(name=name, kind="port", what=f"carrier port of kind {port.kind}"))
        lines = dict(port.lines) or self._bus_lines(port)
        used = {
            (use.line, use.direction)
            for one in self.wiring.wired
            if one.assignment is not None and one.assignment.port == port.name
            for use in one.assignment.lines
        }
        directions = dict(used)
        for own in sorted(lines):
            line = lines[own]
            if self.wiring.pin_of(line) is None:
                continue  # no line of this board: told as a finding
            does = _of_direction(directions.get(line), own)
            self._add(
                WireKind.SIGNAL,
                End(part=name, pin=str(own)),
                self._header(line, _other(does)),
                str(line),
                signal=str(own),
            )
        source = self._port_source(port)
        if source is not None:
            near = End(part=name, pin=SUPPLY_PIN)
            self._add(WireKind.SUPPLY, near, source.end, source.net, level=source.volts)
            near = End(part=name, pin=GROUND_PIN, does=Does.GROUND)
            self._add(WireKind.GROUND, near, source.ground, GROUND_NET)

    def _supply(self, supply: Supply) -> None:
        name = str(supply.name)
        battery = supply.battery
        what = (
            f"{battery.chemistry} pack, {battery.cells} cells" if battery is not None else "supply"
        )
        self._part(FittedPart(name=name, kind="supply", type=volt_text(supply.volts), what=what))
        net = supply_net(self.wiring, name, self.places)
        if battery is not None and battery.fuse is not None:
            fuse = f"{name}.F1"
            cells = f"{name}-cells"
            self.components[fuse] = Component(
                name=fuse,
                kind="fuse",
                value=current_text(battery.fuse),
                ends=(
                    (cells, End(part=fuse, pin="1")),
                    (net, End(part=fuse, pin="2", does=Does.FEEDS, level=supply.volts)),
                ),
            )
            self._add(
                WireKind.SUPPLY,
                End(part=name, pin="+", does=Does.FEEDS, level=supply.volts),
                End(part=fuse, pin="1"),
                cells,
                level=supply.volts,
                current=supply.max_current,
                note="as near to the cells as it can be",
            )
        for target in sorted(supply.feeds):
            if target == "board":
                self._feed_board(supply, net)
            elif target in self.wiring.robot.supplies:
                near = End(part=target, pin="in+", does=Does.TAKES, level=supply.volts)
                self._add(WireKind.SUPPLY, near, _plus(supply), net, level=supply.volts)
                near = End(part=target, pin="in-", does=Does.GROUND)
                far = End(part=name, pin="-", does=Does.GROUND)
                self._add(WireKind.GROUND, near, far, GROUND_NET)

    def _feed_board(self, supply: Supply, net: str) -> None:
        ground = End(part=str(supply.name), pin="-", does=Does.GROUND)
        if supply.by == "header":
            rail = self.places.rail_of("5V")
            found = None if rail is None else self.places.power(rail, None, None)
            if found is not None:
                near = End(part=BOARD_PART, pin=found.pin, does=Does.TAKES, level=supply.volts)
                self._add(WireKind.SUPPLY, near, _plus(supply), net, level=supply.volts)
                self._add(WireKind.GROUND, self.places.ground(None), ground, GROUND_NET)
                return
        near = End(part=BOARD_PART, pin="inlet +", does=Does.TAKES, level=supply.volts)
        self._add(
            WireKind.SUPPLY, near, _plus(supply), net, level=supply.volts,
            current=supply.max_current,
        )  # fmt: skip
        near = End(part=BOARD_PART, pin="inlet -", does=Does.GROUND)
        self._add(WireKind.GROUND, near, ground, GROUND_NET)

    def _common_ground(self) -> None:
        """Join the ground of supplies that no wire joins with the board's: signals need it."""
        joined = {BOARD_PART}
        pairs = [(one.near.part, one.far.part) for one in self.wires if one.kind is WireKind.GROUND]
        grown = True
        while grown:
            grown = False
            for left, right in pairs:
                if (left in joined) != (right in joined):
                    joined |= {left, right}
                    grown = True
        for name in sorted(str(one) for one in self.wiring.robot.supplies):
            if name not in joined:
                self._add(
                    WireKind.GROUND,
                    End(part=name, pin="-", does=Does.GROUND),
                    self.places.ground(None),
                    GROUND_NET,
                    note="common ground: levels are measured against it",
                )
                joined.add(name)


_LINK_PINS = {"tx": "RX", "rx": "TX", "sda": "SDA", "scl": "SCL"}
"""The board's word for a line of a link -> the companion's; serial lines cross."""


def _plus(supply: Supply) -> End:
    """Return where the current of *supply* is taken: behind its fuse, where it has one."""
    name = str(supply.name)
    fused = supply.battery is not None and supply.battery.fuse is not None
    return End(
        part=f"{name}.F1" if fused else name,
        pin="2" if fused else "+",
        does=Does.FEEDS,
        level=supply.volts,
    )


def _pins_for(device: Device, word: str, usual: str) -> tuple[str, ...]:
    """Return the pins of *device* that are there for *word*; the usual name where nobody knows."""
    part = device.part
    return part.pins_for(word) if part is not None and part.pins else (usual,)


def _is_plugged(claim: Claim) -> bool:
    return isinstance(claim, CameraClaim | UsbClaim | AudioClaim)


def _socket(claim: Claim, resource: str) -> str:
    if isinstance(claim, UsbClaim):
        return "USB"
    return resource.removeprefix("camera ").removeprefix("audio ")


def _other(does: Does) -> Does:
    return {Does.DRIVES: Does.READS, Does.READS: Does.DRIVES}.get(does, does)


def _of_direction(direction: Direction | None, signal: str) -> Does:
    """Return what the part does on a line whose *direction* is seen from the board."""
    if signal in {"sda", "scl"}:
        return Does.BOTH
    match direction:
        case Direction.OUT:
            return Does.READS
        case Direction.IN:
            return Does.DRIVES
        case Direction.BOTH:
            return Does.BOTH
        case _:
            return {"tx": Does.READS, "rx": Does.DRIVES}.get(signal, Does.PASSIVE)


def _seen_from_part(does: Does, board: Direction | None) -> Direction | None:
    """Return which way a wire goes, seen from the part."""
    match does:
        case Does.DRIVES:
            return Direction.OUT
        case Does.READS:
            return Direction.IN
        case Does.BOTH:
            return Direction.BOTH
        case _:
            turned = {Direction.IN: Direction.OUT, Direction.OUT: Direction.IN}
            return None if board is None else turned.get(board, board)
