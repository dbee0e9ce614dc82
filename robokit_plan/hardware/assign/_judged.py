"""
The choice among assignments that fit, by what is judged of them afterwards.

The search knows what excludes what; a judge knows what else is an error: what a line does at
reset, levels, converters, timers, sums. Its errors are learned as no-goods, over the
candidates of one claim or of several, and the search is asked again, until the judge finds none.

A no-good is sound: the judge finds the same error among its claims alone. Claims of one no-good
are those that the error needs (QuickXplain over the judge's answer); it takes in all candidates
with which the error stays. Where all no-goods together leave nothing that fits, the fewest errors
are let stand: a least hitting set over irreducible sets of errors that cannot all be avoided.

Source:
    Davies and Bacchus, Solving MAXSAT by Solving a Sequence of Simpler SAT Instances, CP 2011.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

from robokit_plan.hardware.problem import ClaimKeyPair, HardwareProblem, Judge, JudgedError
from robokit_plan.model import (
    Assignment,
    ClaimKey,
    ClaimName,
    InstanceName,
    Origin,
    VariantName,
    replace,
)

from ._board_view import BoardView
from ._conflicts import irreducible
from ._made import assignment_of
from ._optimize import Preference
from ._search import Chosen, NoGood, Space, bits_of
from ._variables import Variable

_ROUNDS = 60
"""So often an assignment is judged; after that the best so far is the answer."""
_FEW = 64
"""Claims of so many places are all judged at the first error; those of more once one is theirs."""
_EFFORT = 4000
"""So many questions to the judge; robots of which places decide nothing need one."""
_HARD = 2000
"""Failures after which a set of errors counts as one that cannot be avoided together."""
_BUDGET = 240
"""The same where there are so many that they are tried one after the other."""
_CORES = 4
"""With more sets of errors of which each cannot be avoided as a whole, those that are let stand are
chosen one after the other, and may be more than the fewest."""
_EXACT = 14
"""Likewise with more errors in these sets."""

_ANYWHERE = ClaimKey(name=ClaimName("claim"), origin=Origin(file=""))

Places = tuple[tuple[int, int], ...]
"""Variables with the bit of a candidate each."""


class _Error(NamedTuple):
    """What counts as one error: a rule about the same claims, wherever they are."""

    hazardous: bool
    keys: tuple[ClaimKeyPair, ...]
    rule: str


class Judged:
    """One problem with its judge."""

    def __init__(
        self,
        problem: HardwareProblem,
        view: BoardView,
        space: Space,
        variables: Sequence[Variable],
        asked: Sequence[int],
        alive: int,
        judge: Judge,
    ) -> None:
        self._problem = problem
        self._view = view
        self._space = space
        self._variables = variables
        self._asked = asked
        self._alive = alive
        self._judge = judge
        self._asked_so_far = 0
        self._learned: dict[_Error, dict[NoGood, None]] = {}
        self._cores: list[frozenset[_Error]] = []
        self._made: dict[int, Assignment] = {}
        self._alone: dict[object, Mapping[str, int]] = {}
        self._anywhere: dict[object, frozenset[tuple[str, str]]] = {}
        self._alike: dict[tuple[str, int], Sequence[int]] = {}
        self._known: set[tuple[str, Places]] = set()
        self._index: dict[ClaimKeyPair, list[int]] = {}
        for index in asked:
            self._index.setdefault(variables[index].key, []).append(index)

    def settled(self, chosen: Chosen) -> tuple[Chosen, Sequence[JudgedError]]:
        """
        Return the preferred assignment with the fewest errors, and these.

        *chosen*: one that fits.
        """
        preferred = self._preferred(self._space, chosen, self._alive)
        best = (preferred, self._errors_of(preferred))
        errors = best[1]
        for _ in range(_ROUNDS):
            # What is left once nothing is learned was let stand, or rests on no place.
            if not errors or self._asked_so_far > _EFFORT or not self._learn(errors, preferred):
                break
            found = self._next()
            if found is None:
                break
            preferred, errors = found, self._errors_of(found)
            if len(errors) < len(best[1]):
                best = (preferred, errors)
        return (preferred, errors) if len(errors) == len(best[1]) else best

    def _preferred(self, space: Space, chosen: Chosen, alive: int) -> Chosen:
        asked = self._asked
        one = Preference(space, self._variables, asked, chosen, alive)
        return one.apply(self._problem, self._view)

    # --- what the judge says ------------------------------------------------------------------

    def _errors_of(self, chosen: Chosen) -> Sequence[JudgedError]:
        return self._judged([(index, chosen[index]) for index in self._asked])

    def _judged(
        self,
        places: Iterable[tuple[int, int]],
        only: frozenset[ClaimKeyPair] | None = None,
        rule: str | None = None,
    ) -> Sequence[JudgedError]:
        """Return the errors of *places*, the variants that they name or need chosen."""
        self._asked_so_far += 1
        of_bit = self._space.of_bit
        variants: dict[InstanceName, VariantName | None] = {
            one.name: None for one in self._problem.instances
        }
        placed: list[Assignment] = []
        for index, bit in places:
            variable, candidate = self._variables[index], of_bit[bit]
            if variable.choice:
                variants[variable.instance] = VariantName(candidate.resource)
            elif candidate.active:
                if variable.request is not None and variable.request.variant is not None:
                    variants[variable.instance] = variable.request.variant
                placed.append(self._assignment(index, bit))
        return self._judge.errors(placed, variants, only, rule)

    def alone(self, index: int) -> Mapping[str, int]:
        """
        Return the errors that a claim makes by itself: rule -> the candidates that make it.

        What it makes without a place is none of them.
        """
        variable = self._variables[index]
        shape = self._shape(variable)
        first = self._space.offsets[index]
        if shape not in self._alone:
            claim = None if variable.request is None else variable.request.claim
            bits = [
                bit for bit in bits_of(self._space.masks[index]) if self._space.of_bit[bit].active
            ]
            places = [self._assignment(index, bit) for bit in bits]
            self._asked_so_far += 1
            found: dict[str, int] = {}
            told = self._judge.alone(variable.key, claim, places)
            for bit, rules in zip(bits, told, strict=True):
                for rule in rules:
                    found[rule] = found.get(rule, 0) | 1 << bit - first
            self._alone[shape] = found
        return {rule: mask << first for rule, mask in self._alone[shape].items()}

    def _shape(self, variable: Variable) -> object:
        """Return what tells claims apart of which each makes the same errors alone."""
        request = variable.request
        if request is None:
            return variable.key
        return (id(variable.candidates), replace(request.claim, key=_ANYWHERE))

    # --- no-goods -----------------------------------------------------------------------------

    def _learn(self, errors: Sequence[JudgedError], chosen: Chosen) -> bool:
        """Learn why *errors* are; False: nothing new."""
        fresh = False
        if not self._alone:
            # Who has to move may move others: what each makes alone is of use soon.
            for index in self._asked:
                one = self._variables[index]
                if not one.choice and len(one.candidates) <= _FEW:
                    for rule, mask in self.alone(index).items():
                        fresh |= self._add(rule, ((index, mask),))
        for error in errors:
            named = [
                index
                for key in sorted(error.claims)
                for index in self._index.get(key, ())
                if self._space.of_bit[chosen[index]].active and not self._variables[index].choice
            ]
            told = False
            for index in named:
                told = told or bool(self.alone(index).get(error.rule, 0) >> chosen[index] & 1)
            if not told:
                fresh |= self._learn_together(error, named, chosen)
        return fresh

    def _add(self, rule: str, no_good: NoGood) -> bool:
        if rule in self._judge.unpublished and any(
            not self._elsewhere(index, mask) for index, mask in no_good
        ):
            return False
        keys = tuple(self._variables[index].key for index, _ in no_good)
        requests = [self._variables[index].request for index, _ in no_good]
        hazardous = any(one is not None and one.hazardous for one in requests)
        error = _Error(hazardous, tuple(sorted(keys)), rule)
        group = self._learned.setdefault(error, {})
        if no_good in group:
            return False
        group[no_good] = None
        return True

    def _elsewhere(self, index: int, mask: int) -> bool:
        """Whether the claim can be made at a place that is not in *mask*."""
        left = self._space.masks[index] & self._alive & ~mask
        return any(self._space.of_bit[bit].active for bit in bits_of(left))

    def _learn_together(self, error: JudgedError, named: Sequence[int], chosen: Chosen) -> bool:
        """Learn an error that no claim makes alone; False: it rests on no place, or is known."""
        places = tuple((index, chosen[index]) for index in named)
        only: frozenset[ClaimKeyPair] | None = None
        if len(places) > 1:
            only = frozenset(self._variables[index].key for index, _ in places)
        if only is None or not self._makes(error.rule, places, only):
            only = None
            places = tuple(
                (index, chosen[index])
                for index in self._asked
                if self._space.of_bit[chosen[index]].active
            )
        known = (error.rule, places)
        if known in self._known:
            return False
        self._known.add(known)
        if not self._makes(error.rule, places, only):
            return False  # it is one wherever everything is
        core = irreducible(lambda some: not self._makes(error.rule, some, only), places)
        fresh = False
        for no_good in self._widened(error.rule, sorted(core), only):
            fresh |= self._add(error.rule, no_good)
        return fresh

    def _makes(
        self,
        rule: str,
        places: Sequence[tuple[int, int]],
        only: frozenset[ClaimKeyPair] | None,
    ) -> bool:
        """Whether *places* make an error of *rule* that is none without any place."""
        if (rule, only) not in self._anywhere:
            self._anywhere[rule, only] = self._resources((), only, rule)
        return any(
            one[0] == rule and one not in self._anywhere[rule, only]
            for one in self._resources(places, only, rule)
        )

    def _resources(
        self,
        places: Sequence[tuple[int, int]],
        only: frozenset[ClaimKeyPair] | None,
        rule: str | None = None,
    ) -> frozenset[tuple[str, str]]:
        return frozenset((one.rule, one.resource) for one in self._judged(places, only, rule))

    def _widened(
        self, rule: str, core: Sequence[tuple[int, int]], only: frozenset[ClaimKeyPair] | None
    ) -> Iterator[NoGood]:
        """Yield *core* with all candidates with which the error stays."""
        classes = [self._classes(rule, index) for index, _ in core]
        own = [
            next(mask for mask in masks if mask >> bit & 1)
            for masks, (_, bit) in zip(classes, core, strict=True)
        ]
        asked = [index for index, _ in core]
        if len(core) > 2 and all(mask & (mask - 1) for mask in own):
            # Of so many only what is alike to the rule is told; other sets are learned in turn.
            yield tuple(zip(asked, own, strict=True))
            return
        wide = []
        for at, (index, _) in enumerate(core):
            mask = own[at]
            for other in classes[at]:
                if other != own[at]:
                    moved = (index, _first(other))
                    if self._makes(rule, [*core[:at], moved, *core[at + 1 :]], only):
                        mask |= other
            wide.append(mask)
        if len(core) == 2 and all(
            self._makes(rule, [(asked[0], _first(one)), (asked[1], _first(two))], only)
            for one in classes[0]
            for two in classes[1]
            if one & wide[0] and two & wide[1] and one != own[0] and two != own[1]
        ):
            yield tuple(zip(asked, wide, strict=True))
            return
        for at in range(len(core)):
            yield tuple(
                (index, wide[at] if one == at else own[one]) for one, index in enumerate(asked)
            )

    def _classes(self, rule: str, index: int) -> Sequence[int]:
        """Return the candidates of *index* in groups that are alike to *rule*."""
        if (rule, index) not in self._alike:
            variable = self._variables[index]
            found: dict[object, int] = {}
            for bit in bits_of(self._space.masks[index] & self._alive):
                one = self._space.of_bit[bit]
                if variable.choice:
                    found[bit] = 1 << bit
                elif one.active:
                    aspect = self._judge.aspect(rule, self._assignment(index, bit))
                    key = bit if aspect is None else aspect
                    found[key] = found.get(key, 0) | 1 << bit
            self._alike[rule, index] = tuple(found.values())
        return self._alike[rule, index]

    def _assignment(self, index: int, bit: int) -> Assignment:
        made = self._made.get(bit)
        if made is None:
            one = self._space.of_bit[bit]
            made = self._made[bit] = assignment_of(self._variables[index], one, self._view)
        return made

    # --- the search anew ----------------------------------------------------------------------

    def _next(self) -> Chosen | None:
        """Return the preferred assignment within what was learned, the fewest errors let stand."""
        while sum(len(core) > 1 for core in self._cores) <= _CORES:
            standing = self._standing()
            # Those with hazards come last, so that they are let stand last.
            kept = [one for one in sorted(self._learned) if one not in standing]
            core = self._covered(kept)
            if not core:
                space, alive = self._within(kept)
                crowd = space.crowd(self._asked, alive)
                found = None if crowd else space.solve(self._asked, alive)
                if found is not None:
                    return self._preferred(space, found, alive)
                core = self._core(kept, crowd)
            if not core:
                return None
            self._cores.append(frozenset(core))
        return self._greedy()

    def _core(self, kept: Sequence[_Error], crowd: Sequence[int]) -> list[_Error]:
        """Return some of *kept*, not all avoidable, all but any one are; *crowd*: who is in it."""
        own = {self._variables[index].key for index in crowd}
        some = [one for one in kept if len(one.keys) == 1 and one.keys[0] in own]
        if some and not self._uncrowded(some):
            return irreducible(self._uncrowded, some[::-1])
        return irreducible(self._avoidable, kept[::-1])

    def _uncrowded(self, errors: Sequence[_Error]) -> bool:
        """Whether counting sees nothing against avoiding *errors*, each of one claim."""
        return not self._space.crowd(self._asked, self._within(errors)[1])

    def _greedy(self) -> Chosen | None:
        """Return the preferred assignment that avoids what goes together, the gravest first."""
        kept: list[_Error] = []
        found = self._space.solve(self._asked, self._alive)

        def grow(more: list[_Error]) -> None:
            nonlocal kept, found
            if not more:
                return
            space, alive = self._within([*kept, *more])
            respects = found is not None and self._respects(found, more)
            again = found if respects else None
            if again is None and not space.crowd(self._asked, alive):
                again = space.solve(self._asked, alive, budget=_BUDGET)
            if again is not None:
                kept, found = [*kept, *more], again
            elif len(more) > 1:
                half = len(more) // 2
                grow(more[:half])
                grow(more[half:])

        forced = {error for core in self._cores if len(core) == 1 for error in core}
        grow([one for one in sorted(self._learned, reverse=True) if one not in forced])
        if found is None:
            return None
        space, alive = self._within(kept)
        return self._preferred(space, found, alive)

    def _respects(self, chosen: Chosen, errors: Iterable[_Error]) -> bool:
        return not any(
            all(mask >> chosen[index] & 1 for index, mask in no_good)
            for error in errors
            for no_good in self._learned[error]
        )

    def _within(self, errors: Iterable[_Error]) -> tuple[Space, int]:
        """Return the space without what makes *errors*."""
        alive = self._alive
        more: list[NoGood] = []
        for error in errors:
            for no_good in self._learned[error]:
                if len(no_good) == 1:
                    alive &= ~no_good[0][1]
                else:
                    more.append(no_good)
        return self._space.forbidding(more) if more else self._space, alive

    def _avoidable(self, errors: Sequence[_Error]) -> bool:
        space, alive = self._within(errors)
        return space.solve(self._asked, alive, budget=_HARD) is not None

    def _covered(self, kept: Sequence[_Error]) -> list[_Error]:
        """Return errors of one claim that leave it no candidate; seen without a search."""
        struck: dict[int, list[tuple[_Error, int]]] = {}
        for error in kept:
            for no_good in self._learned[error]:
                if len(no_good) == 1:
                    index, mask = no_good[0]
                    struck.setdefault(index, []).append((error, mask))
        for index, masks in struck.items():
            own = self._space.masks[index] & self._alive

            def leaves(some: Sequence[tuple[_Error, int]], own: int = own) -> bool:
                left = own
                for _, mask in some:
                    left &= ~mask
                return bool(left)

            if not leaves(masks):
                return [error for error, _ in irreducible(leaves, masks[::-1])]
        return []

    def _standing(self) -> frozenset[_Error]:
        """Return the fewest errors of which each set that cannot be avoided together has one."""
        forced = {error for core in self._cores if len(core) == 1 for error in core}
        left = [core for core in self._cores if not core & forced]
        if not left:
            return frozenset(forced)
        among = sorted({error for core in left for error in core})
        if len(among) <= _EXACT:
            for count in range(1, len(left) + 1):
                for some in combinations(among, count):
                    if all(not core.isdisjoint(some) for core in left):
                        return frozenset((*forced, *some))
        while left:
            most = max(among, key=lambda error: sum(error in core for core in left))
            forced.add(most)
            left = [core for core in left if most not in core]
        return frozenset(forced)


def _first(mask: int) -> int:
    return (mask & -mask).bit_length() - 1
