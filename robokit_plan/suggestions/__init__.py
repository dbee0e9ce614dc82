"""What is still possible: joins planner and hardware to look at robots that are not; pure."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from robokit_plan.hardware import HardwareAnswer, HardwareProblem, assign
from robokit_plan.hardware.assign.alternatives import movable_claims, other_variants
from robokit_plan.model import ClaimName, Finding, InstanceName, Plan, Suggestions, replace
from robokit_plan.planner import Problem, hardware_problem, instances_of, judge_of

from ._cost import AskPlan, costs_of, kept, with_one_more
from ._free import free_kinds
from ._pool import Broken, pool_of
from ._together import LIMIT, together

__all__ = ["LIMIT", "AskPlan", "Broken", "Step", "pool_of", "suggest", "suggest_claim", "together"]

Step = Callable[[int, int, str], None]
"""Told how much of how much is done, and with what."""


def suggest(
    problem: Problem,
    ask: AskPlan | None,
    *,
    broken: Broken,
    limit: int = LIMIT,
    step: Step = lambda *_: None,
) -> Suggestions:
    """
    Return what is free, what could move, which plugins go together, what one more would cost.

    Args:
        problem: The robot; what is locked stays where it can.
        ask: Plans with software; None leaves software out.
        broken: Who can be in no robot -> rule and message.
        limit: So many sets of plugins at most.
        step: Told about the work.
    """
    plan = None if ask is None else ask(problem)
    ask = None if plan is None else ask
    asked, answer = _assigned(problem, plan)
    placed = {(one.instance, one.claim) for one in answer.assignments}
    return Suggestions(
        robot=problem.robot.name,
        profile=problem.profile,
        board=problem.board.id,
        free=free_kinds(problem.board, answer),
        movable=movable_claims(asked, answer, judge=judge_of(problem, asked)),
        variants=other_variants(asked, answer),
        costs=costs_of(problem, answer, plan, ask, broken=broken, step=step),
        together=together(
            problem,
            None if ask is None else partial(_findings, ask),
            broken=broken,
            limit=limit,
            step=lambda found: step(found, limit, "sets that go together"),
        ),
        unplaced=tuple(sorted({key for conflict in answer.conflicts for key in conflict} - placed)),
    )


def suggest_claim(problem: Problem, instance: InstanceName, claim: ClaimName) -> Suggestions:
    """
    Return where else one claim could go; of a plugin that is not enabled as if it were.

    Raises:
        KeyError: No plugin in reach has that instance name.
    """
    asked, answer = _assigned(problem, None)
    wider = problem
    if all(one.instance != instance for one in problem.robot.chosen(problem.profile)):
        entries = {one.instance: one for one in pool_of(problem)}
        wider = with_one_more(problem, entries[instance])
        instances = instances_of(wider.robot, wider.profile, wider.manifests)
        asked = replace(
            hardware_problem(wider, instances),
            locked=asked.locked,
            locked_variants=asked.locked_variants,
        )
        answer = assign(asked, judge_of(wider, asked))
    return Suggestions(
        robot=problem.robot.name,
        profile=problem.profile,
        board=problem.board.id,
        claim=f"{instance}.{claim}",
        movable=movable_claims(asked, answer, (instance, claim), judge_of(wider, asked)),
    )


def _findings(ask: AskPlan, problem: Problem) -> tuple[Finding, ...] | None:
    plan = ask(problem)
    return None if plan is None else plan.findings


def _assigned(problem: Problem, plan: Plan | None) -> tuple[HardwareProblem, HardwareAnswer]:
    """Return the assignment of the robot, and its problem with all of it to be kept."""
    instances = instances_of(problem.robot, problem.profile, problem.manifests)
    chosen = {} if plan is None else {one.name: one.variant for one in plan.instances}
    asked = hardware_problem(problem, instances)
    refused = frozenset(
        (one.name, variant.name)
        for one in instances
        for variant in one.manifest.variants
        if chosen.get(one.name) not in {None, variant.name}
    )
    answer = assign(replace(asked, ruled_out=refused), judge_of(problem, asked))
    claims, variants = kept(answer)
    return replace(asked, locked=claims, locked_variants=variants), answer
