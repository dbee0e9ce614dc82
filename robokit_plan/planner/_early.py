"""What can be said without a single index row."""

from __future__ import annotations

from robokit_plan.hardware.boot import boot_claims, boot_settings
from robokit_plan.model import Finding, replace, sorted_findings
from robokit_plan.resolve.behaviour import (
    actuator_findings,
    choose_providers,
    machine_of,
    plugin_findings,
    topic_findings,
)

from ._board_limits import board_limit_findings
from ._hardware import assigned, claims_of, electrical_of
from ._multiplexers import multiplexer_findings
from ._problem import Problem, instances_of


def findings_without_indices(problem: Problem) -> tuple[Finding, ...]:
    """
    Return what can be said about *problem* without a single index row: behaviour and hardware.

    For `lint`, which asks nobody; software is left out altogether.
    """
    robot, known = problem.robot, problem.manifests
    instances = instances_of(robot, problem.profile, known)
    hardware = assigned(problem, instances, frozenset())
    config = boot_claims(problem.board, robot.system.image, problem.boot_config)
    _, boot_findings = boot_settings(
        problem.board,
        robot.system.image,
        robot.system.release,
        hardware.assignments + hardware.links,
        claims_of(instances, hardware.variants),
        problem.boot_config,
    )
    found = sorted_findings(
        [
            *choose_providers(robot, instances, known).findings,
            *plugin_findings(robot, problem.board, instances, known),
            *topic_findings(instances, known),
            *actuator_findings(robot, instances, hardware.variants, known),
            *machine_of(instances, hardware.variants, robot=robot, facts=problem.machine_facts)[1],
            *hardware.findings,
            *board_limit_findings(problem),
            *multiplexer_findings(instances, hardware.variants, problem.parts),
            *config[1],
            *boot_findings,
            *electrical_of(problem, instances, hardware).findings,
        ]
    )
    return of_profile(found, problem.profile)


def of_profile(findings: tuple[Finding, ...], profile: str | None) -> tuple[Finding, ...]:
    """Return *findings* with repairs that switch plugins of *profile*, and not of the robot."""
    if profile is None:
        return findings
    return tuple(
        replace(one, repair=tuple(_in_profile(text, profile) for text in one.repair))
        for one in findings
    )


def _in_profile(repair: str, profile: str) -> str:
    command, gap, words = repair.partition("   ")
    if not command.startswith(("robokit-plan enable ", "robokit-plan disable ")):
        return repair
    return f"{command} --profile {profile}{gap}{words}"
