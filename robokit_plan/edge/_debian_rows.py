"""Rows of an archive, read from the parsed indices by name, with what they will lead to."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import lru_cache

from robokit_plan.model import DebianName, DebianPackage, DebianRow

from ._debian_index import PackagesIndex

_MEMBER = re.compile(r"\s*([a-z0-9][a-z0-9+.-]+)")


@lru_cache(maxsize=16384)
def _names_in(text: str) -> tuple[tuple[DebianName, ...], ...]:
    """Return the names of each group of a relation field; versions do not matter here."""
    groups = []
    for conjunct in text.split(","):
        members = (_MEMBER.match(part) for part in conjunct.split("|"))
        group = tuple(DebianName(member[1]) for member in members if member is not None)
        if group:
            groups.append(group)
    return tuple(groups)


class RowReader:
    """
    Reads rows from indices in suite order.

    What a resolver asks of one name leads to others: `read` therefore follows the relations of
    what it reads (first alternatives; other alternatives and providers are read, not followed),
    so that one answer mostly holds everything that the next question would be about. Rows that
    nobody needed never change an answer.

    Args:
        indices: In suite order; the order decides which of two equal versions is taken.
        only: name -> source; such a name comes from that declared source and no other.
        bound: Sources that give nothing but names of `only`.
    """

    def __init__(
        self,
        indices: Iterable[PackagesIndex],
        *,
        recommends: bool = False,
        only: dict[str, str] | None = None,
        bound: Iterable[str] = (),
    ) -> None:
        self.indices = tuple(indices)
        self._recommends = recommends
        self._only = only or {}
        self._bound = frozenset(bound)
        self.rows: dict[DebianName, DebianRow] = {}
        self._packages: dict[DebianName, tuple[DebianPackage, ...]] = {}
        self._ranks: dict[DebianName, tuple[int, int]] = {}

    def read(self, names: Iterable[DebianName]) -> None:
        """Read the rows of *names* and of what they lead to, where not read before."""
        followed: set[DebianName] = set()
        follow = {name for name in names if name not in self.rows}
        while follow:
            followed |= follow
            self._read_rows(follow)
            lead: set[DebianName] = set()
            beside: set[DebianName] = set()
            for name in follow:
                row = self.rows[name]
                # Which provider is taken is for the resolver to say; following the few first
                # ones of a purely virtual name saves most of its further questions.
                for package in row.packages or row.providers[-2:]:
                    for group in self._leads(package):
                        lead.add(group[0])
                        beside.update(group[1:])
            self._read_rows((beside | lead) - self.rows.keys())
            follow = lead - followed

    def _leads(self, package: DebianPackage) -> Iterator[tuple[DebianName, ...]]:
        yield from _names_in(package.pre_depends)
        yield from _names_in(package.depends)
        if self._recommends:
            yield from _names_in(package.recommends)

    def _read_rows(self, names: Iterable[DebianName]) -> None:
        fresh = sorted(name for name in names if name not in self.rows)
        if not fresh:
            return
        provisions: dict[DebianName, set[DebianName]] = {name: set() for name in fresh}
        for index in self.indices:
            for virtual, provider in index.read_provisions(fresh):
                provisions[virtual].add(provider)
        # A provider's own row comes along: its candidate decides whether it still provides.
        asked = {*fresh, *(one for found in provisions.values() for one in found)}
        self._read_packages(sorted(asked - self._packages.keys()))
        for name in fresh:
            providers = sorted(provisions[name], key=lambda one: self._ranks.get(one, (0, 0)))
            self.rows[name] = DebianRow(
                name=name,
                packages=self._packages.get(name, ()),
                providers=tuple(
                    package
                    for provider in providers
                    for package in self._packages.get(provider, ())
                    if any(group[0] == name for group in _names_in(package.provides))
                ),
            )
        bare = sorted({one for found in provisions.values() for one in found} - self.rows.keys())
        self._read_rows(bare)

    def _read_packages(self, names: list[DebianName]) -> None:
        found: dict[DebianName, list[DebianPackage]] = {name: [] for name in names}
        for position, index in enumerate(self.indices):
            for record in index.read_records(names):
                if not self._may_come_from(record.name, index.source):
                    continue
                self._ranks.setdefault(record.name, (position, record.rank))
                found[record.name].append(index.package(record))
        for name, packages in found.items():
            self._packages[name] = tuple(packages)

    def _may_come_from(self, name: DebianName, source: str) -> bool:
        owner = self._only.get(name)
        if owner is not None:
            return owner == source
        return source not in self._bound
