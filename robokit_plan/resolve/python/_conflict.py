"""A set of requirements that cannot be met, told as findings, and what would mend it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.model import (
    DistributionName,
    Finding,
    Need,
    Place,
    Severity,
    dataclass,
    finding,
    listed,
    near_names,
)

from ._clash import Clash, Trail, clash_of
from ._conflict_repairs import repairs_of
from ._fixes import packages_fix, requires_fix
from ._offers import Lack, Refusal, refusal_of, wheel_targets
from ._parsing import is_exact
from ._releases import Release
from ._search import Found, Stuck, search
from ._units import Unit, asks_in, least_conflict
from ._world import METADATA, PYTHON, World
from .target import target_for

_MOST_REPAIRS = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """A finding, and the unit to leave out so that the rest can still be planned."""

    finding: Finding
    without: Unit


def explain(world: World, units: Sequence[Unit], stuck: Stuck) -> Told | Need:
    """Return the finding for a search over *units* that ended in *stuck*."""
    if stuck.too_deep:
        return Told(finding=_too_deep(units), without=units[-1])
    least = least_conflict(world, units, stuck)
    if isinstance(least, Need):
        return least
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
    if len(clash.trails) == 1 and len(least) == 1:
        told = tell_trail(world, clash.trails[0], mended.eased)
    else:
        told = _tell_clash(world, least, clash, (*mended.eased, *mended.disabled))
    return Told(finding=told, without=mended.without)


def is_met_alone(world: World, unit: Unit) -> bool:
    """Return whether some release fits *unit*, whatever that needs in turn, or may once read."""
    project = world.project(unit.ask.name)
    return project is None or bool(world.matches(project, [unit.ask.specifier]))


def tell_alone(world: World, unit: Unit, others: Sequence[Unit]) -> Finding | Need:
    """Return why nothing fits *unit* by itself, and what would beside *others*."""
    mended = repairs_of(world, [unit, *others], [unit])
    if isinstance(mended, Need):
        return mended
    return tell_trail(world, Trail(unit=unit), mended.eased)


# Findings


def _places(units: Iterable[Unit]) -> list[Place]:
    return [
        Place(origin=line.origin, label=f"{line.instance} asks for {line.text}")
        for unit in units
        for line in unit.lines
    ]


def _instances(units: Iterable[Unit]) -> list[str]:
    return sorted({instance for unit in units for instance in unit.instances})


def _tell_clash(
    world: World, least: Sequence[Unit], clash: Clash, repairs: tuple[str, ...]
) -> Finding:
    who = _instances(least)
    what = "Python" if clash.name == PYTHON else clash.name
    if clash.name == METADATA:
        # Each release has its own; that none of a project can be used is told by the trails.
        what = next(one.release.name for one in clash.trails if one.release is not None)
    if len(least) == 1:
        asks = "asks" if len(who) == 1 else "ask"
        message = f"{listed(who)} {asks} for {least[0].text}, which cannot be installed"
        message += f": what comes with it leaves no {what}" if clash.whole else ""
    elif len(who) == 1:
        message = f"what {who[0]} asks for cannot be installed together"
        message += f": no {what} suits all of it" if clash.whole else ""
    else:
        message = f"{listed(who)} cannot share one Python"
        message += f": no version of {what} suits all of them" if clash.whole else ""
    trails = (*clash.trails, *clash.narrowing)
    why = [trail.text for trail in trails]
    told = {trail.unit for trail in trails}
    why += [Trail(unit=unit).text for unit in least if unit not in told]
    why += _no_other_helps(world, clash.trails)
    if not clash.whole and not clash.narrowing:
        why.append("every other choice of releases fails too, at one place or another")
    return finding(
        "python-conflict",
        Severity.ERROR,
        message,
        places=_places(least),
        why=why,
        repair=repairs,
        plugins=who,
        resource=None if clash.name == PYTHON else what,
    )


def _no_other_helps(world: World, trails: Iterable[Trail]) -> list[str]:
    """Say which releases a unit would have allowed besides the one in its trail."""
    found = []
    for unit in {id(trail.unit): trail.unit for trail in trails if trail.length}.values():
        project = world.project(unit.ask.name)
        if project is None or is_exact(unit.ask.specifier):
            continue
        allowed = sorted(one.version for one in world.matches(project, [unit.ask.specifier]))
        if len(allowed) > 1:
            found.append(
                f"none of the {len(allowed)} releases of {unit.ask.name} that "
                f"{listed(unit.instances)} would take helps ({allowed[0]} to {allowed[-1]})"
            )
    return sorted(found)


def _too_deep(units: Sequence[Unit]) -> Finding:
    return finding(
        "python-search-too-long",
        Severity.ERROR,
        "no consistent set of Python distributions was found in reasonable time",
        places=_places(units),
        why="very many releases exclude each other; there may still be a set that works",
        repair=[
            requires_fix(
                f"{units[0].ask.name}==…",
                units[0].lines[:1],
                ", and likewise for others that you know to work together",
            )
        ],
        plugins=_instances(units),
    )


def tell_trail(world: World, trail: Trail, repairs: tuple[str, ...]) -> Finding:
    """Return the finding about one ask that nothing satisfies by itself."""
    ask = trail.ask
    if ask.name == PYTHON:
        return _tell_python(world, trail, repairs)
    if ask.name == METADATA and trail.release is not None:
        return _tell_invalid(world, trail, trail.release, repairs)
    project = world.project(ask.name)
    if project is None:
        raise LookupError(ask.name)
    refusal = refusal_of(world, project, ask.specifier)
    disable = "robokit-plan disable " + " ".join(trail.unit.instances)
    rest = tuple(one for one in repairs if one != disable)
    match refusal.lack:
        case Lack.PROJECT:
            return _tell_missing(world, trail, refusal, (*rest, disable))
        case Lack.VERSION | Lack.DATE | Lack.YANKED | Lack.AVOIDED:
            return _tell_version(world, trail, refusal, (*rest, disable))
        case Lack.PYTHON:
            return _tell_other_pythons(world, trail, refusal, (*rest, disable))
        case Lack.WHEEL | Lack.SDIST:
            return _tell_no_file(world, trail, refusal, (*rest, disable))


def _found(
    world: World,
    rule: str,
    message: str,
    trail: Trail,
    why: Iterable[str],
    repair: Iterable[str],
) -> Finding:
    chain = [trail.text] if trail.length else []
    return finding(
        rule,
        Severity.ERROR,
        message,
        places=_places([trail.unit]),
        why=[*chain, *why, *_no_other_helps(world, [trail])],
        repair=tuple(dict.fromkeys(repair))[: _MOST_REPAIRS + 1],
        plugins=trail.unit.instances,
        resource=trail.ask.name,
    )


def _tell_missing(
    world: World, trail: Trail, refusal: Refusal, repairs: tuple[str, ...]
) -> Finding:
    name = refusal.name
    why, mend = [], []
    mistaken = world.facts.mistaken.get(name)
    served = world.only_index(name)
    if mistaken is not None:
        why.append(f"the module {mistaken.module} comes from {mistaken.meant}")
        mend.append(mistaken.meant)
    elif name in world.facts.modules:
        fact = world.facts.modules[name]
        why.append(f"the module {fact.module} comes from {listed(fact.distributions, 'or')}")
        mend.extend(fact.distributions[:1])
    elif not trail.length:
        near = near_names(name, sorted(world.known_names()), 1, cutoff=0.8)
        why += [f"{near[0]} has a similar name" for _ in near]
        mend.extend(DistributionName(one) for one in near)
    if served:
        why.append(f"under `indexes` of robot.yaml only {served} may serve it")
    message = f"no Python index has {name}"
    if served:
        message = f"the index {served} does not have {name}"
    if trail.length:
        mend = []
    return _found(
        world,
        "distribution-missing",
        message,
        trail,
        why or ["names on the index and names to import differ: check the spelling"],
        [*(requires_fix(one, trail.unit.lines, f", in place of {name}") for one in mend), *repairs],
    )


def _tell_version(
    world: World, trail: Trail, refusal: Refusal, repairs: tuple[str, ...]
) -> Finding:
    text = trail.ask.text
    newest, oldest = refusal.known[0].version, refusal.known[-1].version
    if refusal.lack is Lack.DATE:
        message = f"no release that fits {text} was there on {world.problem.as_of}"
        first = min((one.uploaded for one in refusal.matching if one.uploaded), default="")
        why = [f"the first that fits came on {first[:10]}"]
        more = [f"robokit-plan lock --as-of {first[:10]}"]
    elif refusal.lack is Lack.YANKED:
        message = f"all releases that fit {text} were withdrawn by their makers"
        one = refusal.matching[0]
        reasons = sorted({file.yanked for file in one.files if file.yanked})
        why = [f"{one.version}: {listed(reasons) or 'no reason given'}"]
        more = []
    elif refusal.lack is Lack.AVOIDED:
        message = f"the releases that fit {text} are of no use"
        why = [
            f"{fact.reason} ({fact.source})"
            for fact in world.facts.constraints.get(refusal.name, ())
            if fact.avoid
        ]
        more = []
    else:
        message = f"no release of {refusal.name} fits {text}"
        why = [
            f"the index has {oldest} to {newest}"
            if newest != oldest
            else f"the index has {newest} only"
        ]
        more = []
    rule = "yanked-release" if refusal.lack is Lack.YANKED else "version-missing"
    return _found(world, rule, message, trail, why, [*more, *repairs])


def _tell_other_pythons(
    world: World, trail: Trail, refusal: Refusal, repairs: tuple[str, ...]
) -> Finding:
    offer = refusal.matching[0]
    texts = sorted({file.requires_python for file in offer.files if file.requires_python})
    return _found(
        world,
        "requires-python-conflict",
        f"{trail.ask.text} is not for the robot's Python {world.target.python}",
        trail,
        [f"{refusal.name} {offer.version} needs Python {listed(texts, 'or')}"],
        _with_releases(world, trail, refusal, repairs),
    )


def _tell_python(world: World, trail: Trail, repairs: tuple[str, ...]) -> Finding:
    release = trail.release
    who = trail.unit.text if release is None else f"{release.name} {release.version}"
    return finding(
        "requires-python-conflict",
        Severity.ERROR,
        f"{who} is not for the robot's Python {world.target.python}",
        places=_places([trail.unit]),
        why=[trail.text],
        repair=(*repairs, "robokit-plan disable " + " ".join(trail.unit.instances)),
        plugins=trail.unit.instances,
        resource=None if release is None else release.name,
    )


def _tell_invalid(
    world: World, trail: Trail, release: Release, repairs: tuple[str, ...]
) -> Finding:
    return finding(
        "metadata-invalid",
        Severity.ERROR,
        f"{release.name} {release.version} cannot be taken: {trail.ask.text}",
        places=_places([trail.unit]),
        why=[
            *([trail.text] if trail.length > 1 else []),
            *_no_other_helps(world, [trail]),
            "pip passes such a release over, and no other one is left",
        ],
        repair=(*repairs, "robokit-plan disable " + " ".join(trail.unit.instances)),
        plugins=trail.unit.instances,
        resource=release.name,
    )


def _tell_no_file(
    world: World, trail: Trail, refusal: Refusal, repairs: tuple[str, ...]
) -> Finding:
    offer = next((one for one in refusal.matching if one.wheels), refusal.matching[0])
    machine = f"Python {world.target.python} on {world.target.markers['platform_machine']}"
    more: list[str] = []
    if refusal.lack is Lack.SDIST:
        message = f"no release that fits {trail.ask.text} has a source archive"
        why = [f"{refusal.name} is listed under `sdists` of `system` in robot.yaml"]
        more.append(f"take {refusal.name} out of `sdists`   in robot.yaml")
    else:
        message = f"no file of {trail.ask.text} works with {machine}"
        targets = wheel_targets(offer.wheels, world.target)
        why = [
            f"wheels of {offer.version} are for {', and for '.join(targets)}"
            if targets
            else f"wheels of {offer.version} are for other systems"
            if offer.wheels
            else f"{offer.version} has no file of a known kind"
        ]
        if not offer.sdists:
            why.append("there is no source archive to build from")
        more += _debian_repairs(world, trail, refusal.name)
        repairs = _with_releases(world, trail, refusal, repairs)
    return _found(world, "wheel-missing", message, trail, why, [*more, *repairs])


def _debian_repairs(world: World, trail: Trail, name: DistributionName) -> list[str]:
    """Name the Debian package with the same module, where the facts know one."""
    if trail.length:
        return []
    for fact in world.facts.native.get(name, ()):
        package = fact.instead.get(world.target.release)
        if package is not None:
            return [packages_fix(package, trail.unit.lines, f", in place of {name}")]
    return []


def _with_releases(
    world: World, trail: Trail, refusal: Refusal, repairs: tuple[str, ...]
) -> tuple[str, ...]:
    """Return *repairs* with those by another Debian release after what opens the line itself."""
    own = 0 if trail.length else len(repairs) - 1
    return (*repairs[:own], *_release_repairs(world, refusal), *repairs[own:])


def _release_repairs(world: World, refusal: Refusal) -> list[str]:
    """Name a Debian release whose Python has a fitting file."""
    here = world.target
    found = []
    for release in sorted(world.facts.releases):
        if release == here.release:
            continue
        there = target_for(release, here.architecture, here.image, None, world.facts)
        elsewhere = world.elsewhere(there, refusal.name)
        versions = {one.version for one in elsewhere.releases if one.is_wheel}
        if any(offer.version in versions for offer in refusal.matching):
            found.append(
                f"system: {{release: {release}}}   in robot.yaml, for its Python {there.python}"
            )
    return found
