"""What is free, kind by kind, with the header positions at which it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from robokit_plan.hardware import Free, HardwareAnswer
from robokit_plan.model import Assignment, Board, BusOutlet, FreeKind, LineName, listed

_NEEDED = {"uart": ("tx", "rx"), "spi": ("sclk", "mosi", "miso")}
"""What a bus cannot do without; all of its lines where its kind is not listed."""


def free_kinds(board: Board, answer: HardwareAnswer) -> tuple[FreeKind, ...]:
    """Return everything that *answer* leaves free; kinds without anything are left out."""
    free = answer.free
    taken = (*answer.assignments, *answer.links)
    kinds = [
        ("lines", {str(line): _at(board, [line]) for line in free.lines}),
        ("PWM channels", {name: _lines(board, lines) for name, lines in free.channels.items()}),
        ("I2C buses", {str(bus): _i2c(board, bus, taken) for bus in free.i2c}),
        (
            "SPI selects",
            {
                str(bus): ", ".join(f"select {number}" for number in numbers)
                for bus, numbers in free.selects.items()
            },
        ),
        ("UARTs", {str(bus): _outlet(board, "uart", bus, taken) for bus in free.uarts}),
        ("I2S", {str(bus): _outlet(board, "i2s", bus, taken) for bus in free.i2s}),
        ("clocks", {str(bus): _outlet(board, "clock", bus, taken) for bus in free.clocks}),
        ("cameras", dict.fromkeys(free.cameras, "")),
        ("ports", _ports(free)),
    ]
    return tuple(FreeKind(kind=kind, items=items) for kind, items in kinds if items)


def _ports(free: Free) -> dict[str, str]:
    return {name: kind for kind, names in free.ports.items() for name in names}


def _at(board: Board, lines: Iterable[LineName]) -> str:
    return ", ".join(str(board.pin_of(line) or "?") for line in lines)


def _lines(board: Board, lines: Iterable[LineName]) -> str:
    return listed((f"{line} ({board.pin_of(line) or '?'})" for line in lines), "or")


def _i2c(board: Board, bus: str, taken: Sequence[Assignment]) -> str:
    where = _outlet(board, "i2c", bus, taken)
    used = sorted({one.address for one in taken if one.bus == bus and one.address is not None})
    if not used:
        return where
    return f"{where}; in use, addresses taken: {', '.join(f'0x{one:02x}' for one in used)}"


def _outlet(board: Board, kind: str, bus: str, taken: Sequence[Assignment]) -> str:
    """Return the positions of the first way by which *bus* comes out and whose lines are free."""
    users: dict[LineName, set[str]] = defaultdict(set)
    for one in taken:
        for use in one.lines:
            if one.on_board:
                users[use.line].add(str(one.bus))
    ways = [one for one in board.outlets if (one.kind, one.bus) == (kind, bus) and one.complete]
    free = [one for one in ways if all(users[line] <= {bus} for _, line in _needed(one))]
    in_use = [one for one in free if any(users[line] for _, line in _needed(one))]
    for way in (*in_use, *free, *ways):
        return ", ".join(f"{word} {_at(board, [line])}" for word, line in _needed(way))
    return ""


def _needed(way: BusOutlet) -> Iterator[tuple[str, LineName]]:
    wanted = _NEEDED.get(way.kind, tuple(way.lines))
    for word, line in way.lines.items():
        if word in wanted:
            yield word, line
