"""Which claims cannot go together: irreducible sets, all of the independent ones."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TypeVar

from robokit_plan.hardware.problem import ClaimKeyPair, HardwareProblem
from robokit_plan.model import dataclass

from ._search import Chosen, Space
from ._variables import Variable

_TRIED = 16
"""With more conflicts nobody looks for the best rest; mending the first ones changes it anyway."""


@dataclass(frozen=True, slots=True)
class Conflict:
    """
    Claims of which any one must go before the rest fits.

    Shape:
        `claims` sorted; `dropped` the one without which the plan goes on.
    """

    claims: tuple[ClaimKeyPair, ...]
    dropped: ClaimKeyPair


class Conflicts:
    """Finds the conflicts of one space."""

    def __init__(
        self, problem: HardwareProblem, space: Space, variables: Sequence[Variable], alive: int
    ) -> None:
        self._space = space
        self._alive = alive
        self._choices = [index for index, one in enumerate(variables) if one.choice]
        self.members: dict[ClaimKeyPair, list[int]] = {}
        for index, one in enumerate(variables):
            if not one.choice:
                self.members.setdefault(one.key, []).append(index)
        self._size: Mapping[ClaimKeyPair, int] = {
            key: sum((space.masks[index] & alive).bit_count() for index in indices)
            for key, indices in self.members.items()
        }
        self._worth: dict[ClaimKeyPair, tuple[bool, ...]] = {}
        for one in variables:
            if not one.choice:
                self._worth[one.key] = (
                    one.link,
                    one.key in problem.locked,
                    one.request is not None and one.request.hazardous,
                    one.request is not None and one.request.wiring is not None,
                )

    def indices(self, keys: Iterable[ClaimKeyPair]) -> list[int]:
        """Return the variables of *keys* and every choice of a variant."""
        return [*self._choices, *(index for key in keys for index in self.members[key])]

    def find(self) -> tuple[list[ClaimKeyPair], Chosen, list[Conflict]]:
        """
        Return the claims that fit, an assignment of them, and why the others do not.

        After each conflict its least valuable claim is dropped and the search goes on, so that
        every independent one is found. A claim whose place became free by a later drop comes back.
        """
        kept = sorted(self.members, key=self._order)
        conflicts: list[Conflict] = []
        while True:
            # Where one crowd was, the next is likely, and seen sooner than a search fails.
            crowd = self._crowd(kept) if conflicts else []
            if not crowd:
                chosen = self._space.solve(self.indices(kept), self._alive)
                if chosen is not None:
                    break
                crowd = self._crowd(kept)
            core = self._core(kept, crowd)
            dropped = self._least(core)
            conflicts.append(Conflict(tuple(sorted(core)), dropped))
            kept = [key for key in kept if key != dropped]
        for key in self._left(conflicts):
            again = self._space.solve(self.indices([*kept, key]), self._alive)
            if again is not None:
                kept, chosen = sorted([*kept, key], key=self._order), again
        return kept, chosen, self._told(conflicts, kept)

    def _order(self, key: ClaimKeyPair) -> tuple[int, ClaimKeyPair]:
        return (self._size[key], key)

    def _left(self, conflicts: Sequence[Conflict]) -> list[ClaimKeyPair]:
        """Return what may come back, the most valuable first: a later drop was in its conflict."""
        if len(conflicts) > _TRIED:
            return []
        found = {
            one.dropped
            for at, one in enumerate(conflicts)
            if any(later.dropped in one.claims for later in conflicts[at + 1 :])
        }
        return sorted(found, key=lambda key: (*(not one for one in self._worth[key]), key))

    def _told(self, conflicts: Iterable[Conflict], kept: Sequence[ClaimKeyPair]) -> list[Conflict]:
        """Return *conflicts*, each with a claim as dropped that is not among *kept*."""
        fits = frozenset(kept)
        return [
            one
            if one.dropped not in fits
            else Conflict(one.claims, self._least([key for key in one.claims if key not in fits]))
            for one in conflicts
        ]

    def _crowd(self, kept: Sequence[ClaimKeyPair]) -> list[ClaimKeyPair]:
        """Return claims of *kept* that want fewer things than they are; empty: none found."""
        key_of = {index: key for key in kept for index in self.members[key]}
        crowd = self._space.crowd(key_of, self._alive)
        return sorted({key_of[index] for index in crowd}, key=self._order)

    def _core(
        self, kept: Sequence[ClaimKeyPair], keys: Sequence[ClaimKeyPair]
    ) -> Sequence[ClaimKeyPair]:
        """Return an irreducible conflict among *kept*, which do not fit; *keys*: a crowd in it."""
        if not keys:
            return irreducible(self._fits, kept)
        # More claims than things: as a rule no smaller set is in trouble, which is soon seen.
        if all(self._fits([key for key in keys if key != one]) for one in keys):
            return keys
        return irreducible(self._fits, keys)

    def _fits(self, keys: Sequence[ClaimKeyPair]) -> bool:
        return self._space.fits(self.indices(keys), self._alive)

    def _least(self, core: Sequence[ClaimKeyPair]) -> ClaimKeyPair:
        lowest = min(self._worth[key] for key in core)
        return max(key for key in core if self._worth[key] == lowest)


T = TypeVar("T")


def irreducible(fits: Callable[[Sequence[T]], bool], claims: Sequence[T]) -> list[T]:
    """
    Return a part of *claims* that does not fit although each of its own parts does.

    Halves that do not matter are thrown away whole, so the effort grows with the size of the
    answer rather than with that of the robot; earlier claims are kept rather than later ones.

    Source:
        Junker, QuickXplain, AAAI 2004.
    """

    def split(view: list[T], added: bool, open_claims: list[T]) -> list[T]:
        if added and not fits(view):
            return []
        if len(open_claims) == 1:
            return open_claims
        half = len(open_claims) // 2
        first, second = open_claims[:half], open_claims[half:]
        of_second = split([*view, *first], True, second)
        of_first = split([*view, *of_second], bool(of_second), first)
        return [*of_first, *of_second]

    return split([], False, list(claims))
