"""From units to a choice: what cannot be met becomes findings, the rest is still chosen."""

from __future__ import annotations

from collections.abc import Sequence

from robokit_plan.model import Finding, Need

from ._conflict import explain, tell_alone
from ._search import Found, search
from ._units import Unit, asks_in
from ._world import World

_MOST_CONFLICTS = 8
"""Further ones would only repeat what a builder has to mend first."""


def settle(
    world: World, units: Sequence[Unit], findings: list[Finding]
) -> tuple[Found, tuple[Unit, ...]] | Need:
    """Return the choice for all *units* that can be met; the others are added to *findings*."""
    unread = {
        unit.ask.name
        for unit in units
        if world.project(unit.ask.name) is None
        and world.carried(unit.ask.name, [unit.ask.specifier]) is None
    }
    if unread:
        return Need(pages=tuple(sorted(unread)))
    kept = []
    for unit in units:
        alone = tell_alone(world, unit)
        if alone is None:
            kept.append(unit)
        else:
            findings.append(alone)
    for _ in range(_MOST_CONFLICTS):
        found = search(world, asks_in(kept))
        if isinstance(found, Need):
            return found
        if isinstance(found, Found):
            return found, tuple(kept)
        told = explain(world, kept, found)
        if isinstance(told, Need):
            return told
        findings.append(told.finding)
        if found.too_deep:
            break  # without a part it would take as long again
        kept.remove(told.without)
    return Found(chosen={}), ()
