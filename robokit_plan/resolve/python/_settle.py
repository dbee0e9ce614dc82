"""From units to a choice: what cannot be met becomes findings, the rest is still chosen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.model import DistributionName, Finding, Need, listed, replace

from ._conflict import explain, is_met_alone, tell_alone
from ._search import Found, Stuck, search
from ._units import Unit, asks_in
from ._world import Ask, World

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
    kept = [unit for unit in units if is_met_alone(world, unit)]
    for unit in units:
        if not is_met_alone(world, unit):
            alone = tell_alone(world, unit, kept)
            if isinstance(alone, Need):
                return alone
            findings.append(alone)
    for _ in range(_MOST_CONFLICTS):
        found, seen = find(world, kept)
        if isinstance(found, Need):
            return found
        if isinstance(found, Found):
            return found, tuple(kept)
        told = explain(seen, kept, found)
        if isinstance(told, Need):
            return told
        findings.append(with_archives(told.finding, seen))
        if found.too_deep:
            break  # without a part it would take as long again
        kept.remove(told.without)
    return Found(chosen={}), ()


def find(world: World, units: Sequence[Unit]) -> tuple[Found | Stuck | Need, World]:
    """
    Return what a search for *units* finds, and the world that it looked at.

    A source archive that does not say what it needs would go with anything, so where a wheel fits
    all that is asked of the same distribution, such archives are left out: what the
    wheels need is the truth about it, be it a choice or a conflict.
    """
    while True:
        found = search(world, asks_in(units))
        if not isinstance(found, Found):
            return found, world
        unknown = _unknown(world, units, found)
        if not unknown:
            return found, world
        world = world.without_archives(unknown)


def _unknown(world: World, units: Sequence[Unit], found: Found) -> set[DistributionName]:
    """Return what was taken as an archive of unknown needs although a wheel fits."""
    taken = [one.release for one in found.chosen.values() if one.release is not None]
    silent = {one.name for one in taken if not one.is_wheel and world.requires_dist(one) is None}
    if not silent:
        return set()
    asks = list(asks_in(units))
    for candidate in found.chosen.values():
        if candidate.release is not None:
            asks += world.asks(candidate.release, candidate.extra) or ()
    return {name for name in silent if _has_wheel(world, name, asks)}


def _has_wheel(world: World, name: DistributionName, asks: Iterable[Ask]) -> bool:
    project = world.project(name)
    if project is None:
        return False
    specifiers = [ask.specifier for ask in asks if ask.name == name]
    return any(one.is_wheel for one in world.matches(project, specifiers))


def with_archives(told: Finding, world: World) -> Finding:
    """Return *told* with what it left out."""
    if not world.wheels_only:
        return told
    names = listed(sorted(world.wheels_only))
    line = (
        f"source archives of {names} were left out: they do not say what they need, "
        "and `lock --build-metadata` would run their build code to learn it"
    )
    return replace(told, why=(*told.why, line))
