"""From wants and rows to pins and findings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from robokit_plan.model import (
    DebianArchive,
    DebianName,
    DebianPackage,
    DebianPin,
    Finding,
    Need,
    replace,
    sorted_findings,
)

from ._base import base_card, check_base
from ._explain import (
    check_absent,
    check_base_removed,
    check_component,
    check_conflict,
    check_lock_moved,
    check_old_name,
    check_syntax,
    group_text,
    sentence,
)
from ._explain_repairs import repairs_of
from ._greedy import Greedy
from ._problem import DebianAnswer, DebianProblem, DebianWant
from ._relation import Alternative, Group, RelationError, parse_relations
from ._search import Law, Search
from ._selection import Selection
from ._universe import Universe, bears, refuses

_WALKS = 4
"""At most so often is an answer walked through again; that one changes is rare, twice unseen."""
Wants = Mapping[Group, Sequence[DebianWant]]
"""Groups in canonical order, each with everybody who wants it."""


def resolve_debian(problem: DebianProblem, archive: DebianArchive) -> DebianAnswer | Need:
    """
    Return what has to be added to the base card so that every want is met.

    The choice is apt's own where apt finds one; where apt's first choices fail, any selection
    that holds is searched for, so `debian-conflict` means that there is none. The wants' order
    never matters.

    Returns:
        The answer, or the names whose rows are still to be read.
    """
    base = base_card(archive, problem.architecture)
    if isinstance(base, Need):
        return base
    findings: list[Finding] = []
    wants = _grouped(problem, findings)
    universe = Universe(
        archive=archive,
        architecture=problem.architecture,
        locked=problem.locked,
        recommends=problem.recommends,
        installed=base,
    )
    possible = _possible(universe, problem, wants, findings)
    if universe.missing:
        return Need(debian=tuple(sorted(universe.missing)))
    selection = _select(universe, problem, possible, findings)
    if universe.missing or selection is None:
        return Need(debian=tuple(sorted(universe.missing)))
    findings += check_base(problem, archive)
    return _answer(universe, problem, wants, selection, findings)


def _grouped(problem: DebianProblem, findings: list[Finding]) -> dict[Group, list[DebianWant]]:
    grouped: dict[Group, list[DebianWant]] = {}
    for want in sorted(problem.wanted, key=lambda one: (one.instance, one.origin, one.text)):
        try:
            groups = parse_relations(want.text, problem.architecture)
        except RelationError as error:
            findings.append(check_syntax(want, error))
            continue
        for group in groups:
            grouped.setdefault(group, []).append(want)
    return {group: grouped[group] for group in sorted(grouped, key=group_text)}


def _possible(
    universe: Universe, problem: DebianProblem, wants: Wants, findings: list[Finding]
) -> dict[Group, Sequence[DebianWant]]:
    """Return the wants that some version of some package satisfies; findings for the others."""
    for group in wants:
        for alternative in group:
            if universe.is_read(alternative.name):
                for package in universe.row(alternative.name).providers:
                    universe.is_read(package.name)
    possible: dict[Group, Sequence[DebianWant]] = {}
    if universe.missing:
        return possible
    for group, some in wants.items():
        if any(_exists(universe, alternative) for alternative in group):
            possible[group] = some
            if (note := check_old_name(universe, problem, group, some)) is not None:
                findings.append(note)
        else:
            findings.append(check_absent(universe, problem, group, some))
    return possible


def _exists(universe: Universe, alternative: Alternative) -> bool:
    installed = universe.installed.get(alternative.name)
    if installed is not None and bears(alternative, installed):
        return True
    row = universe.row(alternative.name)
    return (
        any(bears(alternative, package) for package in row.packages)
        or any(universe.offers(alternative, package) for package in row.providers)
        or any(
            universe.offers(alternative, package)
            for package in universe.installed.values()
            if package.provides
        )
    )


def _select(
    universe: Universe,
    problem: DebianProblem,
    wants: Mapping[Group, Sequence[DebianWant]],
    findings: list[Finding],
) -> Selection | None:
    """Return a selection for as many of *wants* as can be; None: rows are missing."""
    walk = Greedy(universe)
    fine = walk.ask(wants)
    if universe.missing:
        return None
    # A later want may have pushed out what an earlier one had chosen, so all are looked at again.
    fine = fine and all(walk.selection.meets(group) for group in wants)
    if fine and not walk.selection.breaches(ignore=universe.installed):
        return walk.selection
    groups = list(wants)
    everything = range(len(groups))
    search = Search(universe, groups)
    if universe.missing:
        return None
    outcome = search.solve(everything)
    if outcome.packages is None:
        search = Search(universe, groups, every_version=True)
        if universe.missing:
            return None
        outcome = search.solve(everything)
    left = list(everything)
    while outcome.packages is None:
        core = _irreducible(search, left)
        refused = search.solve(core)
        members = [(groups[place], wants[groups[place]]) for place in core]
        left = [place for place in left if place not in core]
        repairs = repairs_of(
            universe,
            wants,
            others=[groups[place] for place in left],
            core=[group for group, _ in members],
            proof=refused.proof,
        )
        if universe.missing:
            return None
        findings.append(check_conflict(problem, universe, members, refused.proof, repairs))
        outcome = search.solve(left)
    packages = outcome.packages
    if not outcome.removed:
        again = _walked_again(universe, [groups[place] for place in left], packages)
        if universe.missing:
            return None
        if again is not None:
            return again
    findings += _removals(universe, problem, search, left, outcome.removed, packages, groups, wants)
    ordered = [
        *(packages[name] for name in universe.installed if name in packages),
        *(package for name, package in packages.items() if name not in universe.installed),
    ]
    selection = Selection(universe, ordered)
    if universe.recommends:
        Greedy(universe, start=selection, wishes=False).add_wishes(groups)
        if universe.missing:
            return None
    return selection


def _walked_again(
    universe: Universe, groups: Sequence[Group], packages: Mapping[DebianName, DebianPackage]
) -> Selection | None:
    """
    Return what the walk in apt's order makes of the versions that the search found.

    The search may have turned to a later alternative before an older version opened the first one
    again; and a lock of the answer has to lead to the answer. None: the walk does not get through.
    """
    kept: Selection | None = None
    for _ in range(_WALKS):
        found = {
            name: package.version
            for name, package in packages.items()
            if universe.installed.get(name) != package
        }
        wanted = replace(
            universe, locked={**universe.locked, **found}, _candidates={}, _providers={}
        )
        walk = Greedy(wanted)
        fine = walk.ask(groups)
        if wanted.missing:  # the same set as of *universe*
            return None
        fine = fine and all(walk.selection.meets(group) for group in groups)
        if not fine or walk.selection.breaches(ignore=universe.installed):
            return kept
        kept = walk.selection
        if kept.packages == packages:
            return kept
        packages = dict(kept.packages)
    return kept


def _irreducible(search: Search, wants: Iterable[int]) -> list[int]:
    """Return a part of *wants* that fails, every part of which holds."""
    core = list(wants)
    alone = [place for place in core if search.solve([place]).packages is None]
    if alone:
        return alone[:1]
    place = 0
    while place < len(core):
        smaller = core[:place] + core[place + 1 :]
        outcome = search.solve(smaller)
        if outcome.packages is None:
            # Only what the refusal speaks of can matter; what was needed before still is.
            spoken = {law.want for law in outcome.proof if law.kind == "want"}
            core = [one for one in smaller if one in spoken]
        else:
            place += 1
    return core


def _removals(
    universe: Universe,
    problem: DebianProblem,
    search: Search,
    wants: Sequence[int],
    removed: Sequence[DebianName],
    packages: Mapping[DebianName, DebianPackage],
    groups: Sequence[Group],
    by_group: Mapping[Group, Sequence[DebianWant]],
) -> list[Finding]:
    if not removed:
        return []
    core = [
        place for place in wants if search.solve([place], removable=False).packages is None
    ] or list(wants)
    some = [want for place in core for want in by_group[groups[place]]]
    return [
        check_base_removed(name, some, _reason_to_go(universe, problem, name, packages))
        for name in removed
    ]


def _reason_to_go(
    universe: Universe,
    problem: DebianProblem,
    name: DebianName,
    packages: Mapping[DebianName, DebianPackage],
) -> str:
    """Return what a package that stays has against *name*, or the other way round."""
    old = universe.installed[name]
    staying = [packages[one] for one in sorted(packages)]
    pairs = [(one, old) for one in staying] + [(old, one) for one in staying]
    for owner, other in pairs:
        for refused in universe.refusals(owner):
            if refuses(refused, owner, other):
                return sentence(universe, problem, Law("refuse", owner, (refused,), other))
    return "what it depends on is gone"


def _answer(
    universe: Universe,
    problem: DebianProblem,
    wants: Wants,
    selection: Selection,
    findings: list[Finding],
) -> DebianAnswer:
    base = universe.installed
    leads = _leads(universe, selection)
    wanted_by: dict[DebianName, set[DebianWant]] = {}
    direct: set[DebianName] = set()
    # One walk for all wants of an instance; builds apart, to know what nothing else needs.
    roots: dict[tuple[str, bool], tuple[DebianWant, set[DebianName]]] = {}
    for group, some in wants.items():
        met = _met_by(selection, group)
        direct |= met
        for want in some:
            roots.setdefault((want.instance, want.build), (want, set()))[1].update(met)
    for want, start in roots.values():
        for name in _closure(leads, start):
            wanted_by.setdefault(name, set()).add(want)
    everybody = {want for want, _ in roots.values()}
    # Whatever moved the base, the moved version belongs to the answer, with all that it needs; so
    # does what the base needs in place of what goes.
    moved = [name for name, one in selection.packages.items() if base.get(name, one) != one]
    for name in _closure(leads, [*moved, *_stand_ins(universe, selection)]):
        wanted_by.setdefault(name, everybody)
    chosen = {
        name: package
        for name, package in selection.packages.items()
        if base.get(name) != package and name in wanted_by
    }
    pins = []
    build_only = []
    for name in sorted(chosen):
        package = chosen[name]
        askers = sorted(wanted_by[name], key=lambda one: (one.instance, one.origin, one.text))
        if all(want.build for want in askers):
            build_only.append(name)
        pins.append(
            DebianPin(
                name=name,
                version=package.version,
                architecture=package.architecture,
                suite=package.suite,
                source=package.source,
                filename=package.filename,
                size=package.size,
                installed_size=package.installed_size,
                sha256=package.sha256,
                wanted_by=tuple(sorted({want.instance for want in askers})),
                direct=name in direct,
                requires=_requires(universe, selection, package, chosen),
            )
        )
        if (extra := check_component(package, askers)) is not None:
            findings.append(extra)
        locked = problem.locked.get(name)
        if locked is not None and locked != package.version:
            versions = {one.version for one in universe.row(name).packages}
            if locked not in versions:
                findings.append(check_lock_moved(name, locked, package.version, askers))
    removed = tuple(sorted(name for name in base if name not in selection.packages))
    return DebianAnswer(
        pins=tuple(pins),
        build_only=tuple(build_only),
        removed=removed,
        base=base,
        added=chosen,
        findings=sorted_findings(findings),
    )


def _closure(
    leads: Mapping[DebianName, Iterable[DebianName]], start: Iterable[DebianName]
) -> set[DebianName]:
    """Return *start* and all that it leads to."""
    seen = set(start)
    stack = sorted(seen)
    while stack:
        for name in leads.get(stack.pop(), ()):
            if name not in seen:
                seen.add(name)
                stack.append(name)
    return seen


def _stand_ins(universe: Universe, selection: Selection) -> set[DebianName]:
    """Return what meets a need of the base that what goes from it has met before."""
    base = universe.installed
    if base.keys() <= selection.packages.keys():
        return set()
    found: set[DebianName] = set()
    for name, package in base.items():
        if selection.packages.get(name) != package:
            continue
        for group in universe.needs(package):
            met = [one for alternative in group for one in selection.meeting(alternative)]
            if met and all(base.get(one.name) != one for one in met):
                found.update(one.name for one in met)
    return found


def _requires(
    universe: Universe,
    selection: Selection,
    package: DebianPackage,
    chosen: Mapping[DebianName, DebianPackage],
) -> tuple[DebianName, ...]:
    """Return what of *chosen* meets the needs of *package*, sorted."""
    met = {name for group in universe.needs(package) for name in _met_by(selection, group)}
    return tuple(sorted(name for name in met if name in chosen and name != package.name))


def _met_by(selection: Selection, group: Group) -> set[DebianName]:
    for alternative in group:
        met = {package.name for package in selection.meeting(alternative)}
        if met:
            return met
    return set()


def _leads(universe: Universe, selection: Selection) -> dict[DebianName, set[DebianName]]:
    """
    Return chosen name -> chosen names that satisfy its relations.

    Every one that satisfies counts, and recommendations do even where none were asked for: so
    does apt when it decides what is no longer needed. The base leads nowhere unless it changed.
    """
    base = universe.installed
    leads: dict[DebianName, set[DebianName]] = {}
    for name, package in selection.packages.items():
        if base.get(name) == package:
            continue
        reached = leads.setdefault(name, set())
        for group in (*universe.needs(package), *universe.wishes(package)):
            for alternative in group:
                reached.update(
                    other.name
                    for other in selection.meeting(alternative)
                    if base.get(other.name) != other
                )
        # What an upgrade of the base breaks or leaves behind is upgraded because of it.
        if name in base:
            reached.update(
                other
                for other, changed in selection.packages.items()
                if other in base and base[other] != changed
            )
    for package in selection.packages.values():
        if base.get(package.name) == package:
            continue
        # A package of the base moves because of what breaks its old version ...
        for alternative in universe.refusals(package):
            old = base.get(alternative.name)
            if old is not None and selection.packages.get(old.name) not in {None, old}:
                leads[package.name].add(old.name)
    for name, old in base.items():
        if selection.packages.get(name) in {None, old}:
            continue
        # ... or because of what its old version breaks.
        for alternative in universe.refusals(old):
            for other in selection.refused_by(old, alternative):
                if other.name in leads:
                    leads[other.name].add(name)
    return leads
