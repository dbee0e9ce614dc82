"""What the board still has to offer after an assignment."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from robokit_plan.hardware.boot.options import smallest_ways
from robokit_plan.hardware.problem import Free, HardwareProblem
from robokit_plan.model import BusName, BusOutlet, CarrierPort, LineName, PinId

from ._board_view import BoardView
from ._buses import outlet_key
from ._resources import ALONE, Candidate, Keys, Kind, Resource, Use, channel_text
from ._signals import line_uses

_SPI = ("sclk", "mosi", "miso")


def free_of(problem: HardwareProblem, view: BoardView, made: Sequence[Candidate]) -> Free:
    """
    Return what is free besides *made*.

    Shape:
        as `Free`; a bus counts as free where its lines are free or already its own.
    """
    rest = _Remainder(view, made)
    return Free(
        lines=rest.lines(),
        channels=rest.channels(),
        i2c=rest.i2c(),
        selects=rest.selects(),
        uarts=rest.uarts(),
        i2s=rest.i2s(),
        clocks=rest.clocks(),
        cameras=tuple(
            name
            for name in view.board.cameras or ()
            if rest.fits((Use(Resource(Kind.CAMERA, name)),))
        ),
        ports=rest.ports(problem.ports),
    )


class _Remainder:
    """The board without what candidates use that were chosen."""

    def __init__(self, view: BoardView, made: Iterable[Candidate]) -> None:
        self._view = view
        self._held: dict[Resource, list[Keys]] = {}
        for one in made:
            for use in one.uses:
                self._held.setdefault(use.resource, []).append(use.keys)

    def fits(self, uses: Iterable[Use]) -> bool:
        """Whether all of *uses* can be had beside what is used already."""
        uses = list(uses)
        return self._view.holder(uses) is None and not any(
            keys.isdisjoint(other)
            for resource, keys in uses
            for other in self._held.get(resource, ())
        )

    def _carries(self, outlet: BusOutlet, words: Sequence[str], keys: Keys) -> bool:
        """Whether *outlet* can be switched on for its signals *words*; *keys*: who shares them."""
        view = self._view
        if not outlet.complete:
            return False
        if view.blocking_port(outlet, words, shared=keys != ALONE) is not None:
            return False
        pins = {PinId(view.board.lines[line].pin) for line in outlet.lines.values()}
        if view.busy_elsewhere(outlet.bus, outlet.route, pins) is not None:
            return False
        return self.fits(
            (
                Use(Resource(Kind.BUS, outlet.bus), frozenset({outlet_key(outlet)})),
                *(Use(Resource(Kind.LINE, outlet.lines[word]), keys) for word in words),
            )
        )

    def lines(self) -> tuple[LineName, ...]:
        """Return plain lines in the header's order."""
        return tuple(
            line.name
            for line in self._view.lines
            if line.usable
            and line.reserved is None
            and line.name not in self._view.port_of
            and self.fits(line_uses(self._view, line))
        )

    def channels(self) -> Mapping[str, tuple[LineName, ...]]:
        """Return PWM channels with the lines on which each can come out."""
        view = self._view
        found: dict[str, list[LineName]] = {}
        for line in view.lines:
            if not line.usable or line.name in view.port_of:
                continue
            for bus, signal, route in view.pwm.get(line.name, ()):
                uses = (
                    *line_uses(view, line),
                    Use(Resource(Kind.CHANNEL, bus, signal)),
                    Use(Resource(Kind.BLOCK, bus), frozenset({"kernel"})),
                )
                if self.fits(uses) and view.busy_elsewhere(bus, route, {line.pin}) is None:
                    found.setdefault(channel_text(bus, signal), []).append(line.name)
        return {name: tuple(lines) for name, lines in sorted(found.items())}

    def i2c(self) -> tuple[BusName, ...]:
        """Return I2C buses."""
        return _buses(
            outlet
            for outlet in self._view.outlets.get("i2c", ())
            if self._carries(outlet, ("sda", "scl"), frozenset({outlet.bus}))
        )

    def selects(self) -> Mapping[BusName, tuple[int, ...]]:
        """Return SPI buses with the numbers of their chip selects."""
        found: dict[BusName, tuple[int, ...]] = {}
        for outlet in self._view.outlets.get("spi", ()):
            if outlet.bus in self._view.board.family.target_only or outlet.bus in found:
                continue
            if not self._carries(outlet, _SPI, frozenset({outlet.bus})):
                continue
            numbers = [
                int(word[2:])
                for word in outlet.lines
                if word.startswith("cs") and self.fits(self._select_uses(outlet, word))
            ]
            if numbers:
                found[outlet.bus] = tuple(sorted(numbers))
        return dict(sorted(found.items()))

    def _select_uses(self, outlet: BusOutlet, word: str) -> Iterator[Use]:
        """Yield what one more device at select *word* takes, with the lines of its boot setting."""
        view = self._view
        yield Use(Resource(Kind.SELECT, outlet.bus, word[2:]))
        own = [outlet.lines[one] for one in (*_SPI, word) if one in outlet.lines]
        settings = smallest_ways(view.ways.get(outlet.bus, ()), own)[:1]
        besides = (line for way in settings for line in way.lines if line in view.board.lines)
        for line in (outlet.lines[word], *besides):
            yield Use(Resource(Kind.LINE, line), frozenset({outlet.bus}))

    def uarts(self) -> tuple[BusName, ...]:
        """Return serial ports."""
        return _buses(
            outlet
            for outlet in self._view.outlets.get("uart", ())
            if self.fits((Use(Resource(Kind.UART, outlet.bus)),))
            and self._carries(outlet, ("tx", "rx"), ALONE)
        )

    def i2s(self) -> tuple[BusName, ...]:
        """Return controllers of digital audio."""
        return _buses(
            outlet
            for outlet in self._view.outlets.get("i2s", ())
            if self.fits((Use(Resource(Kind.I2S, outlet.bus)),))
            and self._carries(outlet, tuple(outlet.lines), ALONE)
        )

    def clocks(self) -> tuple[BusName, ...]:
        """Return clocks."""
        return _buses(
            outlet
            for outlet in self._view.outlets.get("clock", ())
            if self._view.busy_elsewhere(outlet.bus, outlet.route, set()) is None
            and self.fits(
                (
                    Use(Resource(Kind.CLOCK, outlet.bus)),
                    *(Use(Resource(Kind.LINE, line)) for line in outlet.lines.values()),
                )
            )
        )

    def ports(self, ports: Iterable[CarrierPort]) -> Mapping[str, tuple[str, ...]]:
        """Return the kinds of *ports* with the names of those that have room."""
        found: dict[str, list[str]] = {}
        for port in ports:
            if any(
                Resource(Kind.PORT, port.name, str(slot)) not in self._held
                for slot in range(max(1, port.count))
            ):
                found.setdefault(port.kind, []).append(port.name)
        return {kind: tuple(sorted(names)) for kind, names in sorted(found.items())}


def _buses(outlets: Iterable[BusOutlet]) -> tuple[BusName, ...]:
    return tuple(dict.fromkeys(outlet.bus for outlet in outlets))
