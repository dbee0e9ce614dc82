"""What one more plugin would bring and take."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping

from robokit_plan.hardware import HardwareAnswer, assign
from robokit_plan.model import (
    Assignment,
    Claim,
    ClaimName,
    Cost,
    DebianPin,
    EnabledPlugin,
    Finding,
    Instance,
    InstanceName,
    Milliamp,
    Plan,
    PortClaim,
    PowerClaim,
    PythonPin,
    Robot,
    RuleName,
    Severity,
    SignalClaim,
    UsbClaim,
    VariantName,
    replace,
    variant_needs,
)
from robokit_plan.planner import (
    Problem,
    findings_without_indices,
    hardware_problem,
    instances_of,
    judge_of,
)
from robokit_plan.resolve.behaviour import hazards_of

from ._pool import Broken, pool_of

AskPlan = Callable[[Problem], Plan | None]
"""Returns the plan of a robot, software included; None where the indices have no answer."""


def costs_of(
    problem: Problem,
    answer: HardwareAnswer,
    plan: Plan | None,
    ask: AskPlan | None,
    *,
    broken: Broken,
    step: Callable[[int, int, str], None] = lambda *_: None,
) -> tuple[Cost, ...]:
    """
    Return what each plugin in reach that is not enabled would cost: what fits first, then by size.

    Args:
        problem: The robot as it stands.
        answer: Its assignment, kept as far as possible.
        plan: Its plan with software, None without.
        ask: Plans with software; None leaves it out.
        broken: Who can be in no robot, and why.
        step: Told how many of how many are done, and the last one's name.
    """
    enabled = {one.instance for one in _entries(problem)}
    more = [one for one in pool_of(problem) if one.instance not in enabled]
    before = frozenset(_errors(findings_without_indices(problem)))
    found = []
    for at, entry in enumerate(more):
        found.append(_cost(problem, entry, answer, before, plan, ask, broken))
        step(at + 1, len(more), entry.instance)
    return tuple(sorted(found, key=_rank))


def with_one_more(problem: Problem, entry: EnabledPlugin) -> Problem:
    """Return *problem* with *entry* enabled besides, in its profile where it has one."""
    robot, profile = problem.robot, problem.profile
    entries = (*_entries(problem), entry)
    if profile is None:
        robot = replace(robot, enabled=entries)
    else:
        robot = replace(robot, profiles={**robot.profiles, profile: entries})
    return replace(problem, robot=robot)


def kept(
    answer: HardwareAnswer,
) -> tuple[
    dict[tuple[InstanceName, ClaimName], Assignment], dict[InstanceName, VariantName | None]
]:
    """Return *answer* as what a later assignment should keep: claims, variants."""
    return (
        {(one.instance, one.claim): one for one in answer.assignments},
        dict(answer.variants),
    )


def _entries(problem: Problem) -> tuple[EnabledPlugin, ...]:
    return problem.robot.chosen(problem.profile)


def _errors(findings: tuple[Finding, ...]) -> Iterator[tuple[RuleName, str]]:
    for one in findings:
        if one.severity is Severity.ERROR:
            yield one.rule, one.message


def _rank(one: Cost) -> tuple[object, ...]:
    return (
        not one.fits,
        one.fetched is None,
        one.fetched or 0,
        len(one.assignments),
        one.instance,
    )


def _cost(
    problem: Problem,
    entry: EnabledPlugin,
    answer: HardwareAnswer,
    before: frozenset[tuple[RuleName, str]],
    plan: Plan | None,
    ask: AskPlan | None,
    broken: Broken,
) -> Cost:
    wider = with_one_more(problem, entry)
    instances = instances_of(wider.robot, wider.profile, wider.manifests)
    instance = next(one for one in instances if one.name == entry.instance)
    claims, variants = kept(answer)
    asked = replace(hardware_problem(wider, instances), locked=claims, locked_variants=variants)
    after = assign(asked, judge_of(wider, asked))
    against = [broken[entry.instance]] if entry.instance in broken else []
    against += [one for one in _errors(findings_without_indices(wider)) if one not in before]
    python: tuple[PythonPin, ...] | None = None
    debian: tuple[DebianPin, ...] | None = None
    replaced: dict[str, tuple[str, str]] = {}
    wished = None if ask is None or plan is None else ask(wider)
    if wished is not None and plan is not None:
        known = {*before, *_errors(plan.findings), *against}
        software = [one for one in _errors(wished.findings) if one not in known]
        against += software
        if not software:
            python = tuple(one for one in wished.python if one.name not in _names(plan.python))
            if wished.debian_known:
                debian = tuple(one for one in wished.debian if one.name not in _names(plan.debian))
            replaced = _replaced(plan, wished)
    peak, unknown = _peak(instance, after, problem.robot)
    return Cost(
        instance=entry.instance,
        plugin=entry.plugin,
        against=tuple(dict.fromkeys(against)),
        assignments=tuple(one for one in after.assignments if one.instance == entry.instance),
        moved=tuple(_moved(answer, after)),
        python=python,
        debian=debian,
        replaced=replaced,
        peak=peak,
        unknown_peak=unknown,
        hazards=tuple(hazards_of((instance,), after.variants)),
    )


def _names(pins: tuple[PythonPin, ...] | tuple[DebianPin, ...]) -> frozenset[str]:
    return frozenset(one.name for one in pins)


def _replaced(plan: Plan, wished: Plan) -> dict[str, tuple[str, str]]:
    """Return what changes its version."""
    before, after = _versions(plan), _versions(wished)
    return {
        name: (before[name], version)
        for name, version in after.items()
        if before.get(name, version) != version
    }


def _versions(plan: Plan) -> dict[str, str]:
    found = {str(one.name): one.version for one in plan.python}
    found.update((str(one.name), one.version) for one in plan.debian)
    return found


def _moved(
    answer: HardwareAnswer, after: HardwareAnswer
) -> Iterator[tuple[Assignment, Assignment | None]]:
    """Yield claims that go elsewhere, or nowhere."""
    places = {(one.instance, one.claim): one for one in after.assignments}
    for one in answer.assignments:
        now = places.get((one.instance, one.claim))
        if now is None or (now.resource, now.lines, now.port) != (
            one.resource,
            one.lines,
            one.port,
        ):
            yield one, now


def _peak(
    instance: Instance, answer: HardwareAnswer, robot: Robot
) -> tuple[Mapping[str, Milliamp], tuple[ClaimName, ...]]:
    """Return what the claims declare per supply, and those that draw and do not say how much."""
    supplies: dict[str, int] = defaultdict(int)
    unknown: list[ClaimName] = []
    ports = {one.name: one for one in robot.ports}
    placed = {one.claim: one.port for one in answer.assignments if one.instance == instance.name}
    variant = answer.variants.get(instance.name)
    for claim in variant_needs(instance.manifest, variant).hardware:
        drawn = _drawn(claim)
        if drawn is None:
            continue
        supply, current = drawn
        name = robot.roles[supply].text if supply in robot.roles else supply  # type: ignore[index]
        if isinstance(claim, PortClaim):
            port = placed.get(claim.key.name)
            held = None if port is None else ports[port].supply
            name = held or supply
        if current is None:
            unknown.append(claim.key.name)
        else:
            supplies[name] += current
    return {name: Milliamp(supplies[name]) for name in sorted(supplies)}, tuple(sorted(unknown))


def _drawn(claim: Claim) -> tuple[str, int | None] | None:
    """Return supply or its role, and peak mA, of one claim; None: it draws nothing itself."""
    match claim:
        case PowerClaim():
            peak = claim.stall if claim.peak is None else claim.peak
            return claim.supply, None if peak is None else peak * claim.count
        case UsbClaim():
            return "usb", claim.current
        case PortClaim():
            return claim.kind, claim.current
        case SignalClaim(leds=int() as leds, ma_per_led=int() as each):
            # Rounded up: 255 is full brightness.
            return claim.supply or "5V", -(-leds * each * claim.brightness // 255)
        case SignalClaim(current=int() as current):
            return claim.supply or "3V3", current
        case _:
            return None
