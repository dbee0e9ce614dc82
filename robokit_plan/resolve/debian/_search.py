"""
The complete search, for wants that apt's first choices do not satisfy together.

Every package version that the wants could lead to becomes a variable; needs, refusals and "one
version a name" become clauses. If any selection satisfies them, one is found; decisions follow
apt's order of preference, so the answer stays near to what apt would have liked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from robokit_plan.model import DebianName, DebianPackage

from ._clauses import Clause, Clauses, Literal
from ._relation import Alternative, Group, index_provides
from ._universe import Universe, bears, refuses


class Law(NamedTuple):
    """Why a clause is there; a proof is told as a list of these."""

    kind: str
    """``want``, ``need``, ``refuse``, ``one-version`` or ``base``."""
    package: DebianPackage | None
    group: Group = ()
    other: DebianPackage | None = None
    want: int = -1


class Outcome(NamedTuple):
    """A selection, or the laws that rule every selection out."""

    packages: dict[DebianName, DebianPackage] | None
    proof: tuple[Law, ...] = ()
    removed: tuple[DebianName, ...] = ()


class Search:
    """
    All that a list of wants could lead to, as clauses; ask `solve` for any part of the wants.

    Args:
        groups: The wants, by position.
        every_version: Consider older versions too, not the candidates alone.
    """

    def __init__(
        self, universe: Universe, groups: Sequence[Group], *, every_version: bool = False
    ) -> None:
        self._universe = universe
        self._every = every_version
        self._groups = tuple(groups)
        self._atoms: list[DebianPackage] = []
        self._number: dict[tuple[DebianName, str], int] = {}
        self._of_name: dict[DebianName, list[int]] = {}
        self._offering: dict[DebianName, list[int]] = {}
        self._clauses: list[Clause] = []
        self._laws: list[Law] = []
        self._needs_of: dict[int, list[int]] = {}
        self._fixed = {
            name: package
            for name, package in universe.installed.items()
            if not self._has_other_version(name, package)
        }
        self._build()

    # Building -----------------------------------------------------------------------------

    def _has_other_version(self, name: DebianName, package: DebianPackage) -> bool:
        return _may_go(package) or any(
            other.version != package.version for other in self._choices(name)
        )

    def _choices(self, name: DebianName) -> list[DebianPackage]:
        universe = self._universe
        installed = universe.installed.get(name)
        if self._every:
            choices = universe.versions(name)
        else:
            best = universe.candidate(name)
            choices = [] if best is None else [best]
        if installed is not None:
            choices = [installed, *(one for one in choices if one.version != installed.version)]
        return choices

    def _satisfying(self, group: Group) -> list[int]:
        """Return atoms that satisfy *group*, in apt's order, adding them where new."""
        universe = self._universe
        preferred = universe.solutions(group)
        found: dict[tuple[DebianName, str], DebianPackage] = {
            (one.name, one.version): one for one in preferred
        }
        for alternative in group:
            for package in self._all_satisfying(alternative):
                found.setdefault((package.name, package.version), package)
        ordered = sorted(found.values(), key=lambda one: universe.installed.get(one.name) != one)
        return [self._atom(package) for package in ordered]

    def _all_satisfying(self, alternative: Alternative) -> Iterable[DebianPackage]:
        for package in self._choices(alternative.name):
            if bears(alternative, package):
                yield package
        names = dict.fromkeys(one.name for one in self._universe.row(alternative.name).providers)
        for name in (*names, *self._installed_providers(alternative.name)):
            for package in self._choices(name):
                if self._universe.offers(alternative, package):
                    yield package

    def _installed_providers(self, virtual: DebianName) -> list[DebianName]:
        return [
            name
            for name, package in self._universe.installed.items()
            if package.provides
            and any(one.name == virtual for one in index_provides(package.provides))
        ]

    def _atom(self, package: DebianPackage) -> int:
        key = (package.name, package.version)
        number = self._number.get(key)
        if number is None:
            self._atoms.append(package)
            number = self._number[key] = len(self._atoms)
            self._of_name.setdefault(package.name, []).append(number)
            for virtual in {one.name for one in index_provides(package.provides)}:
                self._offering.setdefault(virtual, []).append(number)
        return number

    def _add(self, clause: Iterable[Literal], law: Law) -> int:
        self._clauses.append(tuple(clause))
        self._laws.append(law)
        return len(self._clauses) - 1

    def _is_settled(self, group: Group) -> bool:
        """Whether packages that stay on the card whatever happens satisfy *group*."""
        return any(
            (package := self._fixed.get(alternative.name)) is not None
            and bears(alternative, package)
            for alternative in group
        )

    def _build(self) -> None:
        universe = self._universe
        for package in universe.installed.values():
            self._atom(package)
        self._want_clauses = [
            (self._satisfying(group), Law("want", None, group, want=place))
            for place, group in enumerate(self._groups)
        ]
        for name in universe.installed:
            for package in self._choices(name):
                self._atom(package)
        done = 0
        while done < len(self._atoms):
            done += 1
            package = self._atoms[done - 1]
            at_home = universe.installed.get(package.name) == package
            if not at_home and self._is_barred(package):
                continue
            for group in universe.needs(package):
                if self._is_settled(group):
                    continue
                solutions = self._satisfying(group)
                if at_home and not any(
                    universe.installed.get(self._atoms[one - 1].name) == self._atoms[one - 1]
                    for one in solutions
                ):
                    continue  # broken on the card already; not for us to mend
                number = self._add((-done, *solutions), Law("need", package, group))
                self._needs_of.setdefault(done, []).append(number)
        for name, atoms in self._of_name.items():
            for place, left in enumerate(atoms):
                for right in atoms[place + 1 :]:
                    law = Law("one-version", self._atoms[left - 1], (), self._atoms[right - 1])
                    self._add((-left, -right), law)
            if (installed := universe.installed.get(name)) is not None:
                self._add(atoms, Law("base", installed))
        for number, package in enumerate(self._atoms, 1):
            self._add_refusals(number, package)

    def _is_barred(self, package: DebianPackage) -> bool:
        """Whether what stays on the card rules *package* out; then its needs do not matter."""
        refusals = self._universe.refusals(package)
        for fixed in self._fixed.values():
            if any(refuses(one, package, fixed) for one in refusals if _could(one, fixed)):
                return True
            if fixed.name == package.name and fixed.version != package.version:
                return True
        return False

    def _add_refusals(self, number: int, package: DebianPackage) -> None:
        installed = self._universe.installed
        for alternative in self._universe.refusals(package):
            hit = {
                *self._of_name.get(alternative.name, ()),
                *self._offering.get(alternative.name, ()),
            }
            for other_number in sorted(hit):
                other = self._atoms[other_number - 1]
                if not refuses(alternative, package, other):
                    continue
                if installed.get(package.name) == package and installed.get(other.name) == other:
                    continue
                law = Law("refuse", package, (alternative,), other)
                self._add((-number, -other_number), law)

    # Solving ------------------------------------------------------------------------------

    def solve(self, wants: Iterable[int], *, removable: bool = True) -> Outcome:
        """
        Return a selection that satisfies *wants*, or a proof that there is none.

        Args:
            removable: Packages of the base that are neither essential, protected nor required may
                go where nothing else helps; only those that the proof names are given up.
        """
        chosen = sorted(set(wants))
        loose: set[DebianName] = set()
        while True:
            outcome = self._solve(chosen, loose)
            if outcome.packages is not None or not removable:
                return outcome
            more = {
                law.package.name
                for law in outcome.proof
                if law.kind == "base" and law.package is not None and _may_go(law.package)
            } - loose
            if not more:
                return outcome
            loose |= more

    def _solve(self, wants: list[int], loose: set[DebianName]) -> Outcome:
        clauses: list[Clause] = []
        laws: list[Law] = []
        seeds: list[Clause] = []
        for place in wants:
            solutions, law = self._want_clauses[place]
            clauses.append(tuple(solutions))
            laws.append(law)
            seeds.append(tuple(solutions))
        for clause, law in zip(self._clauses, self._laws, strict=True):
            if law.kind == "base" and law.package is not None and law.package.name in loose:
                continue
            clauses.append(clause)
            laws.append(law)
            if law.kind == "base":
                seeds.append(clause)
        soft = [
            self._number[package.name, package.version]
            for package in self._universe.installed.values()
            if package.name in loose
        ]
        engine = Clauses(len(self._atoms), clauses)
        if engine.solve(self._decider(seeds, soft)):
            packages = {}
            for literal in engine.trail:
                if literal > 0:
                    package = self._atoms[literal - 1]
                    packages[package.name] = package
            removed = tuple(
                sorted(name for name in self._universe.installed if name not in packages)
            )
            return Outcome(packages, (), removed)
        return Outcome(None, tuple(laws[number] for number in sorted(engine.proof or ())))

    def _decider(
        self, seeds: list[Clause], soft: list[int]
    ) -> Callable[[Clauses, int], tuple[Literal, int] | None]:
        """Return apt's taste: what is there stays, then the first open solution of each need."""
        lead = len(seeds) + len(soft)

        def open_solution(engine: Clauses, clause: Clause) -> Literal | None:
            values = [engine.value(literal) for literal in clause]
            if 1 in values:
                return None
            return next(
                literal
                for literal, value in zip(clause, values, strict=True)
                if value == 0 and literal > 0
            )

        def decide(engine: Clauses, position: int) -> tuple[Literal, int] | None:
            while position < lead + len(engine.trail):
                if position < len(soft):
                    literal: Literal | None = (
                        soft[position] if engine.value(soft[position]) == 0 else None
                    )
                elif position < lead:
                    literal = open_solution(engine, seeds[position - len(soft)])
                else:
                    literal = None
                    for number in self._needs_of.get(engine.trail[position - lead], ()):
                        literal = open_solution(engine, self._clauses[number])
                        if literal is not None:
                            break
                if literal is not None:
                    return literal, position
                position += 1
            return None

        return decide


def _may_go(package: DebianPackage) -> bool:
    """Whether apt would take *package* off the card to make room for another."""
    return not (
        package.essential or package.protected or package.priority == "required" or package.held
    )


def _could(alternative: Alternative, package: DebianPackage) -> bool:
    return alternative.name == package.name or alternative.name in package.provides
