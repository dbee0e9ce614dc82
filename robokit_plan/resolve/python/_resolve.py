"""Requirements of all plugins in, pins and findings out."""

from __future__ import annotations

from robokit_plan.model import Need, Severity, Snapshot, sorted_findings

from ._abi import check_hidden, within_bounds
from ._asked import check_requires_python, read_units
from ._builds import builds_of
from ._imports import check_collisions, check_modules
from ._native import check_sdists, native_needs
from ._pins import installed
from ._problem import PythonAnswer, PythonProblem
from ._remarks import check_chosen
from ._second_look import confirm
from ._settle import settle
from ._units import asks_in
from ._world import World


def resolve_python(problem: PythonProblem, snapshot: Snapshot) -> PythonAnswer | Need:
    """
    Return what to install for all plugins together, or what must be read first.

    The same problem over a greater snapshot gives the same answer once every row that matters
    is there: rows that were not read never change it.
    """
    world = World(problem, snapshot)
    units, findings = read_units(problem, world)
    findings += check_requires_python(problem, world)
    outcome = settle(world, units, findings)
    if isinstance(outcome, Need):
        return outcome
    if problem.carried.bounds:
        bounded = World(problem, snapshot, bounded=True)
        outcome = within_bounds(world, bounded, outcome, findings)
        if isinstance(outcome, Need):
            return outcome
    confirm(world, asks_in(outcome[1]), outcome[0].chosen)
    chosen = installed(world, *outcome)
    builds = builds_of(world, chosen)
    if isinstance(builds, Need):
        return builds
    findings += builds.findings
    findings += check_sdists(world, chosen)
    findings += check_chosen(world, chosen, outcome[1])
    findings += check_hidden(world, chosen)
    findings += check_collisions(world, chosen)
    # What stands in an error was left out of the choice: its modules are missing because of that.
    blamed = {name for one in findings if one.severity is Severity.ERROR for name in one.plugins}
    findings += check_modules(world, chosen, blamed)
    return PythonAnswer(
        pins=chosen.pins,
        carried=chosen.carried,
        build=builds.pins,
        native=native_needs(world, chosen, builds.pins),
        findings=sorted_findings(findings),
    )
