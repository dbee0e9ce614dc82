"""
An engine that gives one value to each variable, or proves that there is no way; it knows no names.

Values are bits, so that a set of values is an integer: the domain of a variable, and the part of
it that a literal lets in. A clause holds where one of its literals does. From each contradiction a
clause is learned that follows from the others and rules out what led there, and the search goes
back to the first place where that clause says something new.

Source:
    J. P. Marques-Silva, K. A. Sakallah, GRASP: A Search Algorithm for Propositional
    Satisfiability, IEEE Transactions on Computers 48 (1999): learning, going back, unique
    implication points. M. W. Moskewicz and others, Chaff: Engineering an Efficient SAT Solver,
    DAC 2001: two watched literals. Here with many values instead of two: literals of one
    variable are joined by union, and resolved by intersection.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from heapq import heapify, heappop, heappush

from robokit_plan.model import dataclass


class Clause:
    """
    Variable -> the values of which it must take one unless another literal holds.

    `roots`: the first facts that it follows from, as bits; 0 where it holds by itself.
    `tentative`: it rests on what was known when it was made, and goes once more is.
    """

    __slots__ = ("literals", "roots", "tentative", "watched")

    def __init__(
        self, literals: dict[int, int], *, roots: int = 0, tentative: bool = False
    ) -> None:
        self.literals = literals
        self.roots = roots
        self.tentative = tentative
        self.watched = (-1, -1)


@dataclass(eq=False, slots=True)
class _Step:
    """
    One domain made smaller: what it was `before`, and why; without `reason` it was chosen.

    `late`: the reason held before `level` began, so `level` does not say what it rests on.
    """

    variable: int
    before: int
    reason: Clause | None
    level: int
    late: bool


class ImpossibleError(Exception):
    """There is no way; `roots`: first facts that exclude each other, `broken` the last clause."""

    def __init__(self, roots: int, broken: Clause) -> None:
        self.roots = roots
        self.broken = broken
        super().__init__(roots)


class TooLongError(Exception):
    """The search was given up."""


class Engine:
    """
    Variables, their domains, and the clauses among them.

    `none` is the value of a variable that plays no part. `steps` bounds the search: it counts
    clauses looked at, so that a search ends at the same place on each machine. `touched`: variables
    whose domain shrank since whoever reads this last emptied it.
    """

    def __init__(self, *, none: int, steps: int) -> None:
        self.domains: list[int] = []
        self.full: list[int] = []
        self.touched: list[int] = []
        self.conflicts = 0
        self._none = none
        self._steps = steps
        self._watching: list[list[Clause]] = []
        self._linked: list[list[tuple[int, int]]] = []
        self._trail: list[_Step] = []
        self._starts = [0]
        self._history: list[list[int]] = []
        self._first_facts: list[int] = []
        self._pending: dict[int, None] = {}
        self._facts: list[Clause] = []

    @property
    def level(self) -> int:
        """How many choices are in force."""
        return len(self._starts) - 1

    @property
    def steps_left(self) -> int:
        """How many steps may still be spent."""
        return max(self._steps, 0)

    @property
    def is_pending(self) -> bool:
        """Whether consequences are left to be drawn."""
        return bool(self._pending)

    @property
    def facts(self) -> Iterable[Clause]:
        """What was learned of one variable alone."""
        return tuple(self._facts)

    @property
    def choices(self) -> Mapping[int, int]:
        """Each variable that was chosen for -> the values left to it by the last such choice."""
        found = {}
        for start in self._starts[1:]:
            variable = self._trail[start].variable
            after = next((one for one in self._history[variable] if one > start), None)
            found[variable] = self.domains[variable] if after is None else self._trail[after].before
        return found

    def variable(self, values: int) -> int:
        """Return a new variable that takes one of *values*."""
        self.domains.append(values)
        self.full.append(values)
        self._watching.append([])
        self._linked.append([])
        self._history.append([])
        self._first_facts.append(0)
        return len(self.domains) - 1

    def link(self, follower: int, leader: int) -> None:
        """Let *follower* take what *leader* takes, or none."""
        self._linked[follower].append((follower, leader))
        self._linked[leader].append((follower, leader))
        self._pending[leader] = None

    def watch(self, clause: Clause) -> None:
        """Look at *clause*, of two literals at least, whenever one of the first two fails."""
        first, second = list(clause.literals)[:2]
        clause.watched = (first, second)
        self._watching[first].append(clause)
        self._watching[second].append(clause)

    def spend(self, steps: int) -> None:
        """
        Count *steps*.

        Raises:
            TooLongError: There are none left.
        """
        self._steps -= steps
        if self._steps < 0:
            raise TooLongError

    def choose(self, variable: int, values: int) -> None:
        """Take *variable* to be among *values*, on a new level; nothing may be pending."""
        self._starts.append(len(self._trail))
        self._shrink(variable, self.domains[variable] & values, None, late=False)

    def narrow(self, variable: int, reason: Clause) -> Clause | None:
        """Apply *reason*, all of whose other literals fail; return it where this one does, too."""
        domain = self.domains[variable]
        left = domain & reason.literals[variable]
        if left == domain:
            return None
        if not left:
            return reason
        level = self.level
        late = level > 0 and all(
            not self._history[other] or self._trail[self._history[other][-1]].level < level
            for other in reason.literals
            if other != variable
        )
        self._shrink(variable, left, reason, late=late)
        return None

    def _shrink(self, variable: int, left: int, reason: Clause | None, *, late: bool) -> None:
        self._history[variable].append(len(self._trail))
        self._trail.append(_Step(variable, self.domains[variable], reason, self.level, late))
        self.domains[variable] = left
        self._pending[variable] = None
        self.touched.append(variable)
        if not self.level and reason is not None:
            for other in reason.literals:
                self._first_facts[variable] |= self._first_facts[other]
            self._first_facts[variable] |= reason.roots

    # Consequences

    def propagate(self) -> Clause | None:
        """Draw all consequences; return a clause that they break, None where none is broken."""
        while self._pending:
            variable = next(iter(self._pending))
            del self._pending[variable]
            broken = self._followed(variable) or self._looked_at(variable)
            if broken is not None:
                self._pending.clear()
                return broken
        return None

    def _followed(self, variable: int) -> Clause | None:
        for follower, leader in self._linked[variable]:
            lead = self.domains[leader]
            allowed = (lead | self._none) & self.full[follower]
            if self.domains[follower] & ~allowed:
                others = self.full[leader] & ~lead
                broken = self.narrow(follower, Clause({follower: allowed, leader: others}))
                if broken is not None:
                    return broken
            follow = self.domains[follower]
            if not follow & self._none and lead & ~follow:
                others = self.full[follower] & ~follow
                broken = self.narrow(leader, Clause({leader: follow, follower: others}))
                if broken is not None:
                    return broken
        return None

    def _looked_at(self, variable: int) -> Clause | None:
        domains = self.domains
        watching = self._watching[variable]
        self.spend(len(watching))
        kept: list[Clause] = []
        broken: Clause | None = None
        for place, clause in enumerate(watching):
            literals = clause.literals
            if domains[variable] & literals[variable]:
                kept.append(clause)
                continue
            first, second = clause.watched
            other = second if first == variable else first
            if domains[other] & ~literals[other]:
                for new, values in literals.items():
                    if new not in (variable, other) and domains[new] & values:
                        clause.watched = (other, new)
                        self._watching[new].append(clause)
                        break
                else:
                    kept.append(clause)
                    broken = self.narrow(other, clause)
                    if broken is not None:
                        kept += watching[place + 1 :]
                        break
            else:
                kept.append(clause)
        self._watching[variable] = kept
        return broken

    # Contradictions

    def is_chosen_away(self, variable: int, values: int) -> bool:
        """Return whether none of *values* is left because of what *variable* was chosen to be."""
        place = self._failed_at(variable, values)
        return place >= 0 and self._trail[place].reason is None

    def go_before(self, variable: int) -> None:
        """Go back to before *variable* was chosen for, which it was."""
        place = next(one for one in self._history[variable] if self._trail[one].reason is None)
        self.go_back(self._trail[place].level - 1)

    def learn(self, broken: Clause, gives_way: Callable[[Clause, int, int], bool]) -> None:
        """
        Learn from *broken*, no literal of which holds, and go back to where that says something.

        That rules out the later one of two choices. Where *gives_way* says so of the clause, the
        later one, and the earlier one, it goes back to before the earlier one was made, which
        rules out nothing yet.

        Raises:
            ImpossibleError: No choice had part in it.
            TooLongError: There are no steps left.
        """
        self.conflicts += 1
        literals = {one: values for one, values in broken.literals.items() if values}
        roots, tentative = broken.roots, broken.tentative
        # Literals by the step that made them fail, the latest first; `_latest` drops old ones.
        heap = [(-self._failed_at(one, values), one) for one, values in literals.items()]
        heapify(heap)
        while True:
            self.spend(len(literals))
            place, variable = self._latest(heap, literals)
            if place < 0 or not self._trail[place].level:
                for one in literals:
                    roots |= self._first_facts[one]
                raise ImpossibleError(roots, broken)
            step = self._trail[place]
            heappop(heap)
            before, second = self._latest(heap, literals, but=variable)
            below = self._trail[before].level if before >= 0 else 0
            if not step.late and below < step.level:
                break
            reason = step.reason
            if reason is None:
                raise AssertionError("a choice is the first step of its level")
            roots |= reason.roots
            tentative = tentative or reason.tentative
            for one, values in reason.literals.items():
                both = literals[one] & values if one == variable else literals.get(one, 0) | values
                if both:
                    literals[one] = both
                    heappush(heap, (-self._failed_at(one, both), one))
                else:
                    literals.pop(one, None)
        # The two that fail last are the ones to watch.
        order = [variable, second] if second >= 0 else [variable]
        learned = Clause(
            {**{one: literals[one] for one in order}, **literals}, roots=roots, tentative=tentative
        )
        if second < 0:
            self._facts.append(learned)
        elif self._trail[before].reason is None and gives_way(learned, variable, second):
            self.go_back(below - 1)
            self.watch(learned)
            return
        else:
            self.watch(learned)
        self.go_back(below)
        self.narrow(variable, learned)

    def _latest(
        self, heap: list[tuple[int, int]], literals: Mapping[int, int], but: int = -1
    ) -> tuple[int, int]:
        """Return place and variable of the literal that failed last; (-1, -1) where none did."""
        while heap:
            place, variable = -heap[0][0], heap[0][1]
            values = literals.get(variable)
            if variable != but and values and self._failed_at(variable, values) == place:
                return place, variable
            heappop(heap)
        return -1, -1

    def _failed_at(self, variable: int, values: int) -> int:
        """Return the place of the step that left none of *values*; -1 where there never was one."""
        for place in reversed(self._history[variable]):
            if self._trail[place].before & values:
                return place
        return -1

    def go_back(self, level: int) -> None:
        """Undo all steps above *level*."""
        if level < self.level:
            self._undo(self._starts[level + 1])
            del self._starts[level + 1 :]

    def _undo(self, start: int) -> None:
        for step in reversed(self._trail[start:]):
            self.domains[step.variable] = step.before
            self._history[step.variable].pop()
        del self._trail[start:]
        self._pending.clear()

    def forget(self) -> None:
        """Undo all steps, and drop all that rests on what was known until now."""
        self.go_back(0)
        self._undo(0)
        self._first_facts = [0] * len(self.domains)
        self._facts = [one for one in self._facts if not one.tentative]
        self._watching = [[one for one in part if not one.tentative] for part in self._watching]
        self._pending = dict.fromkeys(range(len(self.domains)))

    def reasons(self, variable: int) -> Iterable[Clause]:
        """Return why *variable* has only the values that it has."""
        steps = (self._trail[place] for place in self._history[variable])
        return tuple(step.reason for step in steps if step.reason is not None)
