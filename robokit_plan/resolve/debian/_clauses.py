"""
A small complete solver for clauses, with proofs.

Unit propagation over two watched literals, learning from the first unique implication point, and
backjumping. It differs from the textbook in two points: a decision comes from the caller, who
knows apt's preferences, and every learned clause remembers the original ones that it follows
from, so a refusal can be told in the archive's own words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

Literal = int
"""A variable's number, from 1; negative: not that variable."""
Clause = tuple[Literal, ...]


class Clauses:
    """
    Search for an assignment; use once.

    Args:
        count: Number of variables.
        clauses: Each must hold; the position is the clause's name in a proof.
    """

    def __init__(self, count: int, clauses: Sequence[Clause]) -> None:
        self._value = [0] * (count + 1)
        self._level = [0] * (count + 1)
        self._reason: list[int] = [-1] * (count + 1)
        self.trail: list[Literal] = []
        self._limits: list[int] = []
        self._head = 0
        self._clauses: list[list[Literal]] = []
        self._sources: list[frozenset[int]] = []
        self._watches: dict[Literal, list[int]] = {}
        self.proof: frozenset[int] | None = None
        """After a failed `solve`: original clauses that cannot hold together."""
        for name, clause in enumerate(clauses):
            if not self._enter(list(dict.fromkeys(clause)), frozenset((name,))):
                return

    def value(self, literal: Literal) -> int:
        """Return 1, -1 or 0: true, false, open."""
        value = self._value[abs(literal)]
        return value if literal > 0 else -value

    def solve(self, decide: Callable[[Clauses, int], tuple[Literal, int] | None]) -> bool:
        """
        Return whether an assignment exists; `trail` then holds it.

        Args:
            decide: (this, position) -> a literal to make true and the position to resume from,
                or None where what is assigned suffices. The position starts at 0 and is taken
                back with the decision that it came from.
        """
        if self.proof is not None:
            return False
        positions: list[int] = [0]
        while True:
            conflict = self._propagate()
            if conflict is not None:
                if not self._limits:
                    self._prove(self._clauses[conflict], self._sources[conflict])
                    return False
                learned, level, sources = self._learn(conflict)
                self._undo(level)
                del positions[level + 1 :]
                if not self._enter(learned, sources):
                    return False
                continue
            step = decide(self, positions[-1])
            if step is None:
                return True
            literal, position = step
            self._limits.append(len(self.trail))
            positions.append(position)
            self._assign(literal, -1)

    def _enter(self, clause: list[Literal], sources: frozenset[int]) -> bool:
        number = len(self._clauses)
        # Watch what is open or true; the rest of a learned clause was false the longest.
        clause.sort(key=lambda one: (self.value(one) < 0, -self._level[abs(one)]))
        self._clauses.append(clause)
        self._sources.append(sources)
        for literal in clause[:2]:
            self._watches.setdefault(literal, []).append(number)
        if not clause or self.value(clause[0]) < 0:
            self._prove(clause, sources)
            return False
        if (len(clause) == 1 or self.value(clause[1]) < 0) and self.value(clause[0]) == 0:
            self._assign(clause[0], number)
        return True

    def _assign(self, literal: Literal, reason: int) -> None:
        variable = abs(literal)
        self._value[variable] = 1 if literal > 0 else -1
        self._level[variable] = len(self._limits)
        self._reason[variable] = reason
        self.trail.append(literal)

    def _propagate(self) -> int | None:
        while self._head < len(self.trail):
            false = -self.trail[self._head]
            self._head += 1
            watching = self._watches.get(false)
            if not watching:
                continue
            kept: list[int] = []
            self._watches[false] = kept
            for place, number in enumerate(watching):
                clause = self._clauses[number]
                if clause[0] == false and len(clause) > 1:
                    clause[0], clause[1] = clause[1], clause[0]
                first = clause[0]
                if self.value(first) > 0:
                    kept.append(number)
                    continue
                for other in range(2, len(clause)):
                    if self.value(clause[other]) >= 0:
                        clause[1], clause[other] = clause[other], clause[1]
                        self._watches.setdefault(clause[1], []).append(number)
                        break
                else:
                    kept.append(number)
                    if self.value(first) < 0:
                        kept += watching[place + 1 :]
                        return number
                    self._assign(first, number)
        return None

    def _learn(self, conflict: int) -> tuple[list[Literal], int, frozenset[int]]:
        """Return the clause of the first unique implication point, and the level to go back to."""
        level = len(self._limits)
        seen: set[int] = set()
        learned: list[Literal] = []
        sources = set(self._sources[conflict])
        clause: Iterable[Literal] = self._clauses[conflict]
        ground: list[Literal] = []
        open_here = 0
        place = len(self.trail) - 1
        while True:
            for literal in clause:
                variable = abs(literal)
                if variable in seen or self.value(literal) > 0:
                    continue
                seen.add(variable)
                if self._level[variable] == level:
                    open_here += 1
                elif self._level[variable] > 0:
                    learned.append(literal)
                else:
                    ground.append(literal)
            while abs(self.trail[place]) not in seen:
                place -= 1
            point = self.trail[place]
            seen.discard(abs(point))
            place -= 1
            open_here -= 1
            if open_here == 0:
                break
            reason = self._reason[abs(point)]
            sources |= self._sources[reason]
            clause = [one for one in self._clauses[reason] if one != point]
        sources |= self._why(ground)
        back = max((self._level[abs(one)] for one in learned), default=0)
        return [-point, *learned], back, frozenset(sources)

    def _why(self, literals: Iterable[Literal]) -> set[int]:
        """Return original clauses behind assignments that no decision led to."""
        sources: set[int] = set()
        seen: set[int] = set()
        stack = [abs(one) for one in literals]
        while stack:
            variable = stack.pop()
            if variable in seen:
                continue
            seen.add(variable)
            reason = self._reason[variable]
            if reason >= 0:
                sources |= self._sources[reason]
                stack += [abs(one) for one in self._clauses[reason]]
        return sources

    def _prove(self, clause: Iterable[Literal], sources: frozenset[int]) -> None:
        self.proof = sources | frozenset(self._why(clause))

    def _undo(self, level: int) -> None:
        start = self._limits[level]
        for literal in self.trail[start:]:
            self._value[abs(literal)] = 0
        del self.trail[start:]
        del self._limits[level:]
        self._head = start
