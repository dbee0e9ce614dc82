"""The board as the engine sees it: lookups, and what others already hold."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import cached_property

from robokit_plan.hardware.boot.options import BootOptions, boot_ways, smallest_ways
from robokit_plan.hardware.problem import HardwareProblem
from robokit_plan.model import (
    Board,
    BootEnable,
    BootWord,
    BusName,
    BusOutlet,
    BusyController,
    CarrierPort,
    Line,
    LineName,
    Millivolt,
    Origin,
    Pin,
    PinId,
    PinKind,
    dataclass,
    listed,
    near_names,
    replace,
)

from ._resources import ALONE, Keys, Kind, Resource, Use


@dataclass(frozen=True, kw_only=True, slots=True)
class Reservation:
    """Something that is held before any plugin asks."""

    keys: Keys
    by: str
    rule: str
    origin: Origin | None = None
    repair: tuple[str, ...] = ()
    serves: tuple[str, ...] = ()
    """What it is there for, as `BootEnable.bus` calls it: that may have the thing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Rejection:
    """Why one choice of a claim is no candidate."""

    rule: str
    message: str
    why: str = ""
    resource: str | None = None
    origin: Origin | None = None
    label: str = ""
    repair: tuple[str, ...] = ()


class BoardView:
    """
    Lookups over one problem; every one is computed once, when it is first asked for.

    A class with a memory rather than a value: nothing of it leaves the engine.
    """

    def __init__(self, problem: HardwareProblem) -> None:
        self.problem = problem
        self.board: Board = problem.board
        self.rank: Mapping[PinId, int] = {pin.id: n for n, pin in enumerate(self.board.pins)}
        self.pins: Mapping[PinId, Pin] = {pin.id: pin for pin in self.board.pins}
        self.costs: dict[LineName, int] = {}
        """What is lost when a line goes to a plain signal."""
        self.outlets: dict[str, list[BusOutlet]] = {}
        for outlet in self.board.outlets:
            self.outlets.setdefault(outlet.kind, []).append(outlet)
        self.pwm: dict[LineName, list[tuple[BusName, str, str | None]]] = {}
        for outlet in self.outlets.get("pwm", ()):
            for signal, line in outlet.lines.items():
                self.pwm.setdefault(line, []).append((outlet.bus, signal, outlet.route))
        self.clocks: dict[LineName, list[BusName]] = {}
        for outlet in self.outlets.get("clock", ()):
            for line in outlet.lines.values():
                self.clocks.setdefault(line, []).append(outlet.bus)
        self.lines: tuple[Line, ...] = tuple(
            sorted(self.board.lines.values(), key=lambda one: (self.rank[one.pin], one.name))
        )
        self.doubled: frozenset[PinId] = frozenset(
            pin.id for pin in self.board.pins if len(pin.lines) > 1
        )
        self._smallest: dict[tuple[str, frozenset[LineName]], tuple[BootEnable, ...]] = {}
        self.port_of: dict[LineName, CarrierPort] = {}
        for port in sorted(problem.ports, key=lambda one: one.name):
            for line in port.lines.values():
                name = self.find_line(line)
                if name is not None:
                    self.port_of.setdefault(name, port)

    @cached_property
    def _by_fold(self) -> Mapping[str, LineName]:
        """Case says nothing; a header position names its first line."""
        names: dict[str, LineName] = {}
        for pin in self.board.pins:
            if pin.lines and not pin.id.isdecimal():
                names[pin.id.casefold()] = pin.lines[0]
        for name in self.board.lines:
            names[name.casefold()] = name
        return names

    def find_line(self, name: str) -> LineName | None:
        """Return the board's line of that name or at that named position."""
        if name in self.board.lines:
            return LineName(name)
        return self._by_fold.get(name.casefold())

    def near_lines(self, name: str) -> tuple[str, ...]:
        """Return lines with a similar name, likeliest first."""
        return tuple(near_names(name, sorted(self.board.lines)))

    def strain(self, line: LineName, level: Millivolt) -> int:
        """
        Return how badly *line* suits an other side of *level*.

        0: it bears it; 1: nobody knows its level for sure; 2: it is built for less.
        """
        pin = self.pins[self.board.lines[line].pin]
        if line in self.problem.measured:
            return 2 * (level > self.problem.measured[line] * 11 // 10)
        most = pin.logic if pin.maximum is None else pin.maximum
        if most is not None and level > most:
            return 2
        return int(pin.logic is None or not pin.confirmed)

    def spare_line(self) -> LineName | None:
        """Return the plainest line that nobody names, holds or plugs in, first on the header."""
        named = {
            self.find_line(name)
            for one in self.problem.instances
            for claim in one.claims
            for name in getattr(getattr(claim, "lines", None), "options", ())
        }
        named |= {self.find_line(str(one.line)) for one in self.problem.wiring if one.line}
        free = [
            line
            for line in self.lines
            if line.usable and line.name not in named and line.name not in self.port_of
            if self.holder([Use(Resource(Kind.LINE, line.name))]) is None
        ]
        plainest = min(
            free,
            key=lambda line: (
                line.reserved is not None,
                line.boot_strap,
                line.moves_at_boot,
                len(line.special),
                len(line.default_users),
            ),
            default=None,
        )
        return None if plainest is None else plainest.name

    def position(self, line: LineName) -> PinId | None:
        """Return the header position of *line*."""
        return self.board.pin_of(line)

    def at(self, line: LineName) -> str:
        """Return *line* with its header position, for prose."""
        pin = self.board.pin_of(line)
        return line if pin is None else f"{line} (header position {pin})"

    @cached_property
    def connectors(self) -> frozenset[str]:
        """Names of the connectors, where positions carry them."""
        return frozenset(pin.id.split("_")[0] for pin in self.board.pins if "_" in pin.id)

    @cached_property
    def last_position(self) -> str:
        """The last position of the header, for prose."""
        return self.board.pins[-1].id

    @cached_property
    def reservations(self) -> Mapping[Resource, tuple[Reservation, ...]]:
        """What stock image, board and given boot settings hold."""
        held: dict[Resource, list[Reservation]] = {}
        for resource, one in (*self._stock(), *self._busy(), *self._boot(), *self._inhibits()):
            held.setdefault(resource, []).append(one)
        return {resource: tuple(ones) for resource, ones in held.items()}

    @cached_property
    def ways(self) -> BootOptions:
        """What switches each bus and function on."""
        return boot_ways(self.board, self.problem.boot, self.problem.release)

    def _stock(self) -> Iterable[tuple[Resource, Reservation]]:
        i2c = {outlet.bus for outlet in self.outlets.get("i2c", ())}
        boot = self.problem.boot
        for claim in self.board.default_claims:
            if claim.by in self.problem.freed:
                continue
            keys = frozenset({claim.bus}) if claim.bus in i2c and claim.bus is not None else ALONE
            words = () if boot is None else boot.frees.get(claim.by, ())
            held = Reservation(
                keys=keys, by=claim.by, rule="stock-claim", repair=self._freeing(words, "")
            )
            for pin in claim.pins:
                for line in self.pins[pin].lines:
                    yield Resource(Kind.LINE, line), held
        uart = self.board.bluetooth_uart
        if uart is not None and "bluetooth" not in self.problem.freed:
            words = next((way.words[:1] for way in self.ways.get(uart, ()) if way.bluetooth), ())
            yield (
                Resource(Kind.UART, uart),
                Reservation(
                    keys=ALONE,
                    by="the board's Bluetooth",
                    rule="uart-collision",
                    repair=self._freeing(words, ", which switches Bluetooth off"),
                ),
            )

    def _freeing(self, words: Sequence[BootWord], effect: str) -> tuple[str, ...]:
        """Return how *words* are typed into the file of the image; none: nothing is known."""
        boot = self.problem.boot
        if boot is None or not words:
            return ()
        text = listed(boot.line_of(word) for word in words)
        return (f"{text}   in {boot.settings_file}{effect}",)

    def _busy(self) -> Iterable[tuple[Resource, Reservation]]:
        for one in self.board.busy:
            for device, address in one.devices:
                if address is not None:
                    yield (
                        Resource(Kind.ADDRESS, one.bus, address_text(address)),
                        Reservation(
                            keys=ALONE, by=f"the board's own {device}", rule="address-collision"
                        ),
                    )

    def _boot(self) -> Iterable[tuple[Resource, Reservation]]:
        blocks = {outlet.bus for outlet in self.outlets.get("pwm", ())}
        for claim in self.problem.boot_claims:
            alone = Reservation(
                keys=ALONE,
                by=claim.by,
                rule="stock-claim",
                origin=claim.origin,
                serves=claim.serves,
            )
            for line, bus in sorted(claim.lines.items()):
                keys = ALONE if bus is None else frozenset({bus})
                yield Resource(Kind.LINE, line), replace(alone, keys=keys)
            for bus in claim.buses:
                for kind in (Kind.BUS, Kind.I2S, Kind.UART, Kind.BLOCK):
                    yield Resource(kind, bus), alone
            for bus, address in claim.addresses:
                yield Resource(Kind.ADDRESS, bus, address_text(address)), alone
            for bus, select in claim.selects:
                yield Resource(Kind.SELECT, bus, str(select)), alone
            for block, signal in claim.channels:
                yield Resource(Kind.CHANNEL, block, signal), alone
                if block in blocks:
                    yield Resource(Kind.BLOCK, block), replace(alone, keys=frozenset({"kernel"}))

    def _inhibits(self) -> Iterable[tuple[Resource, Reservation]]:
        for name, controller in sorted(self.problem.controllers.items()):
            if controller.inhibit is not None:
                pin, chip = controller.inhibit.pin, self.problem.chip_of(controller)
                yield (
                    Resource(Kind.PIN, name, pin if chip is None else chip.own_name(pin)),
                    Reservation(
                        keys=ALONE,
                        by=f"the inhibit switch of {name}",
                        rule="pin-collision",
                        origin=controller.inhibit.origin,
                    ),
                )

    def smallest_ways(self, need: str, lines: frozenset[LineName]) -> tuple[BootEnable, ...]:
        """Return the settings for *need* that cover *lines*, none of them undercut by another."""
        ways = self.ways.get(need)
        if ways is None:
            return ()
        known = self._smallest.get((need, lines))
        if known is None:
            known = self._smallest[need, lines] = smallest_ways(ways, lines)
        return known

    def holder(
        self, uses: Iterable[Use], needs: Collection[str] = ()
    ) -> tuple[Resource, Reservation] | None:
        """
        Return the first of *uses* that somebody already holds, and who.

        *needs*: what has to be switched on for the user; settings that serve it hold nothing back.
        """
        for resource, keys in uses:
            for one in self.reservations.get(resource, ()):
                if keys.isdisjoint(one.keys) and set(one.serves).isdisjoint(needs):
                    return resource, one
        return None

    def busy_elsewhere(
        self, outlet_bus: BusName, route: str | None, pins: set[PinId]
    ) -> str | None:
        """
        Return which on-board parts would be cut off if the controller came to this outlet.

        A controller has one pin setting; where the board runs it on another route, moving it to
        the header takes it from those parts. None: nothing is lost.
        """
        for one in self.board.busy:
            if one.bus != outlet_bus or one.route == route or _only_lights(one):
                continue
            here = any(
                claim.bus == outlet_bus and set(claim.pins) & pins
                for claim in self.board.default_claims
            )
            if one.route is None and here:
                continue
            return listed(dict.fromkeys(name for name, _ in one.devices)) or "an on-board part"
        return None

    def lights_on(self, bus: BusName, route: str | None) -> tuple[str, ...]:
        """Return the board's own lights that lose *bus* when it comes to the header."""
        return tuple(
            name
            for one in self.board.busy
            if one.bus == bus and one.route != route and _only_lights(one)
            for name, _ in one.devices
        )

    def blocking_port(
        self, outlet: BusOutlet, words: Iterable[str], *, shared: bool
    ) -> CarrierPort | None:
        """
        Return the carrier port whose lines are in the way of *outlet*.

        *shared*: a port that carries the whole bus is no obstacle to its other devices.
        """
        lines = {outlet.lines[word] for word in words if word in outlet.lines}
        for line in sorted(lines):
            port = self.port_of.get(line)
            if port is None or port.bus == outlet.bus:
                continue
            own = {self.find_line(each) for each in port.lines.values()}
            if not (shared and own >= lines):
                return port
        return None

    def outlet(self, kind: str, name: str) -> tuple[BusOutlet, ...]:
        """Return the outlets of bus *name*, which may end in its route (``i2c3 m1``)."""
        found = tuple(one for one in self.outlets.get(kind, ()) if one.bus == name)
        if found:
            return found
        return tuple(
            one
            for one in self.outlets.get(kind, ())
            if one.route is not None
            and name in {f"{one.bus} {one.route}", f"{one.bus}-{one.route}"}
        )

    def buses(self, kind: str) -> tuple[str, ...]:
        """Return the complete buses of *kind* on this header, the usual one first."""
        return tuple(dict.fromkeys(one.bus for one in self.outlets.get(kind, ()) if one.complete))

    def what_stands_at(self, position: PinId) -> str:
        """Return what a position is: the line that it carries, or what stands there without one."""
        pin = self.pins[position]
        if pin.lines:
            return str(pin.lines[0])
        match pin.kind:
            case PinKind.POWER:
                return f"power {pin.rail}"
            case PinKind.GROUND:
                return "ground"
            case PinKind.ANALOG:
                return "an analog input"
            case PinKind.CONTROL:
                return "a control line of the board"
            case PinKind.UNCONNECTED | PinKind.GPIO:
                return "not connected"


def _only_lights(one: BusyController) -> bool:
    """Whether nothing but a light hangs on the controller: losing it hurts nobody."""
    return bool(one.devices) and all(name.endswith("LED") for name, _ in one.devices)


def address_text(address: int) -> str:
    """
    Return an I2C address as it is always printed.

    >>> address_text(118)
    '0x76'
    """
    return f"0x{address:02x}"
