"""
Of all assignments that fit, the one that disturbs and spoils least.

Order of preference, each level fixed before the next is looked at:

1. what the lock file holds, variants before claims;
2. variants, in their manifest's order;
3. optional claims made rather than left out;
4. the order in which a claim lists its choices;
5. lines whose state at reset suits a hazard, and whose level is known to suit the other side;
6. the board's own order of buses, where a claim takes any;
7. ordinary lines rather than special ones, lines of one plugin side by side.

Levels 1 to 6 are decided by the complete search with a bounded effort per question, the last by
moves and swaps. Within a level, instances and claims are asked in the order of their names.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from robokit_plan.hardware.problem import HardwareProblem
from robokit_plan.model import Assignment, I2cClaim, SpiClaim, UartClaim

from ._board_view import BoardView
from ._resources import Candidate
from ._search import Chosen, Space, bits_of
from ._variables import Variable

_BUDGET = 240
"""Failures per question; a robot that fits with room to spare needs none."""
_EFFORT = 6000
"""Choices tried on preferences altogether; after that the answer stays as it is."""
_PASSES = 4
_SPOILT = 1000
"""Cost from which a place is worse than an inconvenience; see `_signals`."""


class Preference:
    """The choice among assignments of *variables*; starts from one that fits."""

    def __init__(
        self,
        space: Space,
        variables: Sequence[Variable],
        asked: Sequence[int],
        chosen: Chosen,
        alive: int,
    ) -> None:
        self._space = space
        self._variables = variables
        self._asked = asked
        self.chosen = chosen
        self.alive = alive
        self._end = space.nodes + _EFFORT

    def apply(self, problem: HardwareProblem, view: BoardView) -> Chosen:
        """Return the preferred assignment."""
        self._keep_locked(problem)
        self._prefer_each(
            [one for one in self._asked if self._variables[one].choice], lambda one: one.option
        )
        self._prefer_each(
            [one for one in self._asked if self._variables[one].optional],
            lambda one: int(one.function == "left out"),
        )
        claims = [one for one in self._asked if not self._variables[one].choice]
        listing = [one for one in claims if not _takes_any_bus(self._variables[one])]
        self._prefer_each(listing, lambda one: one.option)
        # Moves and swaps stop where a bus of several devices would have to make room.
        self._prefer_each(claims, lambda one: int(one.cost >= _SPOILT))
        self._prefer_each(claims, lambda one: one.option)
        return _settled(self._space, self._variables, self._asked, self.chosen, self.alive, view)

    def _keep_locked(self, problem: HardwareProblem) -> None:
        wanted: list[tuple[int, int]] = []
        for index in self._asked:
            variable = self._variables[index]
            if variable.choice:
                if variable.instance not in problem.locked_variants:
                    continue
                mask = self._variant_mask(index, problem.locked_variants[variable.instance])
            else:
                held = problem.locked.get(variable.key)
                if held is None:
                    continue
                mask = self._locked_mask(index, held)
            if mask:
                wanted.append((index, mask))
        self._restrict_all(wanted)

    def _variant_mask(self, index: int, name: str | None) -> int:
        return self._mask(index, lambda one: one.resource == name)

    def _locked_mask(self, index: int, held: Assignment) -> int:
        """Return the candidates that are what *held* says, those equal in every respect first."""
        lines = {use.line for use in held.lines}
        exact = self._mask(
            index,
            lambda one: (
                not one.active
                or (
                    one.resource == held.resource
                    and {signal.line for signal in one.signals} == lines
                    and one.port == held.port
                    and one.function == held.function
                )
            ),
        )
        if any(self._space.of_bit[bit].active for bit in bits_of(exact)):
            return exact
        rough = self._mask(index, lambda one: not one.active or one.resource == held.resource)
        return rough if any(self._space.of_bit[bit].active for bit in bits_of(rough)) else 0

    def _mask(self, index: int, keep: Callable[[Candidate], bool]) -> int:
        mask = 0
        for bit in bits_of(self._space.masks[index] & self.alive):
            if keep(self._space.of_bit[bit]):
                mask |= 1 << bit
        return mask

    def _restrict_all(self, wanted: Sequence[tuple[int, int]]) -> None:
        """Hold as many of *wanted* as fit, all at once where possible, else the first come."""
        if not wanted:
            return
        together = self.alive
        for index, mask in wanted:
            together &= ~self._space.masks[index] | mask
        if self._try(together):
            return
        for index, mask in wanted:
            self._hold(index, mask)

    def _try(self, alive: int) -> bool:
        """Take over *alive* if something still fits within it."""
        if all(alive >> self.chosen[index] & 1 for index in self._asked):
            self.alive = alive
            return True
        if self._space.nodes > self._end:
            return False
        found = self._space.solve(self._asked, alive, budget=_BUDGET)
        if found is None:
            return False
        self.alive, self.chosen = alive, found
        return True

    def _prefer_each(self, indices: Iterable[int], rank: Callable[[Candidate], int]) -> None:
        """Make the rank of every variable as low as it goes, in the order of *indices*."""
        known: dict[int, list[tuple[int, int]]] = {}
        listed: list[tuple[int, dict[int, int]]] = []
        for index in indices:
            domain = self._variables[index].candidates
            if id(domain) not in known:
                known[id(domain)] = _ranked(domain, rank)
            groups = known[id(domain)]
            if len(groups) < 2:
                continue
            offset = self._space.offsets[index]
            masks = {value: mask << offset & self.alive for value, mask in groups}
            masks = {value: mask for value, mask in masks.items() if mask}
            if len(masks) > 1:
                listed.append((index, masks))
        best = [(index, masks[min(masks)]) for index, masks in listed]
        together = self.alive
        for index, mask in best:
            together &= ~self._space.masks[index] | mask
        if self._try(together):
            return
        for index, masks in listed:
            for mask in masks.values():
                # Lower ranks were refused, so this one stands alone.
                if self._hold(index, mask):
                    break

    def _hold(self, index: int, mask: int) -> bool:
        """Keep *index* within *mask* if that fits, and strike what a single choice excludes."""
        own = self._space.masks[index]
        mask &= self.alive
        if not mask or not self._try(self.alive & (~own | mask)):
            return False
        if not mask & (mask - 1):
            self.alive &= ~(self._space.excludes[mask.bit_length() - 1] & ~own)
        return True


def _takes_any_bus(variable: Variable) -> bool:
    claim = None if variable.request is None else variable.request.claim
    match claim:
        case I2cClaim() | SpiClaim():
            return claim.bus.any
        case UartClaim():
            return claim.port.any
        case _:
            return False


def _ranked(domain: Sequence[Candidate], rank: Callable[[Candidate], int]) -> list[tuple[int, int]]:
    """Return rank -> candidates of that rank as a mask that starts at the domain's first."""
    groups: dict[int, int] = {}
    for place, one in enumerate(domain):
        # A claim that another variant does not make has no rank.
        value = rank(one) if one.active or one.function == "left out" else 0
        groups[value] = groups.get(value, 0) | 1 << place
    return sorted(groups.items())


