"""What the chosen source archives need to be built, as a consistent set of its own."""

from __future__ import annotations

from packaging.version import Version

from robokit_plan.model import (
    Carried,
    DistributionName,
    Finding,
    Need,
    PythonPin,
    Severity,
    dataclass,
    replace,
)

from ._parsing import find_requirement, parse_requirement
from ._pins import Installed, installed
from ._problem import PythonRequirement
from ._releases import Release
from ._settle import settle
from ._units import units_of
from ._world import Ask, World, asks_of

_DEFAULT = ("setuptools>=40.8.0",)
"""
What an archive without a build-system table is built with.

Source: PEP 517, section on source trees (setuptools' legacy back end), with the lower bound that
first carries that back end, as installers use it.
"""

_WHEEL_INSIDE = Version("70.1")
"""From here on setuptools makes wheels by itself (its change log, v70.1.0)."""

_MOST_LEVELS = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Builds:
    """The set, sorted by name, and what is wrong with it."""

    pins: tuple[PythonPin, ...] = ()
    findings: tuple[Finding, ...] = ()


def builds_of(world: World, chosen: Installed) -> Builds | Need:
    """Return what to have installed while the source archives among *chosen* are built."""
    sdists = {
        name: release for name, release in sorted(chosen.releases.items()) if not release.is_wheel
    }
    if not sdists:
        return Builds()
    # A set of its own: what is locked or asked for elsewhere says nothing about it.
    inner = World(
        replace(
            world.problem,
            locked=world.problem.locked_build,
            sdists=frozenset(),
            carried=Carried(),
        ),
        world.snapshot,
    )
    asked = [
        one for name, release in sdists.items() for one in _asked(inner, release, chosen, name)
    ]
    for _ in range(_MOST_LEVELS):
        told: list[Finding] = []
        outcome = settle(inner, units_of(asked), told)
        if isinstance(outcome, Need):
            return outcome
        made = installed(inner, *outcome)
        more = [
            one
            for name, release in sorted(made.releases.items())
            if not release.is_wheel and name not in sdists
            for one in _asked(inner, release, made, name)
        ]
        sdists.update((n, r) for n, r in made.releases.items() if not r.is_wheel)
        tools = made.releases.get(DistributionName("setuptools"))
        if (
            tools is not None
            and tools.version < _WHEEL_INSIDE
            and DistributionName("wheel") not in made.releases
        ):
            line = made.lines[tools.name][0]
            told_line = replace(line, text="wheel, to build with this setuptools")
            more.append((told_line, asks_of(parse_requirement("wheel"), told_line)))
        if not more:
            return Builds(pins=made.pins, findings=tuple(_as_build(one) for one in told))
        asked += more
    return Builds(pins=made.pins, findings=tuple(_as_build(one) for one in told))


def _asked(
    world: World, release: Release, chosen: Installed, name: DistributionName
) -> list[tuple[PythonRequirement, tuple[Ask, ...]]]:
    found = []
    texts = world.build_requires(release)
    for text in _DEFAULT if texts is None else texts:
        requirement = find_requirement(text)
        if requirement is None or requirement.url is not None:
            continue
        if not world.marker_holds(requirement.marker):
            continue
        for line in chosen.lines[name]:
            told = replace(line, text=f"{text}, to build {name}")
            found.append((told, asks_of(requirement, told)))
    return found


def _as_build(one: Finding) -> Finding:
    """Say that *one*, told about the build set, is not about the robot's own environment."""
    if one.severity is not Severity.ERROR:
        return one
    disable = tuple(text for text in one.repair if text.startswith("robokit-plan"))
    together, _, rest = one.message.partition(": ")
    message = "source archives cannot be built"
    if one.rule == "python-conflict":
        message += " together"
        message += f": {rest.removesuffix('of it').removesuffix('of them')}of them" if rest else ""
    else:
        message += f": {together}"
    return replace(
        one,
        rule=type(one.rule)("build-conflict"),
        message=message,
        places=tuple(
            replace(place, label=_as_needed(place.label).replace(", to build", " to build"))
            for place in one.places
        ),
        # What a build asks for nobody has typed: no word about its spelling.
        why=(
            *(_as_needed(text) for text in one.why if "spelling" not in text),
            "all that is compiled on the board is built in one environment",
        ),
        repair=disable or (f"robokit-plan disable {' '.join(one.plugins)}",),
    )


def _as_needed(text: str) -> str:
    return text.replace(" asks for ", " needs ", 1).replace(" ask for ", " need ", 1)
