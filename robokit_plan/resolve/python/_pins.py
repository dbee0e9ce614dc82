"""A consistent choice written down: pins, and which lines of which plugins led to them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from robokit_plan.model import (
    CarriedPin,
    DistributionName,
    Finding,
    Place,
    PythonPin,
    Severity,
    dataclass,
    finding,
)

from ._licenses import license_of
from ._parsing import find_requirement
from ._problem import PythonRequirement
from ._releases import Release
from ._search import Found
from ._units import Unit
from ._world import Ask, World


@dataclass(frozen=True, kw_only=True, slots=True)
class Installed:
    """
    What a search found, ready to be looked at.

    Shape:
        `pins` sorted by name; `releases`, `lines` and `asks` by name: what was taken, the lines
        from which it is reached (sorted by instance and place), and all that is asked of it;
        `carried` what Debian packages bring of it, which is among `releases` and not `pins`;
        `invalid` releases that were passed over for their metadata.
    """

    pins: tuple[PythonPin, ...]
    releases: Mapping[DistributionName, Release]
    lines: Mapping[DistributionName, tuple[PythonRequirement, ...]]
    asks: Mapping[DistributionName, tuple[Ask, ...]]
    carried: tuple[CarriedPin, ...] = ()
    invalid: tuple[Release, ...] = ()

    def about(
        self,
        rule: str,
        severity: Severity,
        message: str,
        *names: DistributionName,
        why: Iterable[str] | str = (),
        repair: Iterable[str] | str = (),
        places: Iterable[Place] = (),
    ) -> Finding:
        """Return a finding about *names*, at the lines that led to them and further *places*."""
        lines = [line for name in names for line in self.lines[name]]
        return finding(
            rule,
            severity,
            message,
            places=[
                *places,
                *(
                    Place(origin=line.origin, label=f"{line.instance} asks for {line.text}")
                    for line in lines
                ),
            ],
            why=why,
            repair=repair,
            plugins=[line.instance for line in lines],
            resource=names[0],
        )

    def direct_lines(self, name: DistributionName) -> tuple[PythonRequirement, ...]:
        """Return the lines that ask for *name* themselves; where none does, all that lead to it."""
        lines = self.lines[name]
        asking = [(line, find_requirement(line.text)) for line in lines]
        direct = tuple(line for line, read in asking if read is not None and read.name == name)
        return direct or lines

    def chain(self, name: DistributionName) -> str:
        """Say in a word or two who brings *name*."""
        by = sorted(pin.name for pin in self.pins if name in pin.requires)
        who = sorted({line.instance for line in self.lines[name]})
        if any(pin.name == name and pin.direct for pin in self.pins):
            return (
                f"{', '.join(who)} asks for it" if len(who) == 1 else f"{', '.join(who)} ask for it"
            )
        return f"{', '.join(by)} asks for it" if len(by) == 1 else f"{', '.join(by)} ask for it"


def installed(world: World, found: Found, units: Iterable[Unit]) -> Installed:
    """Return *found*, which answers *units*."""
    units = tuple(units)
    releases: dict[DistributionName, Release] = {}
    extras: dict[DistributionName, set[str]] = {}
    for candidate in found.chosen.values():
        if candidate.release is not None:
            releases[candidate.name] = candidate.release
            extras.setdefault(candidate.name, set())
            if candidate.extra:
                extras[candidate.name].add(candidate.extra)
    edges: dict[DistributionName, list[DistributionName]] = {}
    asks: dict[DistributionName, list[Ask]] = {name: [] for name in releases}
    for unit in units:
        for ask in unit.asks:
            if ask.name in asks:
                asks[ask.name].append(ask)
    for name in sorted(releases):
        here = [
            ask
            for extra in ("", *sorted(extras[name]))
            for ask in world.asks(releases[name], extra) or ()
            if ask.name in releases and ask.name != name
        ]
        edges[name] = sorted({ask.name for ask in here})
        for ask in here:
            asks[ask.name].append(ask)
    lines = _lines(edges, units)
    direct = {unit.ask.name for unit in units}
    pins = tuple(
        _pin(
            world,
            releases[name],
            extras=tuple(sorted(extras[name])),
            requires=tuple(one for one in edges[name] if releases[one].carrier is None),
            lines=lines.get(name, ()),
            direct=name in direct,
        )
        for name in sorted(releases)
        if releases[name].carrier is None
    )
    return Installed(
        pins=pins,
        carried=tuple(
            CarriedPin(
                name=name,
                version=str(releases[name].version),
                package=carrier.package,
                wanted_by=tuple(sorted({line.instance for line in lines.get(name, ())})),
            )
            for name in sorted(releases)
            if (carrier := releases[name].carrier) is not None
        ),
        releases=releases,
        lines=lines,
        invalid=found.invalid,
        asks={name: tuple(these) for name, these in asks.items()},
    )


def _lines(
    edges: Mapping[DistributionName, Iterable[DistributionName]], units: Iterable[Unit]
) -> Mapping[DistributionName, tuple[PythonRequirement, ...]]:
    """Return, for each name, the lines from which it is reached."""
    reached: dict[DistributionName, list[PythonRequirement]] = {}
    for unit in units:
        left = [unit.ask.name]
        seen = {unit.ask.name}
        while left:
            name = left.pop()
            reached.setdefault(name, []).extend(unit.lines)
            for after in edges.get(name, ()):
                if after not in seen:
                    seen.add(after)
                    left.append(after)
    return {
        name: tuple(sorted(lines, key=lambda line: (line.instance, line.origin, line.text)))
        for name, lines in reached.items()
    }


def _pin(
    world: World,
    release: Release,
    *,
    extras: tuple[str, ...],
    requires: tuple[DistributionName, ...],
    lines: tuple[PythonRequirement, ...],
    direct: bool,
) -> PythonPin:
    metadata = world.metadata(release)
    return PythonPin(
        name=release.name,
        version=str(release.version),
        extras=extras,
        file=release.file,
        all_files=release.files,
        requires_python=(None if metadata is None else metadata.requires_python)
        or release.file.requires_python,
        requires=requires,
        wanted_by=tuple(sorted({line.instance for line in lines})),
        direct=direct,
        installed_size=None if metadata is None else metadata.installed_size,
        license=license_of(metadata, world.facts.licenses),
    )
