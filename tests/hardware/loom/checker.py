"""
Reads a net list alone, as whoever draws the board does, and says what is wrong in it.

Written from what a net is (IEC 60617, a node joins terminals), not from the code that makes one:
it knows the CSV's columns, the pins of known parts as the data list them, and nothing else.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterator, Mapping

from robokit_plan.edge.facts import read_parts
from robokit_plan.model import find_part

Row = Mapping[str, str]
_MUST = {"supply", "ground", "high", "low", "sda", "scl", "sclk", "cs", "dq", "clk", "fs"}
"""What a part cannot do without, whatever else it is used for."""


def rows_of(text: str) -> list[Row]:
    return list(csv.DictReader(io.StringIO(text)))


def faults(rows: list[Row]) -> list[str]:
    """Return what is wrong, in words; nothing where the list can be built from."""
    return [*_pins(rows), *_required(rows), *_nets(rows)]


def _pins(rows: list[Row]) -> Iterator[str]:
    seen: dict[tuple[str, str], set[str]] = defaultdict(set)
    for row in rows:
        seen[row["part"], row["pin"]].add(row["net"])
    for (part, pin), nets in sorted(seen.items()):
        if len(nets) > 1:
            yield f"{part} {pin} is on {', '.join(sorted(nets))}"
    listed = [(row["net"], row["part"], row["pin"]) for row in rows]
    for one in sorted({one for one in listed if listed.count(one) > 1}):
        yield f"{one[1]} {one[2]} is listed twice on {one[0]}"


def _required(rows: list[Row]) -> Iterator[str]:
    joined: dict[str, set[str]] = defaultdict(set)
    types: dict[str, str] = {}
    for row in rows:
        types[row["part"]] = row["type"]
        if row["net"]:
            joined[row["part"]].add(row["pin"])
    for part, kind in sorted(types.items()):
        known = find_part(read_parts(), kind) if kind else None
        for pin, word in () if known is None else known.pins:
            if word in _MUST and pin not in joined[part]:
                yield f"{part} ({kind}) has its pin {pin} ({word}) on no net"
    for part, pins in sorted(joined.items()):
        for pin in sorted(pins & {"V+", "in+", "VA"}):
            ground = {"V+": "GND", "in+": "in-", "VA": "GND"}[pin]
            if ground not in pins:
                yield f"{part} has {pin} and no {ground}"
        if pins & {"1", "2"} and {"1", "2"} - pins and "R" in part.rpartition(".")[2]:
            yield f"{part} has one end only"


def _nets(rows: list[Row]) -> Iterator[str]:
    nets: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        if row["net"]:
            nets[row["net"]].append(row)
    for net, here in sorted(nets.items()):
        if len(here) < 2:
            yield f"{net} has one pin only"
        does: dict[str, list[Row]] = defaultdict(list)
        for row in here:
            does[row["does"]].append(row)
        drivers = {row["part"] for row in does["drives"]}
        if len(drivers) > 1:
            yield f"{net} is driven by {', '.join(sorted(drivers))}"
        sources = {row["part"] for row in does["feeds"]}
        if len(sources) > 1:
            yield f"{net} is fed by {', '.join(sorted(sources))}"
        if does["takes"] and not sources:
            yield f"{net} feeds {does['takes'][0]['part']} and has no source"
        if (does["takes"] or sources) and does["ground"]:
            yield f"{net} joins supply and ground"
        if drivers and (sources or does["ground"]):
            yield f"{net} ties the output of {', '.join(sorted(drivers))} to a supply or to ground"
        volts = {row["volts"] for row in does["feeds"] + does["takes"] if row["volts"]}
        if len(volts) > 1:
            yield f"{net} is at {', '.join(sorted(volts))} V"
        yield from _levels(net, here)


def _levels(net: str, here: list[Row]) -> Iterator[str]:
    highest = max((float(row["volts"]) for row in here if row["volts"]), default=0.0)
    for row in here:
        if row["max-volts"] and highest > float(row["max-volts"]):
            yield f"{net} is at {highest:g} V, {row['part']} {row['pin']} bears {row['max-volts']} V"
        known = find_part(read_parts(), row["type"]) if row["type"] else None
        if (
            known is not None
            and known.supply is not None
            and row["does"] == "takes"
            and row["volts"]
        ):
            low, high = (one / 1000 for one in known.supply)
            if not low <= float(row["volts"]) <= high:
                yield f"{net} feeds {row['part']} with {row['volts']} V, it lives on {low:g} to {high:g} V"
