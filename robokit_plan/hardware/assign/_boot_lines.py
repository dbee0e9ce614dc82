"""
Which lines a boot setting takes besides those that a claim uses.

A setting takes all of its lines, whether a device uses them or not: two chip selects where one is
wired, or a whole sound bus beside SPI. Those lines are claims like any other, so the engine
assigns with them instead of finding out afterwards.
"""

from __future__ import annotations

from robokit_plan.hardware.boot.options import boot_needs
from robokit_plan.model import BootEnable, listed, replace

from ._board_view import BoardView
from ._resources import Candidate, Kind, Resource, Use


def with_boot_lines(one: Candidate, section: str, view: BoardView) -> tuple[Candidate, ...]:
    """Return *one* with what its setting takes besides, once for each setting that would do."""
    found: tuple[Candidate, ...] = (one,)
    for need in boot_needs(section, one):
        small = view.smallest_ways(need, frozenset([signal.line for signal in one.signals]))
        if small:
            found = tuple(_taking(each, need, way, view) for each in found for way in small)
    return found


def _taking(one: Candidate, bus: str, way: BootEnable, view: BoardView) -> Candidate:
    own = {signal.line for signal in one.signals}
    besides = tuple(line for line in way.lines if line in view.board.lines and line not in own)
    if not besides:
        return one
    # What else is on the bus may be the user of these lines, or what the same setting brings too.
    keys = frozenset({bus, *(f"by {word.text}" for word in way.words if word.kind == "overlay")})
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
        setting=listed(word.text for word in way.words) or f"{bus} of the image",
        besides=besides,
        cost=one.cost + len(besides),
    )
