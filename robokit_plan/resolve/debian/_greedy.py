"""
The choice that apt itself would make, without looking back.

apt walks relations depth first in the order Pre-Depends, Depends, Recommends and takes the first
solution that it can mark for installation. Observed with apt 2.6 (Debian 12) and kept:

- a relation that something installed or already chosen satisfies changes nothing;
- what is asked for, and whatever only one package can satisfy on its behalf, is *kept*: nothing may
  displace it, and candidates that it conflicts with are out of the question from then on;
- a package of which some relation has no candidate at all is out of the question;
- installed solutions come first, then alternatives in their order, and in each the bearer of the
  name before its providers (`Universe.providers` has their order);
- a package that cannot be completed is given up for good.
"""

from __future__ import annotations

from collections.abc import Iterable

from robokit_plan.model import DebianName, DebianPackage

from ._relation import Alternative, Group, index_provides
from ._selection import Selection
from ._universe import Universe, bears, refuses

# Deeper chains than any archive's; the search takes over there.
_DEPTH = 150


class Greedy:
    """
    One walk in apt's order over a universe.

    Args:
        start: Where it begins; default: the base card.
        wishes: Whether recommendations are followed; default: as the universe says.
    """

    def __init__(
        self, universe: Universe, *, start: Selection | None = None, wishes: bool | None = None
    ) -> None:
        self.universe = universe
        self.selection = start or Selection(universe, universe.installed.values())
        self._follows_wishes = universe.recommends if wishes is None else wishes
        self._given_up: set[DebianName] = set()
        self._kept: set[DebianName] = set()
        self._open: list[DebianName] = []
        self._banned: dict[DebianName, list[tuple[Alternative, DebianPackage]]] = {}

    def take(self, packages: Iterable[DebianPackage]) -> bool:
        """Choose *packages* without question, then what they need; False: something lacks."""
        chosen = list(packages)
        for package in chosen:
            self.selection.add(package)
            self._keep(package)
        return all([self._mark(one, complete=True, depth=0) for one in chosen])  # noqa: C419  every one

    def ask(self, groups: Iterable[Group]) -> bool:
        """Choose what satisfies each of *groups* in turn; False: apt's first choices failed."""
        return self._satisfy([(group, True) for group in groups], kept=True, depth=0)

    def add_wishes(self, groups: Iterable[Group]) -> None:
        """
        Fulfil recommendations of what *groups* led to, as far as nothing has to give way.

        apt follows them while it walks; after a search everything that was found is kept and
        they come last.
        """
        for package in list(self.selection.packages.values()):
            self._keep(package)
        todo = self._in_order(groups)
        todo.reverse()
        while todo:
            package = todo.pop()
            for group in self._wishes(package):
                if not self.selection.meets(group):
                    todo += reversed(self._try(group))

    def _try(self, group: Group) -> list[DebianPackage]:
        """Add the first solution of *group* that fits beside everything; return what is new."""
        before = dict(self.selection.packages)
        for solution in self._candidates(group):
            if self._mark(solution, complete=True, depth=0):
                new = [
                    package
                    for name, package in self.selection.packages.items()
                    if before.get(name) != package
                ]
                if before.keys() <= self.selection.packages.keys() and not any(
                    True
                    for package in new
                    for alternative in self.universe.refusals(package)
                    for _ in self.selection.refused_by(package, alternative)
                ):
                    for package in new:
                        self._keep(package)
                    return new
            for name in self.selection.packages.keys() - before.keys():
                self.selection.drop(name)
            for name, package in before.items():
                if self.selection.packages.get(name) != package:
                    self.selection.add(package)
        return []

    def _in_order(self, groups: Iterable[Group]) -> list[DebianPackage]:
        """Return what was chosen beside the base, what it needs before itself."""
        seen: set[DebianName] = set()
        ordered: list[DebianPackage] = []
        stack: list[tuple[DebianPackage, bool]] = []

        def push(groups: Iterable[Group]) -> None:
            found = [
                package
                for group in groups
                for alternative in group
                for package in self.selection.meeting(alternative)
                if package.name not in seen and self.universe.installed.get(package.name) != package
            ]
            stack.extend((package, False) for package in reversed(found))

        push(groups)
        while stack:
            package, done = stack.pop()
            if done:
                ordered.append(package)
            elif package.name not in seen:
                seen.add(package.name)
                stack.append((package, True))
                push(self.universe.needs(package))
        return ordered

    def _candidates(self, group: Group) -> list[DebianPackage]:
        return [package for package in self.universe.solutions(group) if self._is_eligible(package)]

    def _is_eligible(self, package: DebianPackage) -> bool:
        name = package.name
        if self.selection.packages.get(name) == package:
            return True
        return name not in self._given_up and not self._is_banned(package)

    def _is_banned(self, package: DebianPackage) -> bool:
        for name in (package.name, *_provided_names(package)):
            for alternative, owner in self._banned.get(name, ()):
                if refuses(alternative, owner, package):
                    return True
        return False

    def _keep(self, package: DebianPackage) -> None:
        if package.name not in self._kept:
            self._kept.add(package.name)
            for alternative in self.universe.refusals(package):
                self._banned.setdefault(alternative.name, []).append((alternative, package))

    def _is_possible(self, package: DebianPackage) -> bool:
        """Whether each need has at least one candidate; one step of looking ahead."""
        for group in self.universe.needs(package):
            if self.selection.meets(group):
                continue
            if any(self._has_candidate(alternative) for alternative in group):
                continue
            return False
        return True

    def _has_candidate(self, alternative: Alternative) -> bool:
        universe = self.universe
        if not universe.is_read(alternative.name):
            return True
        best = universe.candidate(alternative.name)
        if best is not None and bears(alternative, best) and self._is_eligible(best):
            return True
        for package in universe.row(alternative.name).providers:
            if self.universe.offers(alternative, package) and universe.is_read(package.name):
                candidate = universe.candidate(package.name)
                if (
                    candidate is not None
                    and candidate.version == package.version
                    and self._is_eligible(candidate)
                ):
                    return True
        return not all(
            universe.is_read(one.name) for one in universe.row(alternative.name).providers
        )

    def _mark(self, package: DebianPackage, *, complete: bool, depth: int) -> bool:
        name = package.name
        kept = name in self._kept
        here = self.selection.packages.get(name)
        if depth > _DEPTH:
            return False
        if not kept:
            if here == package:
                return True
            if name in self._open or not self._is_eligible(package):
                return False
        if complete and here != package and not self._is_possible(package):
            if not kept:
                self._given_up.add(name)
            return False
        needs = [(group, True) for group in self.universe.needs(package)]
        if self._follows_wishes:
            needs += [(group, False) for group in self._wishes(package)]
        if not kept:
            needs = [item for item in needs if not self.selection.meets(item[0])]
        upgrades: list[DebianPackage] = []
        if complete and not self._make_room(package, upgrades) and not kept:
            return False
        if here != package:
            upgrades += self._dependants_left_behind(here, package)
            self.selection.add(package)
        if not complete:
            return True
        self._open.append(name)
        done = all(self._mark(one, complete=True, depth=depth + 1) for one in upgrades)
        done = done and self._satisfy(needs, kept=kept, depth=depth)
        self._open.pop()
        if not done and not kept:
            self._give_up(name)
        return done

    def _wishes(self, package: DebianPackage) -> Iterable[Group]:
        """Return Recommends; of what is installed only new or once fulfilled ones."""
        wishes = self.universe.wishes(package)
        before = self.universe.installed.get(package.name)
        if before is None:
            return wishes
        old = self.universe.wishes(before)
        known = {group[0].name for group in old}
        met = {group[0].name for group in old if self._was_met(group)}
        return [group for group in wishes if group[0].name not in known or group[0].name in met]

    def _was_met(self, group: Group) -> bool:
        installed = self.universe.installed
        return any(
            bears(alternative, installed[alternative.name])
            for alternative in group
            if alternative.name in installed
        )

    def _give_up(self, name: DebianName) -> None:
        self._given_up.add(name)
        self.selection.drop(name)
        if (installed := self.universe.installed.get(name)) is not None:
            self.selection.add(installed)

    def _make_room(self, package: DebianPackage, upgrades: list[DebianPackage]) -> bool:
        """Handle what *package* refuses: give way, make an unkept choice give way, or upgrade."""
        room = True
        for alternative in self.universe.refusals(package):
            for other in list(self.selection.refused_by(package, alternative)):
                installed = self.universe.installed.get(other.name)
                if installed is not None and installed == other:
                    newer = self.universe.candidate(other.name)
                    if (
                        newer is not None
                        and newer != other
                        and not refuses(alternative, package, newer)
                    ):
                        upgrades.append(newer)
                        continue
                    room = False
                elif other.name in self._kept or other.name in self._open:
                    room = False
                else:
                    self.selection.drop(other.name)
                    if installed is not None:
                        self.selection.add(installed)
        return room

    def _dependants_left_behind(
        self, before: DebianPackage | None, after: DebianPackage
    ) -> list[DebianPackage]:
        """Return candidates of installed packages whose needs only the old version met."""
        if before is None or before != self.universe.installed.get(after.name):
            return []
        found = []
        for name, package in self.universe.installed.items():
            if self.selection.packages.get(name) != package or name == after.name:
                continue
            for group in self.universe.needs(package):
                if any(
                    bears(alternative, before) and not bears(alternative, after)
                    for alternative in group
                ):
                    newer = self.universe.candidate(name)
                    if newer is not None and newer != package:
                        found.append(newer)
                    break
        return found

    def _satisfy(
        self,
        needs: list[tuple[Group, bool]],
        *,
        kept: bool,
        depth: int,
    ) -> bool:
        complete = True
        for group, must in needs:
            if self.selection.meets(group):
                if kept and must:
                    complete &= self._keep_only_solution(group, depth)
                continue
            if not all(self.universe.is_read(one.name) for one in group[:1]):
                continue
            solutions = self._candidates(group)
            for solution in solutions:
                if kept and must and len(solutions) == 1:
                    if not self._mark(solution, complete=False, depth=depth + 1):
                        continue
                    self._keep(solution)
                if self._mark(solution, complete=True, depth=depth + 1):
                    break
            else:
                if must and not self.universe.missing:
                    complete = False
                    if not kept:
                        return False
        return complete

    def _keep_only_solution(self, group: Group, depth: int) -> bool:
        solutions = {one.name: one for one in self._candidates(group)}
        for alternative in group:
            for one in self.selection.meeting(alternative):
                solutions.setdefault(one.name, one)
        if len(solutions) != 1:
            return True
        (solution,) = solutions.values()
        solution = self.selection.packages.get(solution.name, solution)
        if solution.name in self._kept:
            return True
        self._keep(solution)
        return self._mark(solution, complete=True, depth=depth + 1)


def _provided_names(package: DebianPackage) -> list[DebianName]:
    return [provision.name for provision in index_provides(package.provides)]
