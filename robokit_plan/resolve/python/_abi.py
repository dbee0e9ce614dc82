"""Wheels beside compiled modules of Debian that one environment shares."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.model import (
    Bound,
    Carried,
    Carrier,
    Finding,
    InstanceName,
    Need,
    Place,
    Severity,
    counted,
    finding,
    listed,
    replace,
)

from ._clash import clash_of
from ._conflict_repairs import repairs_of
from ._fixes import packages_fix
from ._pins import Installed
from ._problem import PythonRequirement
from ._search import Found, Stuck, search
from ._settle import find, with_archives
from ._units import Unit, asks_in, least_conflict
from ._world import World, suits

_MOST_CLASHES = 4
"""Further ones would only repeat what a builder has to mend first."""
_MOST_SHOWN = 2


def within_bounds(
    world: World, bounded: World, settled: tuple[Found, tuple[Unit, ...]], findings: list[Finding]
) -> tuple[Found, tuple[Unit, ...]] | Need:
    """
    Return *settled*, or where that breaks compiled modules of Debian, a choice that does not.

    What cannot be met so is left out and added to *findings*. *bounded* is *world* with Debian's
    bounds in force.
    """
    found, units = settled
    if not _breached(world, found):
        return settled
    kept = list(units)
    for _ in range(_MOST_CLASHES):
        again, seen = find(bounded, kept)
        if isinstance(again, Need):
            return again
        if isinstance(again, Found):
            return again, tuple(kept)
        least = least_conflict(seen, kept, again)
        if isinstance(least, Need):
            return least
        told = _explained(seen, kept, least, again)
        if isinstance(told, Need):
            return told
        findings.append(with_archives(told[0], seen))
        kept.remove(told[1])
    return Found(chosen={}), ()


def _breached(world: World, found: Found) -> bool:
    chosen = {one.name: one.release for one in found.chosen.values() if one.release is not None}
    return any(
        not suits(bound, chosen[bound.distribution])
        for bound in world.problem.carried.bounds
        if bound.distribution in chosen
    )


def _explained(
    world: World, units: Sequence[Unit], least: Sequence[Unit], stuck: Stuck
) -> tuple[Finding, Unit] | Need:
    """Return the finding about *least* of *units*, and the unit to leave out."""
    again = search(world, asks_in(least), budget=world.budget)
    if isinstance(again, Need):
        return again
    if isinstance(again, Found) or again.too_deep:
        again = stuck
    clash = clash_of(world, least, again)
    if isinstance(clash, Need):
        return clash
    mended = repairs_of(world, units, least)
    if isinstance(mended, Need):
        return mended
    every = world.problem.carried.bounds
    bounds = [one for one in every if one.distribution == clash.name] or list(every)
    on_card = not any(bound.wanted_by for bound in bounds)
    lines = _lines_that_see(world) if on_card else _lines_to(world, bounds)
    owners = sorted({line.instance for line in lines})
    without = _mends_without(world, units, owners, on_card=on_card)
    if isinstance(without, Need):
        return without
    shown = sorted(bounds, key=lambda one: (len(one.chain), one.package))[:_MOST_SHOWN]
    askers = sorted({name for unit in least for name in unit.instances})
    more = len({bound.package for bound in bounds} - {bound.package for bound in shown})
    first = shown[0]
    what = listed([f"{first.distribution}{one}" for one in first.versions], "or")
    needs = "lets Python see" if on_card else "needs"
    if len(owners) > 1:
        needs = "let Python see" if on_card else "need"
    told = finding(
        "abi-clash",
        Severity.ERROR,
        f"{listed(askers)} would break Debian's {first.package}, which {listed(owners)} {needs}: "
        f"it was compiled for {what}",
        places=[
            *(
                Place(origin=line.origin, label=f"{line.instance} asks for {line.text}")
                for unit in least
                for line in unit.lines
            ),
            *(
                Place(origin=line.origin, label=f"{line.instance} asks Debian for {line.text}")
                for line in lines
            ),
        ],
        why=[
            *(trail.text for trail in clash.trails),
            *(_chain_text(bound) for bound in shown),
            *(
                [f"so {'was' if more == 1 else 'were'} {counted(more, 'more package')} of Debian"]
                if more
                else []
            ),
            "the environment sees Debian's modules, and finds the files of the index first",
        ],
        repair=tuple(
            dict.fromkeys(
                [
                    *mended.eased,
                    *_instead(world, least),
                    *mended.disabled,
                    *([f"robokit-plan disable {' '.join(owners)}"] if without else []),
                ]
            )
        ),
        plugins=[*askers, *owners],
        resource=first.distribution,
    )
    return told, mended.without


def _mends_without(
    world: World, units: Sequence[Unit], owners: Sequence[InstanceName], *, on_card: bool
) -> bool | Need:
    """Return whether the other units hold together once *owners* ask Debian for nothing."""

    def stays(one: Carrier | Bound) -> bool:
        return not on_card and not set(one.wanted_by) <= set(owners)

    carried = world.problem.carried
    left = Carried(
        carriers=tuple(filter(stays, carried.carriers)), bounds=tuple(filter(stays, carried.bounds))
    )
    other = World(
        replace(world.problem, carried=left),
        world.snapshot,
        bounded=True,
        wheels_only=world.wheels_only,
    )
    others = [unit for unit in units if not set(unit.instances) <= set(owners)]
    found = search(other, asks_in(others), budget=world.budget)
    return found if isinstance(found, Need) else isinstance(found, Found)


def _chain_text(bound: Bound) -> str:
    """Say how a compiled package comes in and what it was compiled for."""
    needs = f"{bound.package} needs {listed(bound.interfaces, 'or')}"
    if not bound.wanted_by:
        return f"the card carries {bound.package}; {needs}"
    who = listed(bound.wanted_by)
    verb = "asks" if len(bound.wanted_by) == 1 else "ask"
    steps = [f"{who} {verb} Debian for {bound.chain[0]}"]
    steps += [
        f"{one} needs {other}" for one, other in zip(bound.chain, bound.chain[1:], strict=False)
    ]
    return "; ".join([*steps, needs])


def _lines_to(world: World, bounds: Iterable[Bound]) -> list[PythonRequirement]:
    """Return the Debian relations that bring in what *bounds* speak of."""
    roots = {(name, bound.chain[0]) for bound in bounds for name in bound.wanted_by}
    return [
        line
        for line in world.problem.debian_lines
        if any((line.instance, name) in roots for name in line.debian_names)
    ]


def _lines_that_see(world: World) -> list[PythonRequirement]:
    """Return the Debian relations for whose sake the environment sees what the card carries."""
    modules = {one.package for one in world.problem.carried.carriers}
    return [line for line in world.problem.debian_lines if modules.intersection(line.debian_names)]


def _instead(world: World, least: Iterable[Unit]) -> list[str]:
    """Name the Debian package with the same module, compiled for the same interface."""
    found = []
    for unit in least:
        for fact in world.facts.native.get(unit.ask.name, ()):
            package = fact.instead.get(world.target.release)
            if package is not None:
                found.append(packages_fix(package, unit.lines, f", in place of {unit.ask.name}"))
                break
    return found


def check_hidden(world: World, chosen: Installed) -> list[Finding]:
    """Return a note for each distribution that hides another version of it that Debian has."""
    found = []
    carriers = {
        name: carrier
        for carrier in world.problem.carried.carriers
        for name in carrier.distributions
    }
    for pin in chosen.pins:
        carrier = carriers.get(pin.name)
        if carrier is None or carrier.version == pin.version:
            continue
        has = carrier.version or carrier.package_version
        found.append(
            chosen.about(
                "distribution-hidden",
                Severity.NOTE,
                f"{pin.name} {pin.version} of the index hides Debian's {has} ({carrier.package})",
                pin.name,
                why=[
                    chosen.chain(pin.name),
                    f"{has} does not fit what is asked"
                    if carrier.version
                    else "which version Debian's metadata states is not known",
                    "Debian's other modules will use it too",
                ],
            )
        )
    return found
