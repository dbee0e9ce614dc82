"""
A complete search over finite domains whose candidates exclude each other in pairs.

The engine knows no hardware: a candidate is a bit, a domain a mask of bits, and what a candidate
excludes a mask too. Forward checking keeps every open domain consistent with what was chosen;
the variable with the fewest candidates per past failure goes first, and restarts carry that
experience over. Where many variables want few things that none of them shares, a matching tells
in polynomial time that not all can have one, which plain backtracking would try out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from copy import copy

from ._hall import HallCheck
from ._resources import Candidate, Use

_FIRST_LIMIT = 60
"""Failures before the first restart; the limit doubles each time, so the search stays complete."""

_NEARLY = 8
"""So many variables are looked for beside an assignment that fitted before."""

NoGood = tuple[tuple[int, int], ...]
"""Variables with some of their candidates each, as a mask: not all of them may be among these."""

Chosen = tuple[int, ...]
"""Bit of the chosen candidate per variable; -1 for a variable that was not asked for."""


class _LimitReached(Exception):  # noqa: N818  control flow within this module
    pass


class Space:
    """All variables of one problem with their candidates as bits."""

    def __init__(self, domains: Sequence[Sequence[Candidate]], *, strict: bool) -> None:
        """
        Lay out *domains*; variables that share one domain object share its work.

        *strict*: addresses that parts answer besides their own exclude others, too.
        """
        self.size = len(domains)
        self.offsets: list[int] = []
        self.masks: list[int] = []
        self.of_bit: list[Candidate] = []
        owners: dict[int, list[int]] = {}
        for variable, domain in enumerate(domains):
            self.offsets.append(len(self.of_bit))
            self.masks.append(((1 << len(domain)) - 1) << len(self.of_bit))
            self.of_bit.extend(domain)
            owners.setdefault(id(domain), []).append(variable)
        users: dict[Use, int] = {}
        shapes: list[tuple[int, Sequence[Candidate], list[tuple[Use, ...]]]] = []
        for variables in owners.values():
            domain = domains[variables[0]]
            anchor = 0
            for variable in variables:
                anchor |= 1 << self.offsets[variable]
            uses = [(*one.uses, *one.also) if strict else one.uses for one in domain]
            for place, wanted in enumerate(uses):
                mask = anchor << place
                for use in wanted:
                    users[use] = users.get(use, 0) | mask
            shapes.append((variables[0], domain, uses))
        enemies = _enemies(users)
        self.excludes: list[int] = [0] * len(self.of_bit)
        for variables in owners.values():
            first = variables[0]
            uses = next(found for variable, _, found in shapes if variable == first)
            for place, wanted in enumerate(uses):
                mask = 0
                for use in wanted:
                    mask |= enemies[use]
                for variable in variables:
                    self.excludes[self.offsets[variable] + place] = mask
        self.all = (1 << len(self.of_bit)) - 1
        self._weights = [1] * self.size
        self.hall_check: HallCheck | None = None
        self._shapes = [0] * self.size
        for variables in owners.values():
            for variable in variables:
                self._shapes[variable] = variables[0]
        self._fitted: Chosen = (-1,) * self.size
        self._plain = self
        """The same without what was forbidden since."""
        self.forbidden: dict[int, list[list[tuple[int, int]]]] = {}
        """Variable -> no-goods of three and more in which it is: mask of its domain, mask."""
        self.nodes = 0
        """Choices tried so far; a measure of effort that is the same on every machine."""

    def forbidding(self, no_goods: Iterable[NoGood]) -> Space:
        """Return the same space without *no_goods*, of two and more variables each."""
        new = copy(self)
        new.excludes = self.excludes.copy()
        new.forbidden = {one: found.copy() for one, found in self.forbidden.items()}
        for parts in no_goods:
            if len(parts) == 2:
                for (_, mask), (_, other) in (parts, parts[::-1]):
                    for bit in bits_of(mask):
                        new.excludes[bit] |= other
                continue
            told = [(self.masks[variable], mask) for variable, mask in parts]
            for variable, _ in parts:
                new.forbidden.setdefault(variable, []).append(told)
        return new

    def _forbid(self, variable: int, bit: int, left: int) -> int:
        """
        Return *left* once *variable* has *bit*, without what would complete a no-good.

        0: it is complete.
        """
        left = left & ~self.masks[variable] | 1 << bit
        for told in self.forbidden.get(variable, ()):
            open_part = 0
            for domain, mask in told:
                if left & domain & ~mask:
                    if open_part:
                        break
                    open_part = mask
            else:
                if not open_part:
                    return 0
                left &= ~open_part
        return left

    def allows(self, chosen: Sequence[int]) -> bool:
        """Whether *chosen* completes no no-good of three and more."""
        if not self.forbidden:
            return True
        held = 0
        for bit in chosen:
            if bit >= 0:
                held |= 1 << bit
        return all(
            any(held & domain & ~mask for domain, mask in told)
            for found in self.forbidden.values()
            for told in found
        )

    def solve(
        self,
        variables: Iterable[int],
        alive: int | None = None,
        budget: int | None = None,
    ) -> Chosen | None:
        """
        Return one candidate per variable of *variables*, all compatible; None: there is none.

        *alive* restricts the candidates. Candidates are tried in the order of their domain.
        *budget*: failures after which None means "not found"; without it the search is complete.
        """
        asked = list(variables)
        mask = self.all if alive is None else alive
        for variable in asked:
            if not mask & self.masks[variable]:
                return None
        limit = _FIRST_LIMIT
        matching = False
        while True:
            chosen = [-1] * self.size
            self._failures = limit
            self._matching = matching
            try:
                if matching and not self._can_match(asked, mask):
                    return None
                found = self._descend(mask, asked, chosen)
            except _LimitReached:
                if budget is not None and limit >= budget:
                    return None
                limit *= 2
                matching = True
                continue
            return tuple(chosen) if found else None

    def fits(
        self,
        variables: Iterable[int],
        alive: int | None = None,
        budget: int | None = None,
    ) -> bool:
        """
        Whether `solve` finds an assignment; cheap where one that fitted before nearly serves.

        What it chose is left as it is, and only the rest is looked for: most questions about
        repairs differ from the one before in a claim or two.
        """
        asked = list(variables)
        within = self.all if alive is None else alive
        found = self._beside(asked, within)
        if found is None:
            if self._plain.hall_check is not None and self.crowd(asked, within):
                return False  # where counting was needed before, it saves a search
            found = self.solve(asked, alive, budget)
        if found is None:
            return False
        self._fitted = found
        return True

    def _beside(self, asked: Sequence[int], alive: int) -> Chosen | None:
        chosen = [-1] * self.size
        left, rest = alive, []
        for variable in asked:
            bit = self._fitted[variable]
            if bit >= 0 and alive >> bit & 1:
                chosen[variable] = bit
                left &= ~self.excludes[bit]
            else:
                rest.append(variable)
        if len(rest) > _NEARLY:
            return None
        for variable in rest:
            domain = left & self.masks[variable]
            if not domain:
                return None
            bit = (domain & -domain).bit_length() - 1
            chosen[variable] = bit
            left &= ~self.excludes[bit]
        return tuple(chosen) if self.allows(chosen) else None

    def _descend(self, alive: int, asked: list[int], chosen: list[int]) -> bool:
        """Fill *chosen* for *asked*; a list of levels, since a robot may have a thousand claims."""
        levels: list[tuple[int, list[int], int, int]] = []
        while asked:
            best = self._next(alive, asked)
            if best >= 0:
                rest = [variable for variable in asked if variable != best]
                levels.append((best, rest, alive, alive & self.masks[best]))
            while levels:
                best, rest, alive, domain = levels.pop()
                bit, left = self._first(best, rest, alive, domain)
                chosen[best] = bit
                if bit >= 0:
                    # What comes after the bit is left for when the levels below find nothing.
                    levels.append((best, rest, alive, domain >> bit + 1 << bit + 1))
                    alive, asked = left, rest
                    break
            else:
                return False
        return True

    def _next(self, alive: int, asked: Sequence[int]) -> int:
        """Return the variable of *asked* to choose for next; -1: one has nothing left."""
        masks, weights = self.masks, self._weights
        best = -1
        best_count = 0
        best_weight = 1
        for variable in asked:
            count = (alive & masks[variable]).bit_count()
            if count * best_weight < best_count * weights[variable] or best < 0:
                best, best_count, best_weight = variable, count, weights[variable]
                if count <= 1:
                    if count:
                        break
                    self._failed(variable)
                    return -1
        return best

    def _first(
        self, variable: int, rest: Sequence[int], alive: int, domain: int
    ) -> tuple[int, int]:
        """Return the first bit of *domain* that leaves all of *rest* something, and what; or -1."""
        masks, excludes = self.masks, self.excludes
        while domain:
            lowest = domain & -domain
            domain ^= lowest
            bit = lowest.bit_length() - 1
            self.nodes += 1
            left = alive & ~excludes[bit]
            if self.forbidden and not (left := self._forbid(variable, bit, left)):
                continue
            for other in rest:
                if not left & masks[other]:
                    self._failed(other)
                    break
            else:
                if not self._matching or self._can_match(rest, left):
                    return bit, left
                self._failed(variable)
        return -1, 0

    def _failed(self, variable: int) -> None:
        self._weights[variable] += 1
        self._failures -= 1
        if self._failures <= 0:
            raise _LimitReached

    def _can_match(self, asked: Iterable[int], alive: int) -> bool:
        return not self.crowd(asked, alive)

    def crowd(self, asked: Iterable[int], alive: int) -> list[int]:
        """
        Return variables that want fewer things for themselves than they are; empty: none found.

        Each of them could be served if any other one of them went away.
        """
        if self._plain is not self:
            return self._plain.crowd(asked, alive)
        if self.hall_check is None:
            # Most robots fit at the first try and never come here.
            self.hall_check = HallCheck(self, self._shapes)
        return self.hall_check.find(list(asked), alive)


def _enemies(users: Mapping[Use, int]) -> dict[Use, int]:
    """Return, per use, the candidates that cannot be together with it."""
    by_resource: dict[object, list[tuple[Use, int]]] = {}
    for use, mask in users.items():
        by_resource.setdefault(use.resource, []).append((use, mask))
    enemies: dict[Use, int] = {}
    for group in by_resource.values():
        for use, _ in group:
            mask = 0
            for other, bits in group:
                if use.keys.isdisjoint(other.keys):
                    mask |= bits
            enemies[use] = mask
    return enemies


def bits_of(mask: int) -> Iterable[int]:
    """Yield the numbers of the bits of *mask*, the lowest first."""
    while mask:
        lowest = mask & -mask
        yield lowest.bit_length() - 1
        mask ^= lowest
