"""Ways out of errors that were judged: other places of a claim, each judged before it is told."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from robokit_plan.hardware.problem import ClaimKeyPair, HardwareProblem, Judge, JudgedError
from robokit_plan.model import Assignment, InstanceName, VariantName

from ._board_view import BoardView
from ._candidates import Offers
from ._made import assignment_of
from ._repairs import keeps_to_list, soldered, wiring_entry
from ._resources import Candidate
from ._search import Space
from ._variables import Variable, variables_of

_CLAIMS = 6
"""So many claims get places told; nobody mends more at once."""
_PLACES = 6
_TRIES = 16

Moves = Mapping[ClaimKeyPair, tuple[str, ...]]


def moves_of(
    problem: HardwareProblem,
    view: BoardView,
    offers: Offers,
    pairs: Sequence[tuple[Variable, Candidate]],
    judge: Judge,
    errors: Sequence[JudgedError],
) -> Moves:
    """
    Return, per claim of *errors*, the `wiring` entries with which an error goes and none comes.

    All other claims stay where they are. Where the claim lists places, these were tried by the
    search; where it names one, or the robot file does, any other may be told.
    """
    named = sorted({key for one in errors for key in one.claims})[:_CLAIMS]
    if not named:
        return {}
    bench = _Bench(problem, view, offers, pairs, judge, frozenset(named))
    return {key: texts for key in named if (texts := tuple(bench.texts(key, errors)))}


class _Bench:
    """An assignment in which one claim at a time is put elsewhere."""

    def __init__(
        self,
        problem: HardwareProblem,
        view: BoardView,
        offers: Offers,
        pairs: Sequence[tuple[Variable, Candidate]],
        judge: Judge,
        open_claims: frozenset[ClaimKeyPair],
    ) -> None:
        self._view = view
        self._judge = judge
        self._pairs = pairs
        self._variables = [
            one
            for one in variables_of(problem, view, offers, open_claims)
            if one.key in open_claims and one.request is not None
        ]
        self._variants: dict[InstanceName, VariantName | None] = {
            one.name: None for one in problem.instances
        }
        self._placed: dict[ClaimKeyPair, Assignment] = {}
        for variable, candidate in pairs:
            if variable.choice:
                self._variants[variable.instance] = VariantName(candidate.resource)
            elif candidate.active:
                self._placed[variable.key] = assignment_of(variable, candidate, view)

    def texts(self, key: ClaimKeyPair, errors: Sequence[JudgedError]) -> Iterator[str]:
        """Yield what to write, the cheapest place first."""
        own = {one.rule for one in errors if key in one.claims}
        for variable in self._variables:
            request = variable.request
            if variable.key != key or request is None or soldered(request):
                continue
            now = [candidate for one, candidate in self._pairs if one.key == key]
            current = [one for one in now if one.active]
            if not current or request.variant not in {None, self._variants[variable.instance]}:
                continue
            places = self._places(variable, current[0])
            alone = self._judge.alone(
                key, request.claim, [assignment_of(variable, one, self._view) for one in places]
            )
            told = tried = 0
            for candidate, rules in zip(places, alone, strict=True):
                text = wiring_entry(request, candidate, current, self._view)
                if rules or text is None or told == _PLACES or tried == _TRIES:
                    continue
                tried += 1
                if self._mends(variable, candidate, own, errors):
                    told += 1
                    yield f"wiring: {{{request.text}: {text}}}"

    def _places(self, variable: Variable, current: Candidate) -> list[Candidate]:
        """Return the other places that nothing else holds and the claim's list allows."""
        domain = [
            one
            for place, one in enumerate(variable.candidates)
            if place in variable.extra and one.active and one.function == current.function
        ]
        request = variable.request
        others = [one for each, one in self._pairs if each.key != variable.key]
        space = Space([domain, *([one] for one in others)], strict=False)
        taken = space.all & ~space.masks[0]
        return sorted(
            (
                one
                for bit, one in enumerate(domain)
                if not space.excludes[bit] & taken
                and request is not None
                and keeps_to_list(request, one, self._view)
            ),
            key=lambda one: (one.option, one.cost),
        )

    def _mends(
        self,
        variable: Variable,
        candidate: Candidate,
        own: set[str],
        errors: Sequence[JudgedError],
    ) -> bool:
        """Whether an error of the claim is gone with it at *candidate*, and no other came."""
        placed = {**self._placed, variable.key: assignment_of(variable, candidate, self._view)}
        after = self._judge.errors(tuple(placed.values()), self._variants)
        before = [one for one in errors if one.rule in own and variable.key in one.claims]
        still = [one for one in after if one.rule in own and variable.key in one.claims]
        return len(still) < len(before) and all(
            any(one.rule == old.rule and one.claims <= old.claims for old in errors)
            for one in after
        )
