"""What a robot asks of its hardware, and what it draws."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.hardware import Chip as ControllerPins
from robokit_plan.hardware import (
    ClaimKeyPair,
    HardwareAnswer,
    HardwareInstance,
    HardwareProblem,
    assign,
)
from robokit_plan.hardware.boot import boot_claims, boot_freed, firmware_states
from robokit_plan.hardware.circuits import ElectricalAnswer, ElectricalProblem, electrical
from robokit_plan.hardware.electrical.add_ons import add_on_claims
from robokit_plan.hardware.electrical.i2c_bus import bus_speeds
from robokit_plan.hardware.loom import wires_of
from robokit_plan.model import (
    Assignment,
    Chip,
    Claim,
    ClaimName,
    Controller,
    ControllerName,
    Finding,
    Instance,
    InstanceName,
    Plan,
    Robot,
    Severity,
    VariantName,
    Wires,
    part_key,
    replace,
    variant_needs,
)
from robokit_plan.resolve.behaviour import hazards_of

from ._judge import judge_of
from ._let_go import kept_places
from ._problem import Problem, instances_of

RuledOut = frozenset[tuple[InstanceName, VariantName]]
"""Variants that are not to be taken."""


def hardware_problem(
    problem: Problem,
    instances: tuple[Instance, ...],
    ruled_out: frozenset[tuple[InstanceName, VariantName]] = frozenset(),
) -> HardwareProblem:
    """Return what *instances* ask of the hardware of *problem*, without the variants ruled out."""
    robot = problem.robot
    wishes = {name: variant for name, (variant, _) in robot.variants.items()}
    locked = problem.locked
    if locked is not None and locked.board != problem.board.id:
        locked = None
    enabled = {one.name for one in instances}
    return HardwareProblem(
        board=problem.board,
        parts=problem.parts,
        chips={name: _pins_of(chip) for name, chip in problem.chips.items()},
        instances=tuple(
            HardwareInstance(
                name=one.name,
                plugin=one.manifest.plugin,
                claims=one.manifest.base.hardware,
                variants=tuple(
                    (variant.name, variant.needs.hardware) for variant in one.manifest.variants
                ),
                variant_wish=wishes.get(one.name),
                origin=one.origin,
            )
            for one in instances
        ),
        wiring=tuple(one for one in robot.wiring if one.instance in enabled),
        roles={role: text.text for role, text in robot.roles.items()},
        ports=robot.ports,
        controllers=companions(problem),
        supplies=robot.supplies,
        measured=problem.board.with_domains(robot.measured),
        locked=kept_places(problem),
        locked_variants={one.name: one.variant for one in locked.instances} if locked else {},
        boot=problem.board.boot.get(robot.system.image),
        release=robot.system.release,
        boot_claims=(
            *boot_claims(problem.board, robot.system.image, problem.boot_config)[0],
            *add_on_claims(problem.board, robot.add_ons),
        ),
        freed=boot_freed(problem.board, robot.system.image, problem.boot_config),
        ruled_out=ruled_out,
    )


def assigned(
    problem: Problem, instances: tuple[Instance, ...], ruled_out: RuledOut
) -> HardwareAnswer:
    """Return where everything goes that *instances* ask for, in their first variants but these."""
    asked = hardware_problem(problem, instances, ruled_out)
    return assign(asked, judge_of(problem, asked))


def companions(problem: Problem) -> Mapping[ControllerName, Controller]:
    """Return the controllers, the pins of inhibit switches as their documents call them."""
    found = dict(problem.robot.controllers)
    for name, one in found.items():
        chip = problem.chips.get(part_key(one.chip))
        pin = None if chip is None or one.inhibit is None else chip.find_pin(one.inhibit.pin)
        if one.inhibit is not None and pin is not None:
            found[name] = replace(one, inhibit=replace(one.inhibit, pin=pin.name))
    return found


def _pins_of(chip: Chip) -> ControllerPins:
    """Return the pins of *chip* as the assignment sees them."""
    functions: dict[str, frozenset[str]] = {}
    special: dict[str, str] = {}
    aliases: dict[str, str] = {}
    free = {name: one for name, one in chip.pins.items() if one.reserved is None}
    for name, one in free.items():
        able = {"input"} if one.input else set()
        if one.output:
            able |= {"output", "servo", "clock", "led-string", "ir-out"}
        if one.input:
            able.add("ir-in")
        if one.output and (one.function("pwm") is not None or chip.matrix):
            able.add("pwm")
        if one.function("analog") is not None:
            able.add("analog")
        functions[name] = frozenset(able)
        why = next(
            (
                word
                for word in (
                    one.strap,
                    one.moves_at_boot,
                    one.reserved_if,
                    one.module_use,
                    one.debug,
                )
                if word
            ),
            "the serial link to the host" if one.host_link else None,
        )
        if why:
            special[name] = why
    for name, one in chip.pins.items():
        aliases.update(dict.fromkeys(one.aliases, name))
    return ControllerPins(
        name=chip.name,
        pins=tuple(free),
        functions=functions,
        special=special,
        reserved={
            name: one.reserved for name, one in chip.pins.items() if one.reserved is not None
        },
        aliases=aliases,
        outlets={
            name: frozenset((each.bus, each.signal) for each in one.functions)
            for name, one in free.items()
        },
        matrix=chip.matrix,
    )


def claims_of(
    instances: tuple[Instance, ...], variants: Mapping[InstanceName, VariantName | None]
) -> dict[tuple[InstanceName, ClaimName], Claim]:
    """Return every claim of the chosen variants by instance and name."""
    return {
        (one.name, claim.key.name): claim
        for one in instances
        for claim in variant_needs(one.manifest, variants[one.name]).hardware
    }


def electrical_of(
    problem: Problem, instances: tuple[Instance, ...], hardware: HardwareAnswer
) -> ElectricalAnswer:
    """Return the power budget and what is wrong in currents, levels, boot states and hazards."""
    asked = _electrical_problem(
        problem, instances, hardware.variants, hardware.assignments + hardware.links
    )
    if asked is None:
        return ElectricalAnswer(rails=())
    answer = electrical(asked)
    given: dict[str, str] = {}
    told = tuple(_with_moves(one, hardware.moves, given) for one in answer.findings)
    return replace(answer, findings=told)


def wires(problem: Problem, plan: Plan) -> Wires:
    """Return every wire of *plan*, which was made of *problem*, with both its ends."""
    variants = {one.name: one.variant for one in plan.instances}
    instances = tuple(
        one
        for one in instances_of(problem.robot, problem.profile, problem.manifests)
        if one.name in variants
    )
    asked = _electrical_problem(problem, instances, variants, plan.assignments)
    return Wires() if asked is None else wires_of(asked)


def _electrical_problem(
    problem: Problem,
    instances: tuple[Instance, ...],
    variants: Mapping[InstanceName, VariantName | None],
    assignments: tuple[Assignment, ...],
) -> ElectricalProblem | None:
    if problem.electrical is None or problem.i2c is None:
        return None
    claims = claims_of(instances, variants)
    return ElectricalProblem(
        board=problem.board,
        robot=problem.robot,
        electrical=problem.electrical,
        i2c=problem.i2c,
        chips=problem.chips,
        link_rules=problem.link_rules,
        parts=problem.parts,
        claims=tuple((name, claim) for (name, _), claim in claims.items()),
        assignments=assignments,
        speeds=bus_speeds(problem.board, problem.robot.system.image, problem.boot_config),
        firmware=firmware_states(problem.board, problem.robot.system.image, problem.boot_config),
    )


def _with_moves(
    found: Finding, moves: Mapping[ClaimKeyPair, tuple[str, ...]], given: dict[str, str]
) -> Finding:
    """
    Return an error with a way to move a claim that was tried, in place of all others.

    *given*: places that earlier errors told -> the claim that is to go there; no other one is.
    """
    if found.severity is not Severity.ERROR or found.rule == "level-unknown":
        return found  # what nobody published is measured; no other line is better for that
    labels = {place.label for place in found.places}
    tried = {
        text: f"{name}.{claim}"
        for (name, claim), texts in moves.items()
        if f"{name}.{claim}" in labels
        for text in texts
    }
    proposed = [text for text in found.repair if _moves(text)]
    free = [
        text
        for text in (*(one for one in proposed if one in tried), *tried)
        if given.get(_place(text), tried[text]) == tried[text]
    ]
    best = free[:1]
    given.update({_place(text): tried[text] for text in best})
    at = found.repair.index(proposed[0]) if proposed else 0
    rest = [text for text in found.repair if text not in proposed]
    return replace(found, repair=(*rest[:at], *best, *rest[at:]))


def _place(repair: str) -> str:
    """Return where a `wiring` entry sends its claim."""
    return repair.partition("{")[2].partition(": ")[2]


def _moves(repair: str) -> bool:
    """Whether *repair* names another place for a claim."""
    return repair.startswith("wiring: ") and "…" not in repair


def hazards_by_word(
    robot: Robot,
    instances: tuple[Instance, ...],
    variants: Mapping[InstanceName, VariantName | None],
) -> dict[str, tuple[InstanceName, ...]]:
    """Return hazard -> who brings it: instances, and for lithium the batteries too."""
    found = hazards_of(instances, variants)
    batteries = [
        InstanceName(one.name)
        for one in robot.supplies.values()
        if one.battery is not None and one.battery.chemistry.lower().startswith("li")
    ]
    if batteries:
        found["lithium"] = tuple(sorted({*found.get("lithium", ()), *batteries}))
    return {word: found[word] for word in sorted(found)}
