"""
Suggested colours of wires, in the letters of IEC 60757.

Red and black stay for supply and ground, green with yellow is protective earth and nothing else.

Source:
    IEC 60757:2021, designation of colours (letters from memory). Which wire gets which colour:
    common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from robokit_plan.model import Assignment, ClaimName, InstanceName, Plan

from ._sheet import is_wired

WireKey = tuple[InstanceName, ClaimName, str]
"""Instance, claim, signal."""

# A bus keeps its colours wherever it goes; within one plugin no two wires of a kind are alike.
_BUS = {"sda": "BU", "scl": "YE", "tx": "GN", "rx": "WH", "sclk": "YE", "mosi": "BU", "miso": "GN"}
_SINGLE = ("YE", "GN", "BU", "VT", "WH", "GY", "OG", "BN", "PK", "TQ")

WIRE_NOTE = (
    "wire colours are suggestions in the letters of IEC 60757; RD and BK stay for supply and "
    "ground, GNYE is protective earth alone"
)


def wire_colours(plan: Plan) -> Mapping[WireKey, str]:
    """Return the colour of every wire; users of one shared line get the same."""
    found: dict[WireKey, str] = {}
    lines: dict[tuple[str, str], str] = {}
    taken: dict[InstanceName, list[str]] = defaultdict(list)
    for one in sorted(plan.assignments, key=lambda one: (one.instance, one.section, one.claim)):
        for use in one.lines:
            if not is_wired(one, use):
                continue
            place = ("" if one.on_board else str(one.controller), str(use.line))
            colour = lines.get(place) or _BUS.get(_bus_word(one, use.signal))
            if colour is None:
                colour = _next(taken[one.instance])
            lines.setdefault(place, colour)
            taken[one.instance].append(colour)
            found[one.instance, one.claim, use.signal] = colour
    return found


def _bus_word(one: Assignment, signal: str) -> str:
    link = one.section == "controllers" and one.bus is not None
    return signal if link or one.section in {"i2c", "spi", "uart"} else ""


def _next(taken: list[str]) -> str:
    """Return the first colour that occurs least."""
    return min(_SINGLE, key=lambda colour: (taken.count(colour), _SINGLE.index(colour)))
