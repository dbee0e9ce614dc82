"""A set of packages that would be on the card together, one version a name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from robokit_plan.model import DebianName, DebianPackage

from ._relation import Alternative, Group, Provision, index_provides
from ._universe import Universe, bears, refuses


class Breach(NamedTuple):
    """One relation that a selection does not honour."""

    package: DebianPackage
    group: Group
    """What is needed and absent, or the one thing refused."""
    other: DebianPackage | None
    """The refused package; None: a need that nothing meets."""


class Selection:
    """
    Mutable set of packages with an index of what they provide.

    Shape:
        `packages` name -> package, in the order of choice, the base first.
    """

    def __init__(self, universe: Universe, packages: Iterable[DebianPackage] = ()) -> None:
        self.universe = universe
        self.packages: dict[DebianName, DebianPackage] = {}
        self._provided: dict[DebianName, dict[DebianName, list[Provision]]] = {}
        for package in packages:
            self.add(package)

    def add(self, package: DebianPackage) -> None:
        """Take *package*, in place of another version of it."""
        self.drop(package.name)
        self.packages[package.name] = package
        if package.provides:
            for one in index_provides(package.provides):
                self._provided.setdefault(one.name, {}).setdefault(package.name, []).append(one)

    def drop(self, name: DebianName) -> None:
        """Leave *name* out."""
        package = self.packages.pop(name, None)
        if package is not None and package.provides:
            for one in index_provides(package.provides):
                self._provided.get(one.name, {}).pop(name, None)

    def meeting(self, alternative: Alternative) -> Iterator[DebianPackage]:
        """Yield the chosen packages that satisfy *alternative*."""
        package = self.packages.get(alternative.name)
        if package is not None and bears(alternative, package):
            yield package
        architecture = self.universe.architecture
        for name, provisions in self._provided.get(alternative.name, {}).items():
            owner = self.packages[name]
            if any(one.serves(alternative, architecture, owner.multi_arch) for one in provisions):
                yield owner

    def meets(self, group: Group) -> bool:
        """Whether some chosen package satisfies *group*."""
        for alternative in group:
            for _ in self.meeting(alternative):
                return True
        return False

    def refused_by(self, owner: DebianPackage, alternative: Alternative) -> Iterator[DebianPackage]:
        """Yield the chosen packages that one Conflicts or Breaks of *owner* hits."""
        if alternative.qualifier not in {"", "any"}:
            return
        plain = alternative._replace(qualifier="") if alternative.qualifier else alternative
        seen = set()
        for package in self.meeting(plain):
            if package.name != owner.name:
                seen.add(package.name)
                yield package
        # What is provided for another architecture is refused like the rest (apt 2.6).
        for name in self._provided.get(alternative.name, ()):
            package = self.packages[name]
            if name not in seen and refuses(alternative, owner, package):
                yield package

    def breaches(self, *, ignore: Mapping[DebianName, DebianPackage] | None = None) -> list[Breach]:
        """
        Return every broken relation, sorted by package name.

        Args:
            ignore: A base card; what was already broken among its own packages is not ours.
        """
        before = ignore or {}
        was = Selection(self.universe, before.values()) if before else None
        found = []
        for name in sorted(self.packages):
            package = self.packages[name]
            old = before.get(name) == package
            found += [
                Breach(package, group, None)
                for group in self.universe.needs(package)
                if not self.meets(group) and not (old and was and not was.meets(group))
            ]
            for alternative in self.universe.refusals(package):
                found += [
                    Breach(package, (alternative,), other)
                    for other in self.refused_by(package, alternative)
                    if not (old and before.get(other.name) == other)
                ]
        return found
