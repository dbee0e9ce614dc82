"""Put an assignment together from candidates, search and explanation."""

from __future__ import annotations

from collections.abc import Sequence

from robokit_plan.hardware.problem import (
    ClaimKeyPair,
    HardwareAnswer,
    HardwareProblem,
    Judge,
    JudgedError,
)
from robokit_plan.model import (
    Finding,
    InstanceName,
    VariantName,
    replace,
    sorted_findings,
)

from ._board_view import BoardView
from ._conflicts import Conflicts
from ._explain import findings_of
from ._free import free_of
from ._judged import Judged
from ._made import assignment_of
from ._moves import Moves, moves_of
from ._optimize import Preference
from ._repairs import repairs_of
from ._resources import Candidate
from ._search import Space
from ._variables import Variable, offers_of, variables_of
from ._warnings import assignment_warnings


def assign(problem: HardwareProblem, judge: Judge | None = None) -> HardwareAnswer:
    """
    Return which line, bus, address, channel, port every claim gets.

    Finds an assignment whenever one exists; otherwise every independent reason why not, and an
    assignment of the claims that still fit. The order of claims and instances says nothing.

    Args:
        problem: What is asked.
        judge: What is wrong with an assignment; of those that fit, one without error is found
            where there is one, else one with the fewest. None: whatever fits is as good.
    """
    view = BoardView(problem)
    offers = offers_of(problem, view)
    variables = variables_of(problem, view, offers)
    domains = [one.candidates for one in variables]
    space = Space(domains, strict=True)
    alive = space.all
    everything = range(len(variables))
    chosen = space.solve(everything)
    kept: list[ClaimKeyPair] = []
    findings: tuple[Finding, ...] = ()
    conflicts: tuple[tuple[ClaimKeyPair, ...], ...] = ()
    asked: Sequence[int] = everything
    if chosen is None:
        # Addresses that parts answer besides their own may have to meet: only then look away.
        also = any(one.also for one in space.of_bit)
        loose = Space(domains, strict=False) if also else space
        search = Conflicts(problem, loose, variables, loose.all)
        kept, chosen, found = search.find()
        asked = sorted(search.indices(kept))
        tight = chosen if loose is space else space.solve(asked)
        if tight is None:
            space = loose
        else:
            chosen = tight
        if found:
            lines = frozenset(
                signal.line
                for index in asked
                for signal in space.of_bit[chosen[index]].signals
                if not signal.shared
            )
            repairs = repairs_of(problem, view, offers, found, kept, loose, lines, judge)
            findings = findings_of(found, repairs, variables, view)
            conflicts = tuple(sorted(one.claims for one in found))
    errors: Sequence[JudgedError] = ()
    if judge is None:
        chosen = Preference(space, variables, asked, chosen, alive).apply(problem, view)
    else:
        judged = Judged(problem, view, space, variables, asked, alive, judge)
        chosen, errors = judged.settled(chosen)
    pairs = [(variables[index], space.of_bit[chosen[index]]) for index in asked]
    moves: Moves = {}
    if judge is not None and errors:
        moves = moves_of(problem, view, offers, pairs, judge, errors)
    return replace(_answer(problem, view, pairs, findings, conflicts), moves=moves)


def _answer(
    problem: HardwareProblem,
    view: BoardView,
    pairs: Sequence[tuple[Variable, Candidate]],
    findings: tuple[Finding, ...],
    conflicts: tuple[tuple[ClaimKeyPair, ...], ...],
) -> HardwareAnswer:
    variants: dict[InstanceName, VariantName | None] = {
        one.name: None for one in sorted(problem.instances, key=lambda each: each.name)
    }
    for variable, candidate in pairs:
        if variable.choice:
            variants[variable.instance] = VariantName(candidate.resource)
    made = [pair for pair in pairs if pair[1].active and not pair[0].choice]
    assignments = tuple(assignment_of(*pair, view) for pair in made if not pair[0].link)
    left_out = tuple(
        sorted(
            variable.key
            for variable, candidate in pairs
            if not candidate.active and candidate.function == "left out"
        )
    )
    free = free_of(problem, view, [candidate for _, candidate in made])
    links = tuple(assignment_of(*pair, view) for pair in made if pair[0].link)
    return HardwareAnswer(
        assignments=tuple(
            sorted(assignments, key=lambda one: (one.instance, one.section, one.claim))
        ),
        variants=variants,
        findings=sorted_findings((*findings, *assignment_warnings(problem, view, pairs, free))),
        links=links,
        conflicts=conflicts,
        left_out=left_out,
        free=free,
    )
