"""What the board still has to offer after an assignment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.hardware.boot.options import smallest_ways
from robokit_plan.hardware.problem import Free, HardwareProblem
from robokit_plan.model import BusName, BusOutlet, LineName, PinId

from ._board_view import BoardView
from ._buses import outlet_key
from ._resources import ALONE, Candidate, Keys, Kind, Resource, Use, channel_text
from ._signals import line_uses


def free_of(problem: HardwareProblem, view: BoardView, made: Sequence[Candidate]) -> Free:
    """
    Return what is free besides *made*.

    Shape:
        as `Free`; a bus counts as free where its lines are free or already its own.
    """
    held: dict[Resource, list[Keys]] = {}
    for one in made:
        for use in one.uses:
            held.setdefault(use.resource, []).append(use.keys)
    board = view.board

    def fits(uses: Iterable[Use]) -> bool:
        listed = list(uses)
        return view.holder(listed) is None and not any(
            keys.isdisjoint(other) for resource, keys in listed for other in held.get(resource, ())
        )

    def carries(outlet: BusOutlet, words: Sequence[str], keys: Keys) -> bool:
        if not outlet.complete:
            return False
        if view.blocking_port(outlet, words, shared=keys != ALONE) is not None:
            return False
        pins = {PinId(board.lines[line].pin) for line in outlet.lines.values()}
        if view.busy_elsewhere(outlet.bus, outlet.route, pins) is not None:
            return False
        return fits(
            (
                Use(Resource(Kind.BUS, outlet.bus), frozenset({outlet_key(outlet)})),
                *(Use(Resource(Kind.LINE, outlet.lines[word]), keys) for word in words),
            )
        )

    def settings(outlet: BusOutlet, words: Sequence[str]) -> tuple[LineName, ...]:
        """Return the lines that the setting of *outlet* takes, *words* of it in use."""
        lines = [outlet.lines[word] for word in words if word in outlet.lines]
        ways = smallest_ways(view.ways.get(outlet.bus, ()), lines)[:1]
        return tuple(line for way in ways for line in way.lines if line in board.lines)

    channels: dict[str, list[LineName]] = {}
    for line in view.lines:
        if not line.usable or line.name in view.port_of:
            continue
        for bus, signal, route in view.pwm.get(line.name, ()):
            uses = (
                *line_uses(view, line),
                Use(Resource(Kind.CHANNEL, bus, signal)),
                Use(Resource(Kind.BLOCK, bus), frozenset({"kernel"})),
            )
            if fits(uses) and view.busy_elsewhere(bus, route, {line.pin}) is None:
                channels.setdefault(channel_text(bus, signal), []).append(line.name)
    selects: dict[BusName, tuple[int, ...]] = {}
    for outlet in view.outlets.get("spi", ()):
        if outlet.bus in board.family.target_only or outlet.bus in selects:
            continue
        if not carries(outlet, ("sclk", "mosi", "miso"), frozenset({outlet.bus})):
            continue
        numbers = [
            int(word[2:])
            for word, line in outlet.lines.items()
            if word.startswith("cs")
            and fits(
                (
                    Use(Resource(Kind.SELECT, outlet.bus, word[2:])),
                    *(
                        Use(Resource(Kind.LINE, one), frozenset({outlet.bus}))
                        for one in (line, *settings(outlet, ("sclk", "mosi", "miso", word)))
                    ),
                )
            )
        ]
        if numbers:
            selects[outlet.bus] = tuple(sorted(numbers))
    ports: dict[str, list[str]] = {}
    for port in problem.ports:
        room = [
            slot
            for slot in range(max(1, port.count))
            if Resource(Kind.PORT, port.name, str(slot)) not in held
        ]
        if room:
            ports.setdefault(port.kind, []).append(port.name)
    return Free(
        lines=tuple(
            line.name
            for line in view.lines
            if line.usable
            and line.reserved is None
            and line.name not in view.port_of
            and fits(line_uses(view, line))
        ),
        channels={name: tuple(lines) for name, lines in sorted(channels.items())},
        i2c=_buses(
            outlet
            for outlet in view.outlets.get("i2c", ())
            if carries(outlet, ("sda", "scl"), frozenset({outlet.bus}))
        ),
        selects=dict(sorted(selects.items())),
        uarts=_buses(
            outlet
            for outlet in view.outlets.get("uart", ())
            if fits((Use(Resource(Kind.UART, outlet.bus)),))
            and carries(outlet, ("tx", "rx"), ALONE)
        ),
        i2s=_buses(
            outlet
            for outlet in view.outlets.get("i2s", ())
            if fits((Use(Resource(Kind.I2S, outlet.bus)),))
            and carries(outlet, tuple(outlet.lines), ALONE)
        ),
        clocks=_buses(
            outlet
            for outlet in view.outlets.get("clock", ())
            if fits(
                (
                    Use(Resource(Kind.CLOCK, outlet.bus)),
                    *(Use(Resource(Kind.LINE, line)) for line in outlet.lines.values()),
                )
            )
        ),
        cameras=tuple(
            name for name in board.cameras or () if fits((Use(Resource(Kind.CAMERA, name)),))
        ),
        ports={kind: tuple(sorted(names)) for kind, names in sorted(ports.items())},
    )


def _buses(outlets: Iterable[BusOutlet]) -> tuple[BusName, ...]:
    return tuple(dict.fromkeys(outlet.bus for outlet in outlets))
