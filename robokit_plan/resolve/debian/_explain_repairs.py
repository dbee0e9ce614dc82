"""What would mend a set of wants that cannot be met: each repair was tried by searching with it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from robokit_plan.model import listed, replace

from ._problem import DebianWant
from ._relation import Alternative, Group, index_provides
from ._search import Law, Search
from ._universe import Universe

_MOST_DISABLED = 4
_MOST_CHANGED = 2


def repairs_of(
    universe: Universe,
    wants: Mapping[Group, Sequence[DebianWant]],
    others: Iterable[Group],
    core: Sequence[Group],
    proof: Iterable[Law],
) -> list[str]:
    """
    Return what mends *core*, what keeps most first.

    Args:
        wants: Every group with all who want it.
        others: The other groups; a repair gets along with as many as hold together.
        core: Groups that cannot be met together, although each smaller part can.
        proof: What refuses them.
    """
    refused = {str(law.group[0].name) for law in proof if law.kind == "refuse"}
    changes = [
        (group, other) for group in core for other in _wider(universe, group, wants[group], refused)
    ]
    groups = list(dict.fromkeys([*others, *core, *(other for _, other in changes)]))
    search = Search(universe, groups, every_version=True)
    place = {group: number for number, group in enumerate(groups)}

    def holds(some: Iterable[Group]) -> bool:
        return search.solve([place[group] for group in some]).packages is not None

    beside = list(others) if holds(others) else []
    found = []
    for group, other in changes:
        if holds([*beside, *(one for one in core if one != group), other]):
            text = " | ".join(map(str, other))
            files = sorted({want.origin.file for want in wants[group]})
            found.append(f'debian: {{packages: ["{text}"]}}   in {listed(files)}')
    disabled: list[tuple[str, ...]] = []
    for group in core:
        who = tuple(sorted({want.instance for want in wants[group]}))
        gone = {one for one in core if {want.instance for want in wants[one]} <= set(who)}
        if holds([*beside, *(one for one in core if one not in gone)]):
            disabled.append(who)
    disabled.sort(key=lambda who: (len(who), who))
    return [
        *found[:_MOST_CHANGED],
        *_unheld(universe, groups, [place[one] for one in (*beside, *core)], proof),
        *dict.fromkeys(
            f"robokit-plan disable {' '.join(who)}" for who in disabled[:_MOST_DISABLED]
        ),
    ]


def _unheld(
    universe: Universe, groups: Sequence[Group], wants: Sequence[int], proof: Iterable[Law]
) -> Iterator[str]:
    """Yield what lets go of the held packages of the base, where that helps."""
    held = {one.name for one in universe.installed.values() if one.held}
    named = {
        package.name for law in proof for package in (law.package, law.other) if package is not None
    } & held
    for names in dict.fromkeys((frozenset(named), frozenset(held))):
        if not names:
            continue
        loose = {
            name: replace(one, status="") if name in names else one
            for name, one in universe.installed.items()
        }
        free = Universe(
            archive=universe.archive,
            architecture=universe.architecture,
            locked=universe.locked,
            recommends=universe.recommends,
            installed=loose,
        )
        if Search(free, groups, every_version=True).solve(wants).packages is not None:
            yield (
                f"sudo apt-mark unhold {' '.join(sorted(names))}   on the robot, then take its "
                "/var/lib/dpkg/status again as the base"
            )
            return
        universe.missing |= free.missing


def _wider(
    universe: Universe, group: Group, wants: Sequence[DebianWant], refused: set[str]
) -> Iterator[Group]:
    """Yield *group* without its versions, and with a virtual name for which another may stand."""
    if any(want.build or want.label for want in wants):
        return  # no manifest says so
    bare = tuple(Alternative(one.name, qualifier=one.qualifier) for one in group)
    if bare != group:
        yield bare
    candidate = universe.candidate(group[0].name)
    if len(group) == 1 and candidate is not None:
        for virtual, *_ in index_provides(candidate.provides):
            if virtual in refused:
                yield (*group, Alternative(virtual))
