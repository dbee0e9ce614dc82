"""The archive as a solver sees it: versions, candidates, providers; and what was not read yet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cmp_to_key

from robokit_plan.model import (
    DebianArchive,
    DebianName,
    DebianPackage,
    DebianRow,
    dataclass,
    field,
    replace,
)

from ._relation import Alternative, Group, index_provides, index_relations
from ._version import compare_versions, version_key

# Order of the Priority field (Policy 2.5; "extra" is its retired last step).
_PRIORITY = {"required": 1, "important": 2, "standard": 3, "optional": 4, "extra": 5}
_INSTALLED = 100
_DOWNGRADES = 1000
_EMPTY = DebianRow(name=DebianName(""), packages=(), providers=())


@dataclass(kw_only=True, slots=True)
class Universe:
    """
    Rows of an archive for one architecture, with the version that apt would take of each name.

    `missing` collects the names that were asked for and not read; a solver run with missing
    names is not an answer. `installed` is the base card, which apt never downgrades.
    """

    archive: DebianArchive
    architecture: str
    locked: Mapping[DebianName, str] = field(default_factory=dict)
    recommends: bool = False
    installed: Mapping[DebianName, DebianPackage] = field(default_factory=dict)
    missing: set[DebianName] = field(default_factory=set)
    _candidates: dict[DebianName, DebianPackage | None] = field(default_factory=dict)
    _providers: dict[DebianName, tuple[DebianPackage, ...]] = field(default_factory=dict)

    def row(self, name: DebianName) -> DebianRow:
        """Return the row of *name*; an empty one, and a note in `missing`, where unread."""
        found = self.archive.rows.get(name)
        if found is None:
            self.missing.add(name)
            return _EMPTY
        return found

    def is_read(self, name: DebianName) -> bool:
        """Whether *name* was read; notes it as missing otherwise."""
        if name in self.archive.rows:
            return True
        self.missing.add(name)
        return False

    def versions(self, name: DebianName) -> list[DebianPackage]:
        """Return every version of *name*: the candidate, then by priority and version."""
        best = self.candidate(name)
        here = self.installed.get(name)
        if here is not None and here.held:
            return [here]
        packages: dict[str, DebianPackage] = {}
        for package in self.row(name).packages:
            packages.setdefault(package.version, package)
        ordered = sorted(
            packages.values(), key=lambda one: (one.pin, version_key(one.version)), reverse=True
        )
        if best is None:
            return ordered
        return [best, *(one for one in ordered if one.version != best.version)]

    def candidate(self, name: DebianName) -> DebianPackage | None:
        """
        Return the version that apt would install.

        A locked version while the archive has it; else the highest priority and in it the
        highest version, but nothing older than what is installed unless its priority reaches
        1000. What is installed has priority 100 itself (apt_preferences(5)). What is held stays
        (apt-mark(8)); ``apt-get --yes`` refuses anything else.
        """
        if name in self._candidates:
            return self._candidates[name]
        best = self._choose(name)
        if name in self.archive.rows:
            self._candidates[name] = best
        return best

    def _choose(self, name: DebianName) -> DebianPackage | None:
        packages = self.row(name).packages
        here = self.installed.get(name)
        if here is not None and here.held:
            return here
        if (version := self.locked.get(name)) is not None:
            for package in packages:
                if package.version == version:
                    return package
        best = None if here is None else replace(here, pin=_INSTALLED)
        for package in packages:
            if package.pin < 0:
                continue
            if (
                here is not None
                and package.pin < _DOWNGRADES
                and compare_versions(package.version, here.version) < 0
            ):
                continue
            if best is None or (package.pin, version_key(package.version)) > (
                best.pin,
                version_key(best.version),
            ):
                best = package
        if here is not None and (best is None or best.version == here.version):
            return here
        return best

    def providers(self, name: DebianName) -> tuple[DebianPackage, ...]:
        """
        Return the candidates that provide *name*, best first.

        apt's order: installed ones, essential ones, the graver Priority field, and among equals
        the name that the indices mention last (depcache.cc, CompareProviders, apt 2.6).
        """
        if name in self._providers:
            return self._providers[name]
        row = self.row(name)
        found = []
        for position, package in enumerate(row.providers):
            best = self.candidate(package.name)
            if best is not None and best.version == package.version:
                found.append((position, best))
            elif (here := self.installed.get(package.name)) is not None and any(
                provision.name == name for provision in index_provides(here.provides)
            ):
                found.append((position, here))

        def compare(left: tuple[int, DebianPackage], right: tuple[int, DebianPackage]) -> int:
            a, b = self._rank(left[1]), self._rank(right[1])
            return -1 if a < b else 1 if a > b else right[0] - left[0]

        unique = {package.name: package for _, package in sorted(found, key=cmp_to_key(compare))}
        result = tuple(unique.values())
        if name in self.archive.rows and all(
            package.name in self.archive.rows for package in row.providers
        ):
            self._providers[name] = result
        return result

    def _rank(self, package: DebianPackage) -> tuple[bool, bool, bool, int]:
        return (
            package.name not in self.installed,
            not package.essential,
            not package.protected,
            _PRIORITY.get(package.priority, 4),
        )

    def solutions(self, group: Group) -> list[DebianPackage]:
        """
        Return the candidates that satisfy *group*, best first.

        apt's order: installed packages of any alternative, then alternative by alternative, the
        package of that name before its providers.
        """
        installed: dict[DebianName, DebianPackage] = {}
        fresh: dict[DebianName, DebianPackage] = {}
        for alternative in group:
            for package in self.satisfying(alternative):
                side = installed if package.name in self.installed else fresh
                side.setdefault(package.name, package)
        return [*installed.values(), *(one for one in fresh.values() if one.name not in installed)]

    def satisfying(self, alternative: Alternative) -> Iterator[DebianPackage]:
        """Yield the candidates that satisfy one alternative: the bearer, then providers."""
        best = self.candidate(alternative.name)
        if best is not None and bears(alternative, best):
            yield best
        for package in self.providers(alternative.name):
            if self.offers(alternative, package):
                yield package

    def offers(self, alternative: Alternative, package: DebianPackage) -> bool:
        """Whether *package* satisfies *alternative* through its Provides (Policy 7.5)."""
        return any(
            provision.serves(alternative, self.architecture, package.multi_arch)
            for provision in index_provides(package.provides)
        )

    def needs(self, package: DebianPackage) -> tuple[Group, ...]:
        """Return what must be there: Pre-Depends, then Depends."""
        return index_relations(package.pre_depends, self.architecture) + index_relations(
            package.depends, self.architecture
        )

    def wishes(self, package: DebianPackage) -> tuple[Group, ...]:
        """Return Recommends."""
        return index_relations(package.recommends, self.architecture)

    def refusals(self, package: DebianPackage) -> tuple[Alternative, ...]:
        """Return what must not be there: Conflicts, then Breaks (Policy 7.3, 7.4)."""
        return tuple(
            alternative
            for text in (package.conflicts, package.breaks)
            for group in index_relations(text, self.architecture)
            for alternative in group
        )


def bears(alternative: Alternative, package: DebianPackage) -> bool:
    """Whether *package* satisfies *alternative* by its own name and version."""
    if package.name != alternative.name:
        return False
    # Only a package that says so may serve for any architecture; what is left is another
    # architecture than the target's.
    if alternative.qualifier and (
        alternative.qualifier != "any" or package.multi_arch != "allowed"
    ):
        return False
    return not alternative.operator or alternative.fits(package.version)


def refuses(alternative: Alternative, owner: DebianPackage, other: DebianPackage) -> bool:
    """Whether *owner*'s Conflicts or Breaks on *alternative* hits *other*, never itself."""
    if owner.name == other.name or alternative.qualifier not in {"", "any"}:
        return False
    plain = alternative._replace(qualifier="")
    # What is provided for another architecture is refused like the rest (apt 2.6).
    return bears(plain, other) or any(
        one._replace(qualifier="").serves(plain, "", "") for one in index_provides(other.provides)
    )
