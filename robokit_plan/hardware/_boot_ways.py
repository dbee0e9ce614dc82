"""
Settings that bring a bus to its lines, and which lines they take besides.

A setting takes all of its lines, whether a device uses them or not: two chip selects where one is
wired, or a whole sound bus beside SPI. Those lines are claims like any other, so the engine
assigns with them instead of finding out afterwards.

A device takes the smallest setting that covers its own lines. The settings of one outlet are
nested (the tests hold the data to it), so the largest of these covers all devices on it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import TYPE_CHECKING

from robokit_plan.model import Assignment, Board, BootEnable, BootVocabulary, LineName, replace

from ._resources import Candidate, Kind, Resource, Use

if TYPE_CHECKING:
    from ._ground import Ground

Ways = Mapping[str, tuple[BootEnable, ...]]
"""Bus or function -> every setting that switches it on, as `Board.boot` calls both."""


def boot_ways(board: Board, vocabulary: BootVocabulary | None, release: str) -> Ways:
    """Return the settings that *board* can be told with *release*; the better ones first."""
    found: dict[str, list[BootEnable]] = {}
    for way in () if vocabulary is None else vocabulary.enables:
        if way.releases and release not in way.releases:
            continue
        if way.bluetooth and board.bluetooth_uart != way.bus:
            continue
        found.setdefault(way.bus, []).append(way)
    return {bus: tuple(ways) for bus, ways in found.items()}


def boot_needs(section: str, one: Assignment | Candidate) -> tuple[str, ...]:
    """Return what has to be switched on for *one*; plain lines, USB and the like need nothing."""
    function = one.function
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


def with_boot_lines(one: Candidate, section: str, ground: Ground) -> tuple[Candidate, ...]:
    """Return *one* with what its setting takes besides, once for each setting that would do."""
    found: tuple[Candidate, ...] = (one,)
    for need in boot_needs(section, one):
        small = ground.smallest_ways(need, frozenset([signal.line for signal in one.signals]))
        if small:
            found = tuple(_taking(each, need, way, ground) for each in found for way in small)
    return found


def _taking(one: Candidate, bus: str, way: BootEnable, ground: Ground) -> Candidate:
    own = {signal.line for signal in one.signals}
    besides = tuple(line for line in way.lines if line in ground.board.lines and line not in own)
    if not besides:
        return one
    # What else is on the bus may be the user of these lines.
    keys = frozenset({bus})
    mine = {Resource(Kind.LINE, line) for line in own}
    return replace(
        one,
        uses=(
            *(
                Use(use.resource, use.keys | keys) if use.resource in mine else use
                for use in one.uses
            ),
            *(Use(Resource(Kind.LINE, line), keys) for line in besides),
        ),
        setting=" and ".join(word.text for word in way.words) or f"{bus} of the image",
        besides=besides,
        cost=one.cost + len(besides),
    )
