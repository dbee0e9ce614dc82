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

from ._resources import Candidate, Kind, Use

# Kinds of which a candidate takes one for itself alone: the matching bound looks at each.
_MATCHED = (Kind.LINE, Kind.CHANNEL, Kind.PORT, Kind.ADDRESS, Kind.SELECT, Kind.PIN)
_FIRST_LIMIT = 60
"""Failures before the first restart; the limit doubles each time, so the search stays complete."""

_NEARLY = 8
"""So many variables are looked for beside an assignment that fitted before."""

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
        self._alone: list[dict[int, int]] | None = None
        self._fitted: Chosen = (-1,) * self.size
        self.nodes = 0
        """Choices tried so far; a measure of effort that is the same on every machine."""

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
        found = self._beside(asked, self.all if alive is None else alive)
        if found is None:
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
        return tuple(chosen)

    def _descend(self, alive: int, asked: list[int], chosen: list[int]) -> bool:
        if not asked:
            return True
        masks, weights, excludes = self.masks, self._weights, self.excludes
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
                    return self._failed(variable)
        rest = [variable for variable in asked if variable != best]
        domain = alive & masks[best]
        while domain:
            lowest = domain & -domain
            domain ^= lowest
            bit = lowest.bit_length() - 1
            self.nodes += 1
            left = alive & ~excludes[bit]
            wiped = -1
            for variable in rest:
                if not left & masks[variable]:
                    wiped = variable
                    break
            if wiped >= 0:
                self._failed(wiped)
                continue
            if self._matching and not self._can_match(rest, left):
                self._failed(best)
                continue
            chosen[best] = bit
            if self._descend(left, rest, chosen):
                return True
        chosen[best] = -1
        return False

    def _failed(self, variable: int) -> bool:
        self._weights[variable] += 1
        self._failures -= 1
        if self._failures <= 0:
            raise _LimitReached
        return False

    def _can_match(self, asked: Iterable[int], alive: int) -> bool:
        return not self.crowd(asked, alive)

    def crowd(self, asked: Iterable[int], alive: int) -> list[int]:
        """
        Return variables that want fewer things for themselves than they are; empty: none found.

        Each of them could be served if any other one of them went away.

        Source:
            Hall's theorem; the set is what alternating paths reach from a variable that no
            augmenting path serves.
        """
        if self._alone is None:
            # Most robots fit at the first try and never come here.
            self._alone = _alone_indices(self.of_bit)
        listed = list(asked)
        for index in self._alone:
            found = self._crowd_of(index, listed, alive)
            if found:
                return found
        return []

    def _crowd_of(self, index: Mapping[int, int], asked: list[int], alive: int) -> list[int]:
        names: list[int] = []
        wants: list[list[int]] = []
        for variable in asked:
            domain = alive & self.masks[variable]
            things: list[int] = []
            while domain:
                lowest = domain & -domain
                domain ^= lowest
                thing = index.get(lowest.bit_length() - 1)
                if thing is None:
                    break
                things.append(thing)
            else:
                names.append(variable)
                wants.append(list(dict.fromkeys(things)))
        owner: dict[int, int] = {}

        def place(one: int, seen: set[int]) -> bool:
            for thing in wants[one]:
                if thing not in owner:
                    owner[thing] = one
                    return True
            for thing in wants[one]:
                if thing not in seen:
                    seen.add(thing)
                    if place(owner[thing], seen):
                        owner[thing] = one
                        return True
            return False

        for one in range(len(wants)):
            seen: set[int] = set()
            if not place(one, seen):
                return sorted(names[each] for each in {one, *(owner[thing] for thing in seen)})
        return []


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


def _alone_indices(of_bit: Sequence[Candidate]) -> list[dict[int, int]]:
    """Return, per kind, bit -> number of the thing that its candidate takes for itself alone."""
    indices: dict[Kind, dict[int, int]] = {kind: {} for kind in _MATCHED}
    numbers: dict[object, int] = {}
    for bit, candidate in enumerate(of_bit):
        for resource, keys in candidate.uses:
            if not keys and resource.kind in indices:
                index = indices[resource.kind]
                index.setdefault(bit, numbers.setdefault(resource, len(numbers)))
    return [index for index in indices.values() if index]
