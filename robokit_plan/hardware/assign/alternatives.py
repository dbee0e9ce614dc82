"""Where else each claim could go, and which other variants fit: every answer is solved anew."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.hardware.problem import (
    ClaimKeyPair,
    HardwareAnswer,
    HardwareProblem,
    Judge,
)
from robokit_plan.model import (
    Assignment,
    ClaimName,
    InstanceName,
    LineName,
    MovableClaim,
    OtherPlace,
    OtherVariant,
    ResourceName,
    VariantName,
    replace,
)

from ._board_view import BoardView
from ._made import assignment_of
from ._repairs import wiring_entry
from ._resources import Candidate
from ._search import Space
from ._variables import Variable, offers_of, variables_of

_OF_LINES = ("signals", "one-wire", "uart")
"""Sections whose claims a builder finds by header position."""
_KEPT = {
    "id-eeprom": "the identification memory of an add-on board",
    "boot-flash": "the memory that the board may start from",
}
_BUDGET = 480
"""Failures per question: a place that is this hard to make room for is not offered."""


def movable_claims(
    problem: HardwareProblem,
    answer: HardwareAnswer,
    only: ClaimKeyPair | None = None,
    judge: Judge | None = None,
) -> tuple[MovableClaim, ...]:
    """
    Return every claim that its manifest lets move, with all other places that fit.

    A place for which nothing else moves comes first; for the others the claims that make room are
    named. What the robot file wires is looked at as if that one entry were not there.

    Args:
        problem: What was asked.
        answer: An answer to it; its other claims stay where they are as far as they can.
        only: Limits the answer to one claim, which may have found no place; then places that its
            manifest does not list, and wiring may give, are told too.
        judge: Places where the claim makes an error by itself, and makes none now, are left out.
    """
    wired = {(one.instance, one.claim) for one in problem.wiring}
    held = {(one.instance, one.claim): one for one in answer.assignments}
    plain = None
    found = []
    for key in held if only is None else (only,):
        bench = plain
        if key in wired or only is not None:
            kept = tuple(each for each in problem.wiring if (each.instance, each.claim) != key)
            bench = _Bench(replace(problem, wiring=kept), answer, only, judge)
        elif bench is None:
            bench = plain = _Bench(problem, answer, judge=judge)
        movable = bench.movable(key, held.get(key), wired=key in wired)
        if movable is not None:
            found.append(movable)
    return tuple(found)


def other_variants(problem: HardwareProblem, answer: HardwareAnswer) -> tuple[OtherVariant, ...]:
    """Return, per instance whose variant is open, the others with which all claims fit."""
    bench = _Bench(problem, answer)
    return tuple(bench.variants())


class _Bench:
    """One space with the candidates of an answer marked in it."""

    def __init__(
        self,
        problem: HardwareProblem,
        answer: HardwareAnswer,
        relaxed: ClaimKeyPair | None = None,
        judge: Judge | None = None,
    ) -> None:
        self._judge = judge
        self._view = BoardView(problem)
        open_claims = frozenset(() if relaxed is None else (relaxed,))
        offers = offers_of(problem, self._view)
        self._variables = variables_of(problem, self._view, offers, open_claims)
        held = {(one.instance, one.claim): one for one in (*answer.assignments, *answer.links)}
        left_out = frozenset(answer.left_out)
        self._current: dict[int, int] = {}
        domains = [one.candidates for one in self._variables]
        self._space = Space(domains, strict=True)
        for index, one in enumerate(self._variables):
            place = _current(one, answer, held.get(one.key), left_out)
            if place is not None:
                self._current[index] = self._space.offsets[index] + place
        self._asked = sorted(self._current)
        if not self._agree():
            # Addresses that parts answer besides their own meet in this answer: look away there.
            self._space = Space(domains, strict=False)

    def _agree(self) -> bool:
        bits = self._current.values()
        excludes = self._space.excludes
        return not any(excludes[bit] >> other & 1 for bit in bits for other in bits if bit != other)

    def movable(
        self, key: ClaimKeyPair, held: Assignment | None, *, wired: bool
    ) -> MovableClaim | None:
        """Return the other places of one claim; None: there is no choice."""
        index = self._claim(key)
        if index is None:
            return None
        variable = self._variables[index]
        places: dict[tuple[object, ...], list[int]] = {}
        request = variable.request
        owned = request is not None and len(getattr(request.claim, "positions", ())) > 0
        for at, one in enumerate(variable.candidates):
            # What an add-on board owns is where its plug is; no wiring moves that.
            if one.active and not (owned and at in variable.extra):
                places.setdefault(_face(one), []).append(at)
        now = None if held is None else (held.resource, held.port)
        choices = [face for face in places if face != now]
        if not choices:
            return None
        right = self._right(index, [at for face in choices for at in places[face]])
        others = [
            self._other(index, [at for at in places[face] if at in right]) for face in choices
        ]
        return MovableClaim(
            instance=key[0],
            claim=key[1],
            section="" if request is None else request.section,
            now=None if held is None else ResourceName(_named(held.resource, held.port)),
            where=(
                ""
                if held is None
                else self._where(held.section, held.controller, [use.line for use in held.lines])
            ),
            wired=wired,
            others=tuple(
                sorted(
                    (one for one in others if one is not None),
                    key=lambda one: (one.rewire, len(one.moves) > 0),
                )
            ),
        )

    def _right(self, index: int, places: Sequence[int]) -> frozenset[int]:
        """Return those of *places* where the claim makes no error by itself, but those it makes."""
        variable = self._variables[index]
        if self._judge is None or variable.request is None:
            return frozenset(places)
        asked = [variable.candidates[at] for at in places]
        if index in self._current:
            asked.append(self._at(index))
        rules = self._judge.alone(
            variable.key,
            variable.request.claim,
            [assignment_of(variable, one, self._view) for one in asked if one.active],
        )
        now = rules[-1] if index in self._current and self._at(index).active else frozenset()
        return frozenset(at for at, found in zip(places, rules, strict=False) if found <= now)

    def _claim(self, key: ClaimKeyPair) -> int | None:
        """Return the claim of *key* in the variant that is planned."""
        planned = {
            self._variables[index].instance: self._at(index).resource
            for index in self._asked
            if self._variables[index].choice
        }
        for index, one in enumerate(self._variables):
            if (
                one.key == key
                and one.request is not None
                and one.request.variant in {None, planned.get(one.instance)}
            ):
                return index
        return None

    def _other(self, index: int, places: Sequence[int]) -> OtherPlace | None:
        """Return the first of *places* that can be had, the one that moves least."""
        excludes = self._space.excludes
        bits = [self._space.offsets[index] + at for at in places]
        best: tuple[int, int, tuple[tuple[InstanceName, ClaimName, ResourceName], ...]] | None
        best = None
        for bit in bits:
            in_the_way = [
                other
                for other in self._asked
                if other != index and excludes[bit] >> self._current[other] & 1
            ]
            if not in_the_way:
                return self._place(index, bit, ())
            if any(self._variables[other].choice for other in in_the_way):
                continue
            moves = self._room(index, bit, in_the_way)
            if moves is not None and (best is None or len(moves) < best[0]):
                best = (len(moves), bit, moves)
        return None if best is None else self._place(index, best[1], best[2])

    def _room(
        self, index: int, bit: int, in_the_way: Sequence[int]
    ) -> tuple[tuple[InstanceName, ClaimName, ResourceName], ...] | None:
        """Return who moves where so that *index* gets *bit*: those in its way, else anyone."""
        space = self._space
        asked = sorted({*self._asked, index})
        for movers in (set(in_the_way), {one for one in asked if not self._variables[one].choice}):
            alive = space.all
            for other in asked:
                if other == index:
                    alive &= ~space.masks[other] | 1 << bit
                elif other not in movers:
                    alive &= ~space.masks[other] | 1 << self._current[other]
            chosen = space.solve(asked, alive, budget=_BUDGET)
            if chosen is not None:
                return tuple(
                    (
                        *self._variables[other].key,
                        ResourceName(_named_candidate(space, chosen, other)),
                    )
                    for other in asked
                    if other != index and chosen[other] != self._current[other]
                )
        return None

    def _place(
        self,
        index: int,
        bit: int,
        moves: tuple[tuple[InstanceName, ClaimName, ResourceName], ...],
    ) -> OtherPlace:
        one = self._space.of_bit[bit]
        request = self._variables[index].request
        current = [self._at(index)] if index in self._current else []
        lines = [each.line for each in one.signals]
        own = self._view.board.lines
        known = [own[line] for line in lines if one.controller is None and line in own]
        place = bit - self._space.offsets[index]
        return OtherPlace(
            rewire=place in self._variables[index].extra,
            resource=ResourceName(_named(one.resource, one.port)),
            where=self._where("" if request is None else request.section, one.controller, lines),
            entry=None if request is None else wiring_entry(request, one, current, self._view),
            moves=moves,
            remark="; ".join(
                dict.fromkeys(
                    f"kept for {_KEPT.get(line.reserved, line.reserved)}"
                    for line in known
                    if line.reserved is not None
                )
            ),
        )

    def variants(self) -> Iterable[OtherVariant]:
        """Yield what `other_variants` returns."""
        space = self._space
        for index in self._asked:
            variable = self._variables[index]
            if not variable.choice or len(variable.candidates) < 2:
                continue
            others = []
            everyone = range(len(self._variables))
            placed = {self._variables[one].key for one in self._asked}
            asked = [
                one
                for one in everyone
                if self._variables[one].key in placed
                or self._variables[one].instance == variable.instance
            ]
            for at, one in enumerate(variable.candidates):
                bit = space.offsets[index] + at
                if bit == self._current[index]:
                    continue
                alive = space.all & ~space.masks[index] | 1 << bit
                for other in self._asked:
                    if self._variables[other].choice and other != index:
                        alive &= ~space.masks[other] | 1 << self._current[other]
                if space.solve(asked, alive, budget=_BUDGET) is not None:
                    others.append(VariantName(one.resource))
            yield OtherVariant(
                instance=variable.instance,
                now=VariantName(self._at(index).resource),
                others=tuple(others),
            )

    def _at(self, index: int) -> Candidate:
        return self._space.of_bit[self._current[index]]

    def _where(self, section: str, controller: str | None, lines: Sequence[LineName]) -> str:
        """Return header positions where they say more than the name of a bus does."""
        if controller is not None or section not in _OF_LINES:
            return ""
        found = [str(at) for at in map(self._view.position, lines) if at is not None]
        return ", ".join(found)


def _current(
    one: Variable,
    answer: HardwareAnswer,
    held: Assignment | None,
    left_out: frozenset[ClaimKeyPair],
) -> int | None:
    """Return which candidate of *one* the answer holds; None: none of them."""
    if one.choice:
        return next(
            (
                at
                for at, candidate in enumerate(one.candidates)
                if candidate.resource == answer.variants.get(one.instance)
            ),
            None,
        )
    if one.request is not None and one.request.variant not in {
        None,
        answer.variants.get(one.instance),
    }:
        return next((at for at, each in enumerate(one.candidates) if not each.active), None)
    if held is None:
        if one.key not in left_out:
            return None
        return next((at for at, each in enumerate(one.candidates) if not each.active), None)
    lines = {use.line for use in held.lines}
    alike = [
        at
        for at, each in enumerate(one.candidates)
        if each.active
        and (each.resource, each.port, each.route) == (held.resource, held.port, held.route)
    ]
    exact = [
        at
        for at in alike
        if {signal.line for signal in one.candidates[at].signals} == lines
        and one.candidates[at].function == held.function
        and one.candidates[at].channel == held.channel
    ]
    return next(iter(exact or alike), None)


def _face(one: Candidate) -> tuple[object, ...]:
    """Return what a person tells places by; ways that differ in nothing else are one place."""
    return one.resource, one.port


def _named(resource: str, port: str | None) -> str:
    return resource if port is None or resource == f"port {port}" else f"{resource}, port {port}"


def _named_candidate(space: Space, chosen: Sequence[int], index: int) -> str:
    one = space.of_bit[chosen[index]]
    return _named(one.resource, one.port) if one.active else "left out"
