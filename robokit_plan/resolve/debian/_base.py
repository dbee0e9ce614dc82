"""What a fresh card carries before anything is added."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import (
    DebianArchive,
    DebianName,
    DebianPackage,
    Finding,
    Need,
    Severity,
    counted,
    finding,
    listed,
)

from ._greedy import Greedy
from ._problem import DebianProblem
from ._selection import Selection
from ._universe import Universe

_MOST_LINES = 6
_FETCHED = "then take its /var/lib/dpkg/status again as the base"


def base_card(
    archive: DebianArchive, architecture: str
) -> Mapping[DebianName, DebianPackage] | Need:
    """
    Return the packages of the base card, name -> package.

    A status file is complete in itself. Otherwise `archive.base` holds the packages of Priority
    required and important and the essential ones (Policy 2.5, 3.8), and what they depend on is
    added in apt's order, without recommendations, as an image builder does it.
    """
    if archive.base_complete:
        return archive.base
    universe = Universe(archive=archive, architecture=architecture)
    walk = Greedy(universe)
    seeds = [universe.candidate(name) for name in sorted(archive.base)]
    walk.take(seed for seed in seeds if seed is not None)
    if universe.missing:
        return Need(debian=tuple(sorted(universe.missing)))
    return {name: walk.selection.packages[name] for name in sorted(walk.selection.packages)}


def check_base(problem: DebianProblem, archive: DebianArchive) -> list[Finding]:
    """
    Return what apt would have against the base card before anything is added.

    With a package whose dependencies are not met ``apt-get install`` of anything ends with 100; one
    that is half installed works no more, and apt leaves it so, or refuses too. What is unpacked and
    not yet configured it configures in passing (apt 2.6 and 3.0).
    """
    if not archive.base_complete:
        return []
    card = Selection(
        Universe(archive=archive, architecture=problem.architecture), archive.base.values()
    )
    half = [one for one in archive.base.values() if _is_half_installed(one)]
    lines = [f"{one.name} {one.version} is half installed ({one.status})" for one in half]
    names = {one.name for one in half}
    for breach in card.breaches():
        if any(one.name in archive.base_foreign for one in breach.group):
            continue  # the other architecture's package may be what serves
        text = " | ".join(map(str, breach.group))
        word = "depends on" if breach.other is None else "cannot stand beside"
        end = ", which is not on it" if breach.other is None else f" ({breach.other.version})"
        lines.append(f"{breach.package.name} {breach.package.version} {word} {text}{end}")
        names.add(breach.package.name)
    found = []
    if lines:
        more = len(lines) - _MOST_LINES
        rest = [f"... and {counted(more, 'more')}"] if more > 0 else []
        found.append(
            finding(
                "debian-base-broken",
                Severity.ERROR,
                f"{counted(len(names), 'package')} of the base card "
                f"{'is' if len(names) == 1 else 'are'} broken",
                places=[problem.base_place],
                why=[*lines[:_MOST_LINES], *rest],
                repair=[f"sudo apt-get --fix-broken install   on the robot, {_FETCHED}"],
                resource="base",
            )
        )
    open_ones = sorted(
        one.name
        for one in archive.base.values()
        if one.status and one.status.rpartition(" ")[2] != "installed" and one not in half
    )
    if open_ones:
        found.append(
            finding(
                "debian-base-unconfigured",
                Severity.NOTE,
                f"{counted(len(open_ones), 'package')} of the base card "
                f"{'is' if len(open_ones) == 1 else 'are'} unpacked and not yet configured",
                places=[problem.base_place],
                why=f"{listed(open_ones[:_MOST_LINES])}"
                f"{' and others' if len(open_ones) > _MOST_LINES else ''}; apt configures them "
                "together with what is installed next",
                repair=f"sudo dpkg --configure -a   on the robot, {_FETCHED}",
                resource="base",
            )
        )
    return found


def _is_half_installed(package: DebianPackage) -> bool:
    words = package.status.split()
    return "reinstreq" in words or words[-1:] == ["half-installed"]