def _settled(
    space: Space,
    variables: Sequence[Variable],
    asked: Sequence[int],
    chosen: Chosen,
    alive: int,
    view: BoardView,
) -> Chosen:
    """Return *chosen* after moves and swaps that cost less."""
    now = list(chosen)
    occupied = 0
    owner: dict[int, int] = {}
    for index in asked:
        occupied |= 1 << now[index]
        owner[now[index]] = index
    siblings = _siblings(variables, asked)
    rank = {line.name: view.rank[line.pin] for line in view.lines}

    def price(index: int, bit: int) -> tuple[int, int, int]:
        one = space.of_bit[bit]
        if not one.signals or not one.active or one.signals[0].line not in rank:
            return (one.cost, 0, 0)  # an input of the converter is no line, and has no neighbours
        place = rank[one.signals[0].line]
        near = 0
        for other in siblings.get(index, ()):
            signals = space.of_bit[now[other]].signals
            if signals and signals[0].line in rank:
                near += abs(rank[signals[0].line] - place)
        return (one.cost, near, place)

    def move(index: int, bit: int) -> None:
        nonlocal occupied
        old = now[index]
        del owner[old]
        occupied ^= 1 << old
        now[index] = bit
        owner[bit] = index
        occupied |= 1 << bit

    def allowed(moves: Mapping[int, int]) -> bool:
        return space.allows([moves.get(one, bit) for one, bit in enumerate(now)])

    for _ in range(_PASSES):
        changed = False
        for index in asked:
            domain = space.masks[index] & alive
            if domain.bit_count() <= 1:
                continue
            here = price(index, now[index])
            options = sorted(
                (there, bit)
                for bit in bits_of(domain)
                if space.of_bit[bit].cost <= here[0] and (there := price(index, bit)) < here
            )
            for there, bit in options:
                hurt = space.excludes[bit] & (occupied ^ (1 << now[index]))
                if not hurt:
                    if not allowed({index: bit}):
                        continue
                    move(index, bit)
                    changed = True
                    break
                if hurt & (hurt - 1) or there[0] == here[0]:
                    continue
                other = owner[hurt.bit_length() - 1]
                back = _refuge(space, alive, other, bit, occupied, now, index)
                if back is None:
                    continue
                loss = space.of_bit[back].cost - space.of_bit[now[other]].cost
                if there[0] + loss < here[0] and allowed({index: bit, other: back}):
                    move(index, bit)
                    move(other, back)
                    changed = True
                    break
        if not changed:
            break
    return tuple(now)


def _refuge(
    space: Space, alive: int, other: int, bit: int, occupied: int, now: Sequence[int], index: int
) -> int | None:
    """Return the cheapest candidate for *other* once *index* has moved to *bit*."""
    rest = (occupied ^ (1 << now[index]) ^ (1 << now[other])) | (1 << bit)
    best: tuple[int, int] | None = None
    for one in bits_of(space.masks[other] & alive):
        if not space.excludes[one] & rest:
            found = (space.of_bit[one].cost, one)
            if best is None or found < best:
                best = found
    return None if best is None else best[1]


def _siblings(variables: Sequence[Variable], asked: Sequence[int]) -> Mapping[int, Sequence[int]]:
    """Return, per signal, the other signals of its instance."""
    groups: dict[str, list[int]] = {}
    for index in asked:
        request = variables[index].request
        if request is not None and request.section == "signals":
            groups.setdefault(request.instance, []).append(index)
    return {
        index: [other for other in group if other != index]
        for group in groups.values()
        for index in group
        if len(group) > 1
    }
