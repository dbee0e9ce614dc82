"""Batteries: what they may give, how long they last, and what keeps them from burning."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import (
    Battery,
    Cell,
    Finding,
    Milliamp,
    Place,
    Severity,
    Supply,
    current_text,
    finding,
    volt_text,
)

from .circuit import Wiring
from .power import Budget

FUSES = (
    1000, 2000, 3000, 4000, 5000, 7500, 10_000, 15_000, 20_000, 25_000, 30_000, 35_000, 40_000,
    50_000, 60_000, 70_000, 80_000,
)  # fmt: skip
"""Ratings of blade fuses, mA (ISO 8820-3: from memory)."""
_LEVEL_PERCENT = 15
"""By how much a declared voltage may miss that of its cells: between nominal and full."""


def discharge_limit(battery: Battery) -> Milliamp | None:
    """Return the current that the cells bear, capacity times C; None where C is not declared."""
    if battery.discharge_tenth_c is None:
        return None
    return Milliamp(battery.capacity * battery.discharge_tenth_c // 10)


def fuse_for(load: int, wire: int | None = None) -> Milliamp | None:
    """
    Return the smallest fuse above *load* mA that protects a wire for *wire* mA; None: none does.

    Source:
        facts/electrical.yaml check fuse, I_load_peak < I_fuse <= I_wire: common practice
    """
    fits = (one for one in FUSES if one > load and (wire is None or one <= wire))
    return next((Milliamp(one) for one in fits), None)


def check_batteries(wiring: Wiring, rails: tuple[Budget, ...]) -> Iterator[Finding]:
    """Return what is wrong with the batteries behind the rails."""
    for rail in rails:
        if rail.supply is None or rail.supply.battery is None:
            continue
        battery = rail.supply.battery
        cell = wiring.cell_of(battery)
        yield from _discharge(rail, rail.supply, battery)
        yield from _fuse(rail, rail.supply, battery)
        if cell is not None:
            yield from _level(rail.supply, battery, cell)
            yield from _cut_off(rail.supply, battery, cell)


def _place(supply: Supply, battery: Battery) -> Place:
    return Place(origin=battery.origin, label=f"battery of {supply.name}")


def _discharge(rail: Budget, supply: Supply, battery: Battery) -> Iterator[Finding]:
    limit = discharge_limit(battery)
    if limit is None or rail.rail.peak <= limit:
        return
    need = -(-rail.rail.peak * 10 // battery.capacity)
    yield finding(
        "battery-overload",
        Severity.ERROR,
        f"{supply.name} bears {current_text(limit)}, up to {current_text(rail.rail.peak)} "
        "are drawn",
        places=[_place(supply, battery)],
        why=f"{battery.capacity} mAh x {_tenth(battery.discharge_tenth_c or 0)} C; the load is "
        "reckoned at the lowest voltage of the cells, where converters draw most",
        repair=[
            f"supplies: {{{supply.name}: {{battery: {{discharge-c: {_tenth(need)}}}}}}}   with "
            "cells that are rated for it",
            f"supplies: {{{supply.name}: {{battery: {{capacity-mah: "
            f"{-(-rail.rail.peak * 10 // max(1, battery.discharge_tenth_c or 1))}}}}}}}   with a "
            "larger pack",
        ],
        plugins=_consumers(rail),
        resource=supply.name,
    )


def _consumers(rail: Budget) -> list[str]:
    return sorted(
        {one.load.instance for one in rail.draws if one.load.claim not in {"converter", "branch"}}
        - {"board"}
    )


def _tenth(value: int) -> str:
    return f"{value // 10}" if value % 10 == 0 else f"{value // 10}.{value % 10}"


def _ampere(value: int) -> str:
    return f"{value / 1000:g}"


def _fuse(rail: Budget, supply: Supply, battery: Battery) -> Iterator[Finding]:
    ceiling = min(
        (one for one in (supply.max_current, discharge_limit(battery)) if one is not None),
        default=None,
    )
    wanted = fuse_for(rail.rail.peak, ceiling)
    repair = (
        [
            f"supplies: {{{supply.name}: {{battery: {{fuse-a: {_ampere(wanted)}}}}}}}   "
            "fitted at the pack"
        ]
        if wanted
        else [f"supplies: {{{supply.name}: {{max-ma: …}}}}   no fuse lies between load and limit"]
    )
    if battery.fuse is None:
        yield finding(
            "fuse-missing",
            Severity.WARNING,
            f"nothing fuses {supply.name}",
            places=[_place(supply, battery)],
            why="a shorted pack gives hundreds of amperes; the fuse sits at its terminal",
            repair=repair,
            resource=supply.name,
        )
    elif battery.fuse <= rail.rail.peak:
        yield finding(
            "fuse-mismatch",
            Severity.WARNING,
            f"the fuse of {supply.name} blows at {current_text(battery.fuse)}, up to "
            f"{current_text(rail.rail.peak)} are drawn",
            places=[_place(supply, battery)],
            why="I_load < I_fuse <= I_wire",
            repair=repair,
            resource=supply.name,
        )
    elif ceiling is not None and battery.fuse > ceiling:
        yield finding(
            "fuse-mismatch",
            Severity.WARNING,
            f"the fuse of {supply.name} holds {current_text(battery.fuse)}, what it protects bears "
            f"{current_text(ceiling)}",
            places=[_place(supply, battery)],
            why="I_load < I_fuse <= I_wire",
            repair=repair,
            resource=supply.name,
        )


def _level(supply: Supply, battery: Battery, cell: Cell) -> Iterator[Finding]:
    lowest, highest = cell.nominal * battery.cells, cell.full * battery.cells
    slack = lowest * _LEVEL_PERCENT // 100
    if lowest - slack <= supply.volts <= highest + slack:
        return
    yield finding(
        "battery-level-wrong",
        Severity.WARNING,
        f"{battery.cells} {battery.chemistry} cells make {volt_text(lowest)}, "
        f"{supply.name} says {volt_text(supply.volts)}",
        places=[_place(supply, battery)],
        why=f"{volt_text(cell.nominal)} a cell, {volt_text(cell.full)} when full; the charger is "
        "set by the number of cells",
        repair=[
            f"supplies: {{{supply.name}: {{volts: {lowest / 1000:g}}}}}",
            f"supplies: {{{supply.name}: {{battery: {{cells: "
            f"{max(1, round(supply.volts / cell.nominal))}}}}}}}",
        ],
        resource=supply.name,
    )


def _cut_off(supply: Supply, battery: Battery, cell: Cell) -> Iterator[Finding]:
    if not cell.lithium or battery.cut_off or battery.protected:
        return
    yield finding(
        "cut-off-missing",
        Severity.WARNING,
        f"nothing cuts {supply.name} off before its cells are empty",
        places=[_place(supply, battery)],
        why=f"below {volt_text(cell.empty)} a cell is damaged, and burns when it is charged again",
        repair=[
            f"supplies: {{{supply.name}: {{battery: {{cut-off: true}}}}}}   with a cut-off at "
            f"{volt_text(cell.empty * battery.cells)} fitted",
            f"supplies: {{{supply.name}: {{battery: {{protected: true}}}}}}   if the pack has a "
            "protection board",
        ],
        resource=supply.name,
    )
