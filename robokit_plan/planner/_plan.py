"""Both answers as one plan."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from robokit_plan.hardware import HardwareAnswer
from robokit_plan.hardware.boot import boot_claims, boot_settings
from robokit_plan.hardware.boot.device_paths import check_paths, udev_rules, with_devices
from robokit_plan.hardware.capacity import capacity_of, check_capacity
from robokit_plan.hardware.electrical.signal_directions import with_ends
from robokit_plan.model import (
    Finding,
    Instance,
    InstanceName,
    Place,
    Plan,
    PlannedInstance,
    Severity,
    Target,
    dataclass,
    finding,
    replace,
    sorted_findings,
    variant_needs,
)
from robokit_plan.resolve.behaviour import (
    actuator_findings,
    choose_providers,
    group_rules,
    machine_of,
    plugin_findings,
    topic_findings,
)
from robokit_plan.resolve.debian import DebianAnswer
from robokit_plan.resolve.python import PythonAnswer

from ._archives import image_findings, key_findings, knows_base, sources_of, suites_of
from ._board_limits import board_limit_findings
from ._early import of_profile
from ._hardware import claims_of, companions, electrical_of, hazards_by_word
from ._let_go import chips_of, let_go_findings
from ._multiplexers import multiplexer_findings
from ._problem import Problem
from ._python import modules_of, sees_system_packages


@dataclass(frozen=True, kw_only=True, slots=True)
class Software:
    """What Python and Debian answered; `debian` None: no archive is known."""

    python: PythonAnswer
    debian: DebianAnswer | None
    at_work: tuple[Finding, ...] = ()
    """What installs and then gets in each other's way, or cannot work on the board."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Return what both found."""
        debian = self.debian.findings if self.debian else ()
        return self.python.findings + debian + self.at_work


def plan_of(
    problem: Problem,
    instances: tuple[Instance, ...],
    target: Target,
    chosen: tuple[HardwareAnswer, Software],
    first: tuple[HardwareAnswer, Software],
) -> Plan:
    """
    Return one plan with every finding.

    Args:
        chosen: Hardware's and software's answers that stand.
        first: Those of the variants that would have been taken first.
    """
    robot = problem.robot
    hardware, software = chosen
    variants = hardware.variants
    needs = {one.name: variant_needs(one.manifest, variants[one.name]) for one in instances}
    providers = choose_providers(robot, instances, problem.manifests)
    machine, machine_findings = machine_of(
        instances, variants, robot=robot, facts=problem.machine_facts
    )
    boot, boot_findings = boot_settings(
        problem.board,
        robot.system.image,
        robot.system.release,
        hardware.assignments + hardware.links,
        claims_of(instances, variants),
        problem.boot_config,
    )
    claims = claims_of(instances, variants)
    assignments = with_ends(
        with_devices(
            hardware.assignments + hardware.links,
            claims,
            problem.board,
            robot.system.image,
            companions(problem),
        ),
        claims,
    )
    power = electrical_of(problem, instances, hardware)
    paths = check_paths(assignments, claims, problem.board, robot.system.image)
    debian = software.debian
    findings = [
        *problem.reading,
        *providers.findings,
        *plugin_findings(robot, problem.board, instances, problem.manifests),
        *topic_findings(instances, problem.manifests),
        *actuator_findings(robot, instances, variants, problem.manifests),
        *machine_findings,
        *hardware.findings,
        *boot_claims(problem.board, robot.system.image, problem.boot_config)[1],
        *boot_findings,
        *power.findings,
        *paths,
        *software.findings,
        *image_findings(problem),
        *key_findings(problem),
        *board_limit_findings(problem),
        *let_go_findings(problem),
        *multiplexer_findings(instances, variants, problem.parts),
        *_variant_notes(instances, first, chosen),
    ]
    plan = Plan(
        robot=robot.name,
        profile=problem.profile,
        board=problem.board.id,
        target=target,
        instances=tuple(
            PlannedInstance(
                name=one.name,
                plugin=one.manifest.plugin,
                version=one.manifest.version,
                variant=variants[one.name],
                settings=one.settings,
                behaviour=one.manifest.behaviour,
                provides=one.manifest.provides,
                digest=one.manifest.digest,
                summary=one.manifest.summary,
                license=one.manifest.license,
                memory_mb=needs[one.name].machine.memory_mb,
                cpu_percent=needs[one.name].machine.cpu_percent,
            )
            for one in instances
        ),
        providers=providers.chosen,
        assignments=assignments,
        python=software.python.pins,
        build=software.python.build,
        carried=software.python.carried,
        debian=debian.pins if debian else (),
        debian_build=debian.build_only if debian else (),
        debian_known=debian is not None,
        base_known=knows_base(robot),
        undecided={
            name: blamed
            for name, answer in (("debian", debian), ("python", software.python))
            if answer is not None and (blamed := _blamed(answer.findings)) is not None
        },
        boot=boot,
        machine=machine,
        rails=power.rails,
        system_packages=sees_system_packages(
            problem, [variant_needs(one.manifest, variants[one.name]) for one in instances]
        ),
        hazards=hazards_by_word(robot, instances, variants),
        digests={**problem.digests, **chips_of(problem)},
        indexes={
            **problem.indexes,
            **{one.name: one.url for one in robot.indexes},
        },
        program=robot.program.run if robot.program else None,
        program_user=robot.program.user if robot.program else None,
        keep_logs=robot.program.keep_logs if robot.program else 1,
        debian_suites=suites_of(debian),
        sources=sources_of(problem, suites_of(debian)),
        build_room={
            native.distribution: native.effort.disk_mb
            for native in software.python.native
            if native.effort is not None
        },
        build_environment={
            native.distribution: native.environment
            for native in software.python.native
            if native.environment
        },
        modules=modules_of(instances, variants),
        capacity=capacity_of(problem.board, robot.system, problem.machine_facts),
        udev_rules=(
            *group_rules(machine, robot.system.image, problem.machine_facts),
            *udev_rules(assignments),
        ),
    )
    efforts = {one.distribution: one.effort for one in software.python.native if one.effort}
    findings += check_capacity(plan, robot, problem.board, instances, efforts)
    return replace(plan, findings=of_profile(sorted_findings(findings), problem.profile))


def _blamed(findings: Iterable[Finding]) -> tuple[InstanceName, ...] | None:
    """Return the instances that take part in errors; None where there is no error."""
    errors = [one for one in findings if one.severity is Severity.ERROR]
    return tuple(sorted({name for one in errors for name in one.plugins})) if errors else None


def _variant_notes(
    instances: tuple[Instance, ...],
    first: tuple[HardwareAnswer, Software],
    chosen: tuple[HardwareAnswer, Software],
) -> Iterator[Finding]:
    for one in instances:
        before, after = first[0].variants[one.name], chosen[0].variants[one.name]
        if before == after:
            continue
        reasons = sorted(
            {
                cause.message
                for cause in first[1].findings
                if cause.severity is Severity.ERROR and one.name in cause.plugins
            }
        )
        yield finding(
            "variant-changed",
            Severity.NOTE,
            f"{one.name} is built up as {after}, since {before} does not go together in software",
            places=[Place(origin=one.origin, label=f"{one.name} enabled here")],
            why=reasons,
            repair=f"variant: {{{one.name}: {after}}}   in robot.yaml keeps it so",
            plugins=[one.name],
        )
