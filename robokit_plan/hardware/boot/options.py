"""
Settings that bring a bus to its lines: which there are, which one is needed, which take least.

A device takes the smallest setting that covers its own lines. The settings of one outlet are
nested (the tests hold the data to it), so the largest of these covers all devices on it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Protocol

from robokit_plan.model import Board, BootEnable, BootVocabulary, BusName, LineName

BootOptions = Mapping[str, tuple[BootEnable, ...]]
"""Bus or function -> every setting that switches it on, as `Board.boot` calls both."""


OUTPUT = "output"
"""What a line that the firmware drives may serve; see `BootClaim.serves`."""


class Placed(Protocol):
    """What an assignment and a candidate for one say alike of a claim's place."""

    @property
    def resource(self) -> str:
        """The place in words."""

    @property
    def bus(self) -> BusName | None:
        """Bus or block; None for plain lines."""

    @property
    def controller(self) -> str | None:
        """The companion whose pin or bus it is, or whose link; None: the board's own."""

    @property
    def channel(self) -> object:
        """Channel of the block; None where it has none."""

    @property
    def function(self) -> str:
        """What the line does, and by what."""


def boot_ways(board: Board, vocabulary: BootVocabulary | None, release: str) -> BootOptions:
    """Return the settings that *board* can be told with *release*; the better ones first."""
    found: dict[str, list[BootEnable]] = {}
    for way in () if vocabulary is None else vocabulary.enables:
        if way.releases and release not in way.releases:
            continue
        if way.bluetooth and board.bluetooth_uart != way.bus:
            continue
        found.setdefault(way.bus, []).append(way)
    return {bus: tuple(ways) for bus, ways in found.items()}


def boot_needs(section: str, one: Placed) -> tuple[str, ...]:
    """Return what has to be switched on for *one*; plain lines, USB and the like need nothing."""
    function = one.function
    if one.controller is not None and section != "controllers":
        return ()  # a companion's own bus is none of the board's, whatever it is called
    match section:
        case "i2c" | "spi" | "uart" | "blocks" | "i2s" | "controllers":
            return () if one.bus is None else (one.bus,)
        case "one-wire":
            return ("one-wire",)
        case "camera":
            return ("camera",)
        case "audio":
            if one.resource == "audio analog":
                return ("audio analog",)
            return () if one.bus is None else (one.bus,)
        case "signals" if function.startswith("led-string"):
            # The PWM and PCM ways drive their block from user space.
            if function.endswith(("spi", "pio")):
                own = () if one.bus is None else (one.bus,)
                return (*own, function)
            return ()
        case "signals" if function in {"ir-in", "ir-out"}:
            return (function,)
        case "signals" if one.channel is not None and one.bus is not None:
            return (one.bus,)
        case _:
            return ()


def smallest_ways(
    ways: Iterable[BootEnable], lines: Collection[LineName]
) -> tuple[BootEnable, ...]:
    """Return those of *ways* that cover *lines* and no other covering one undercuts."""
    covering = [way for way in ways if way.lines and set(way.lines) >= set(lines)]
    return tuple(
        way
        for rank, way in enumerate(covering)
        if not any(
            set(other.lines) < set(way.lines)
            or (set(other.lines) == set(way.lines) and covering.index(other) < rank)
            for other in covering
        )
    )
