"""Join hardware and software into one plan; pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field, replace
from datetime import date
from typing import Protocol

from robokit_plan.hardware import Chip as ControllerPins
from robokit_plan.hardware import HardwareAnswer, HardwareInstance, HardwareProblem, assign
from robokit_plan.hardware.add_ons import add_on_claims
from robokit_plan.hardware.boot import boot_claims, boot_freed, boot_settings
from robokit_plan.hardware.capacity import capacity_of, check_capacity
from robokit_plan.hardware.device_paths import check_paths, udev_rules, with_devices
from robokit_plan.hardware.electrical import ElectricalAnswer, ElectricalProblem, electrical
from robokit_plan.hardware.i2c_bus import bus_speeds
from robokit_plan.hardware.wire_ends import with_ends
from robokit_plan.model import (
    Board,
    Carried,
    CarriedFacts,
    Chip,
    ChipRule,
    Claim,
    ClaimName,
    ConfigLine,
    Controller,
    ControllerName,
    DebianArchive,
    DebianName,
    DistributionName,
    Electrical,
    EnabledPlugin,
    Finding,
    I2cFacts,
    Instance,
    InstanceName,
    MachineFacts,
    Manifest,
    Need,
    Needs,
    Part,
    Place,
    Plan,
    PlannedInstance,
    PlannedSource,
    PluginName,
    PythonFacts,
    Robot,
    SettingValue,
    Severity,
    Snapshot,
    Target,
    VariantName,
    dataclass,
    finding,
    is_archive_address,
    is_keyring,
    is_module_name,
    part_key,
    sorted_findings,
    variant_needs,
    with_settings,
)
from robokit_plan.resolve.behaviour import (
    actuator_findings,
    choose_providers,
    group_rules,
    hazards_of,
    machine_of,
    plugin_findings,
    run_time_findings,
    topic_findings,
)
from robokit_plan.resolve.debian import (
    DebianAnswer,
    DebianProblem,
    DebianWant,
    carried_by,
)
from robokit_plan.resolve.python import (
    PythonAnswer,
    PythonIndex,
    PythonProblem,
    PythonRequirement,
    target_for,
)

PYTHON_TOOLS = ("python3-venv", "ca-certificates")
"""What the virtual environment itself needs of Debian (python3-venv's own description)."""
RIGHTS_TOOLS = ("polkitd",)
"""What a narrow right needs of Debian: the daemon that reads its rule (polkit(8))."""
PLAIN_IMAGE, MAKERS_IMAGE = "debian", "vendor"
"""Words of `system.image` (schemas/robot.schema.json); any other names a status file."""
DEBIAN_COMPONENTS = ("main", "contrib", "non-free", "non-free-firmware")
DEBIAN_KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"
"""Of the package debian-archive-keyring, Debian 12 and 13."""


def findings_without_indices(problem: Problem) -> tuple[Finding, ...]:
    """
    Return what can be said about *problem* without a single index row: behaviour and hardware.

    For `lint`, which asks nobody; software is left out altogether.
    """
    robot, known = problem.robot, problem.manifests
    instances = instances_of(robot, problem.profile, known)
    hardware = _assigned(problem, instances, frozenset())
    config = boot_claims(problem.board, robot.system.image, problem.boot_config)
    _, boot_findings = boot_settings(
        problem.board,
        robot.system.image,
        robot.system.release,
        hardware.assignments + hardware.links,
        _claims(instances, hardware.variants),
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
            *config[1],
            *boot_findings,
            *_electrical(problem, instances, hardware).findings,
        ]
    )
    return _of_profile(found, problem.profile)


def _of_profile(findings: tuple[Finding, ...], profile: str | None) -> tuple[Finding, ...]:
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


_MOST_TURNS = 4
"""Each turn brings more packages of Debian; more than one is rare."""
_RuledOut = frozenset[tuple[InstanceName, VariantName]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """
    Everything that a plan depends on besides the indices.

    Shape:
        `manifests` all plugins in reach, enabled or not; `reading` findings made while the files
        were read; `locked` what the lock file holds, None where there is none; `upgrade` names
        that may move although they are locked, None: none, empty: all; `as_of` looks at no
        later upload; `digests` name of an input -> SHA-256, kept in the lock file.
    """

    robot: Robot
    manifests: Mapping[PluginName, Manifest]
    board: Board
    parts: Mapping[str, Part] = field(default_factory=dict)
    chips: Mapping[str, Chip] = field(default_factory=dict)
    electrical: Electrical | None = None
    """None: currents, levels and boot states are left out."""
    i2c: I2cFacts | None = None
    link_rules: tuple[ChipRule, ...] = ()
    python_facts: PythonFacts = PythonFacts()
    carried_facts: CarriedFacts = CarriedFacts()
    """Read where a plugin asks Debian for a Python module."""
    profile: str | None = None
    reading: tuple[Finding, ...] = ()
    locked: Plan | None = None
    upgrade: frozenset[str] | None = None
    as_of: date | None = None
    boot_config: tuple[ConfigLine, ...] = ()
    """What `system.boot-config` of the robot file already tells the firmware."""
    indexes: Mapping[str, str] = field(default_factory=dict)
    """Names of the indices that pip is configured for, in order -> address, no credentials."""
    digests: Mapping[str, str] = field(default_factory=dict)
    machine_facts: MachineFacts = MachineFacts()
    source_keys: Mapping[str, str] = field(default_factory=dict)
    """Declared Debian archive -> its key file in base64."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Software:
    python: PythonAnswer
    debian: DebianAnswer | None

    @property
    def findings(self) -> tuple[Finding, ...]:
        return self.python.findings + (self.debian.findings if self.debian else ())


def entries_of(robot: Robot, profile: str | None) -> tuple[EnabledPlugin, ...]:
    """Return what is enabled: the robot's list, or that of *profile* (KeyError if unknown)."""
    return robot.enabled if profile is None else robot.profiles[profile]


def instances_of(
    robot: Robot, profile: str | None, known: Mapping[PluginName, Manifest]
) -> tuple[Instance, ...]:
    """
    Return the enabled plugins with complete settings, sorted by name.

    An entry whose plugin is not in reach is left out: reading reported it.
    """
    found: dict[InstanceName, Instance] = {}
    for entry in entries_of(robot, profile):
        manifest = known.get(entry.plugin)
        if manifest is None or entry.instance in found:
            continue
        wished = {
            name: value for name, value in entry.settings.items() if name in manifest.settings
        }
        found[entry.instance] = Instance(
            name=entry.instance,
            manifest=_set(manifest, wished),
            settings={
                **{name: one.default for name, one in manifest.settings.items()},
                **wished,
            },
            origin=entry.origin,
        )
    return tuple(found[name] for name in sorted(found))


def _set(manifest: Manifest, settings: Mapping[str, SettingValue]) -> Manifest:
    """Return *manifest* with the numbers that the robot file sets for one instance."""
    if not settings:
        return manifest
    return replace(
        manifest,
        base=with_settings(manifest.base, settings),
        variants=tuple(
            replace(one, needs=with_settings(one.needs, settings)) for one in manifest.variants
        ),
    )


def resolve(problem: Problem, snapshot: Snapshot) -> Plan | Need:
    """Return the plan, or what must be known about the indices first; see `Planner`."""
    return Planner(problem).resolve(snapshot)


Solved = tuple[PythonProblem, PythonAnswer] | tuple[DebianProblem, DebianAnswer]
"""A question about software and its answer."""


class Known(Protocol):
    """What was answered before, over the rows that a snapshot would hold; None: not known."""

    def find_python(self, asked: PythonProblem, /) -> PythonAnswer | None:
        """Return what `resolve_python` answers."""

    def find_debian(self, asked: DebianProblem, /) -> DebianAnswer | None:
        """Return what `resolve_debian` answers."""


class Planner:
    """
    Answers one problem over snapshots that grow.

    Hardware comes first, since what it chooses brings requirements. Where software refuses and an
    instance that takes part has another variant, that variant is ruled out and hardware is asked
    again; the first choice without an error stands. Where every choice has one, the findings are
    those of the first.

    Each answer is that of `resolve` with the same snapshot: what does not depend on the snapshot,
    or depends on rows that did not change, is only not computed twice. What `known` answers is not
    computed at all; what was computed stands in `solved`.

    Raises:
        UnknownTargetError: The facts lack the release or the architecture.
    """

    def __init__(self, problem: Problem, *, known: Known | None = None) -> None:
        self.problem = problem
        self.solved: list[Solved] = []
        self._known = known
        system = problem.robot.system
        self._instances = instances_of(problem.robot, problem.profile, problem.manifests)
        self._target = target_for(
            system.release,
            system.architecture,
            system.image,
            system.python,
            facts=problem.python_facts,
        )
        self._hardware: dict[_RuledOut, HardwareAnswer] = {}
        self._debian: tuple[tuple[DebianArchive, DebianProblem, DebianAnswer | Need], ...] = ()

    def resolve(self, snapshot: Snapshot) -> Plan | Need:
        """Return the plan, or what must be known first."""
        problem, instances = self.problem, self._instances
        tried: list[tuple[HardwareAnswer, _Software]] = []
        ruled_out: _RuledOut = frozenset()
        while True:
            hardware = self._assigned(ruled_out)
            software = self._software(hardware, snapshot)
            if isinstance(software, Need):
                return software
            tried.append((hardware, software))
            refused = _refused(problem.robot, instances, hardware, software, ruled_out)
            if refused is None or _errors(hardware.findings) > _errors(tried[0][0].findings):
                break
            ruled_out |= {refused}
        chosen = next((one for one in tried if not _errors(one[1].findings)), tried[0])
        return _plan(problem, instances, self._target, chosen, tried[0])

    def _assigned(self, ruled_out: _RuledOut) -> HardwareAnswer:
        if ruled_out not in self._hardware:
            self._hardware[ruled_out] = _assigned(self.problem, self._instances, ruled_out)
        return self._hardware[ruled_out]

    def _software(self, hardware: HardwareAnswer, snapshot: Snapshot) -> _Software | Need:
        """Return both answers, or one `Need` for both, so that the edge fetches side by side."""
        needs = {
            one.name: variant_needs(one.manifest, hardware.variants[one.name])
            for one in self._instances
        }
        carried = Carried()
        if _sees_system_packages(self.problem, needs.values()) and snapshot.debian is not None:
            # What Debian brings to Python is there before any wheel is: it is asked first.
            first = self._debian_answer(needs, PythonAnswer(), snapshot.debian)
            if isinstance(first, Need):
                return first
            carried = self._carried(first)
        for _ in range(_MOST_TURNS):
            python = self._python_answer(
                _python_problem(self.problem, self._instances, needs, self._target, carried),
                snapshot,
            )
            answer = python if isinstance(python, PythonAnswer) else PythonAnswer()
            debian: DebianAnswer | Need | None = None
            if snapshot.debian is not None:
                debian = self._debian_answer(needs, answer, snapshot.debian)
            if isinstance(python, Need) or isinstance(debian, Need) or debian is None:
                break
            # What wheels need of Debian may bring further modules.
            again = self._carried(debian) if carried != Carried() else carried
            if again == carried:
                break
            carried = again
        if isinstance(python, Need) or isinstance(debian, Need):
            one = python if isinstance(python, Need) else Need()
            two = debian if isinstance(debian, Need) else Need()
            return Need(pages=one.pages, metadata=one.metadata, debian=two.debian)
        return _Software(python=python, debian=debian)

    def _python_answer(self, asked: PythonProblem, snapshot: Snapshot) -> PythonAnswer | Need:
        known = None if self._known is None else self._known.find_python(asked)
        if known is not None:
            return known
        from robokit_plan.resolve.python import resolve_python

        found = resolve_python(asked, snapshot)
        if isinstance(found, PythonAnswer):
            self.solved.append((asked, found))
        return found

    def _debian_answer(
        self, needs: Mapping[InstanceName, Needs], python: PythonAnswer, archive: DebianArchive
    ) -> DebianAnswer | Need:
        asked = _debian_problem(self.problem, self._instances, needs, self._target, python)
        for known, question, answer in self._debian:
            if known is archive and question == asked:
                return answer
        answer = self._solved_debian(asked, archive)
        self._debian = ((archive, asked, answer), *self._debian[:1])
        return answer

    def _solved_debian(self, asked: DebianProblem, archive: DebianArchive) -> DebianAnswer | Need:
        known = None if self._known is None else self._known.find_debian(asked)
        if known is not None:
            return known
        from robokit_plan.resolve.debian import resolve_debian

        found = resolve_debian(asked, archive)
        if isinstance(found, DebianAnswer):
            self.solved.append((asked, found))
        return found

    def _carried(self, answer: DebianAnswer) -> Carried:
        return carried_by(
            answer, self.problem.robot.system.architecture, self.problem.carried_facts
        )


def _errors(findings: Iterable[Finding]) -> int:
    return sum(1 for one in findings if one.severity is Severity.ERROR)


def _blamed(findings: Iterable[Finding]) -> tuple[InstanceName, ...] | None:
    """Return the instances that take part in errors; None where there is no error."""
    errors = [one for one in findings if one.severity is Severity.ERROR]
    return tuple(sorted({name for one in errors for name in one.plugins})) if errors else None


# --- hardware -------------------------------------------------------------------------------


def _assigned(
    problem: Problem,
    instances: tuple[Instance, ...],
    ruled_out: _RuledOut,
) -> HardwareAnswer:
    return assign(hardware_problem(problem, instances, ruled_out))


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
        locked = None  # another board has other lines: nothing is wired there yet
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
        controllers=_companions(problem),
        supplies=robot.supplies,
        measured=robot.measured,
        locked=({(one.instance, one.claim): one for one in locked.assignments} if locked else {}),
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


def _companions(problem: Problem) -> Mapping[ControllerName, Controller]:
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
        aliases.update(dict.fromkeys(one.aliases, name))
    return ControllerPins(
        name=chip.name, pins=tuple(free), functions=functions, special=special, aliases=aliases
    )


# --- software -------------------------------------------------------------------------------


def _python_problem(
    problem: Problem,
    instances: tuple[Instance, ...],
    needs: Mapping[InstanceName, Needs],
    target: Target,
    carried: Carried,
) -> PythonProblem:
    robot = problem.robot
    locked = _lock_for(problem, target)
    requirements: list[PythonRequirement] = []
    requires_python: list[PythonRequirement] = []
    modules: list[PythonRequirement] = []
    for one in instances:
        python = needs[one.name].python
        bounds = () if python.requires_python is None else (python.requires_python,)
        for texts, into in (
            (python.requires, requirements),
            (bounds, requires_python),
            (python.modules, modules),
        ):
            into.extend(
                PythonRequirement(
                    text=text.text,
                    origin=text.origin,
                    instance=one.name,
                    plugin=one.manifest.plugin,
                )
                for text in texts
            )
    return PythonProblem(
        requirements=tuple(requirements),
        requires_python=tuple(requires_python),
        modules=tuple(modules),
        own_modules=tuple(sorted({name for one in instances for name in _own_modules(one)})),
        debian=tuple(
            sorted(
                {
                    DebianName(alternative.split("(")[0].split(":")[0].strip())
                    for one in instances
                    for text in needs[one.name].debian
                    for alternative in text.text.split("|")
                }
            )
        ),
        debian_lines=tuple(
            PythonRequirement(
                text=text.text,
                origin=text.origin,
                instance=one.name,
                plugin=one.manifest.plugin,
            )
            for one in instances
            for text in needs[one.name].debian
        ),
        carried=carried,
        target=target,
        indexes=(
            *(PythonIndex(name=name) for name in problem.indexes),
            *(
                PythonIndex(name=one.name, only=_names(one.only), origin=one.origin)
                for one in robot.indexes
            ),
        ),
        locked={one.name: one.version for one in locked.python} if locked else {},
        locked_files={one.name: one.file for one in locked.python} if locked else {},
        locked_build={one.name: one.version for one in locked.build} if locked else {},
        upgrade=frozenset(_names(problem.upgrade or ())),
        upgrade_all=problem.upgrade is not None and not problem.upgrade,
        as_of=problem.as_of,
        sdists=frozenset(_names(robot.system.sdists)),
        facts=problem.python_facts,
        robot=robot.origin,
    )


def _lock_for(problem: Problem, target: Target) -> Plan | None:
    """Return the lock where it was made for *target*; what if on another one starts afresh."""
    locked = problem.locked
    if locked is None:
        return None
    same = (locked.target.release, locked.target.architecture, locked.target.python) == (
        target.release,
        target.architecture,
        target.python,
    )
    return locked if same else None


def _names(texts: Iterable[str]) -> tuple[DistributionName, ...]:
    from packaging.utils import canonicalize_name

    return tuple(DistributionName(canonicalize_name(text)) for text in texts)


def _own_modules(instance: Instance) -> Iterator[str]:
    """Yield the import package that the plugin's own folder brings."""
    if instance.manifest.behaviour:
        yield instance.manifest.behaviour.split(":")[0].split(".")[0]


def _debian_problem(
    problem: Problem,
    instances: tuple[Instance, ...],
    needs: Mapping[InstanceName, Needs],
    target: Target,
    python: PythonAnswer,
) -> DebianProblem:
    system, locked = problem.robot.system, _lock_for(problem, target)
    upgrade = problem.upgrade or frozenset()
    wants: list[DebianWant] = []
    for one in instances:
        wants.extend(
            DebianWant(text=text.text, origin=text.origin, instance=one.name)
            for text in needs[one.name].debian
        )
        requires = needs[one.name].python.requires
        if requires:
            wants.extend(
                DebianWant(
                    text=tool,
                    origin=one.manifest.places.get("python", requires[0].origin),
                    instance=one.name,
                    label="for the virtual environment",
                )
                for tool in PYTHON_TOOLS
            )
        permissions = needs[one.name].machine.permissions
        if permissions:
            wants.extend(
                DebianWant(
                    text=tool,
                    origin=permissions[0].origin,
                    instance=one.name,
                    label="for its permissions",
                )
                for tool in RIGHTS_TOOLS
            )
    places = {one.name: one for one in instances}
    for native in python.native:
        for name in native.wanted_by:
            owner = places.get(name)
            if owner is None:
                continue
            origin = owner.manifest.places.get("python", owner.manifest.origin)
            wants.extend(
                DebianWant(
                    text=package,
                    origin=origin,
                    instance=name,
                    build=build,
                    label=f"to {'build' if build else 'run'} {native.distribution}",
                )
                for packages, build in ((native.build, True), (native.run, False))
                for package in packages
            )
    return DebianProblem(
        wanted=tuple(wants),
        release=system.release,
        architecture=system.architecture,
        recommends=system.recommends,
        locked=(
            {one.name: one.version for one in locked.debian if one.name not in upgrade}
            if locked and (upgrade or problem.upgrade is None)
            else {}
        ),
    )


def _refused(
    robot: Robot,
    instances: tuple[Instance, ...],
    hardware: HardwareAnswer,
    software: _Software,
    ruled_out: _RuledOut,
) -> tuple[InstanceName, VariantName] | None:
    """
    Return the variant to rule out next: of an instance in an error, the last by name.

    An instance whose variants are all ruled out takes one of them again; that ends the search.
    """
    blamed = {
        name for one in software.findings if one.severity is Severity.ERROR for name in one.plugins
    }
    for one in reversed(instances):
        variant = hardware.variants[one.name]
        if one.name not in blamed or variant is None or one.name in robot.variants:
            continue
        if (one.name, variant) not in ruled_out:
            return one.name, variant
    return None


# --- the plan -------------------------------------------------------------------------------


def _plan(
    problem: Problem,
    instances: tuple[Instance, ...],
    target: Target,
    chosen: tuple[HardwareAnswer, _Software],
    first: tuple[HardwareAnswer, _Software],
) -> Plan:
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
        _claims(instances, variants),
        problem.boot_config,
    )
    claims = _claims(instances, variants)
    assignments = with_ends(
        with_devices(
            hardware.assignments + hardware.links,
            claims,
            problem.board,
            robot.system.image,
            _companions(problem),
        ),
        claims,
    )
    power = _electrical(problem, instances, hardware)
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
        *run_time_findings(
            instances,
            software.python.pins,
            debian.pins if debian else (),
            problem.board.id,
            problem.machine_facts,
        ),
        *_image_findings(problem),
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
        base_known=_knows_base(robot),
        undecided={
            name: blamed
            for name, answer in (("debian", debian), ("python", software.python))
            if answer is not None and (blamed := _blamed(answer.findings)) is not None
        },
        boot=boot,
        machine=machine,
        rails=power.rails,
        system_packages=_sees_system_packages(
            problem, [variant_needs(one.manifest, variants[one.name]) for one in instances]
        ),
        hazards=_hazards(robot, instances, variants),
        digests=problem.digests,
        indexes={
            **problem.indexes,
            **{one.name: one.url for one in robot.indexes},
        },
        program=robot.program.run if robot.program else None,
        program_user=robot.program.user if robot.program else None,
        keep_logs=robot.program.keep_logs if robot.program else 1,
        debian_suites=_suites(debian),
        sources=_sources(problem, _suites(debian)),
        build_environment={
            native.distribution: native.environment
            for native in software.python.native
            if native.environment
        },
        modules=_modules(instances, variants),
        capacity=capacity_of(problem.board, robot.system, problem.machine_facts),
        udev_rules=(
            *group_rules(machine, robot.system.image, problem.machine_facts),
            *udev_rules(assignments),
        ),
    )
    efforts = {one.distribution: one.effort for one in software.python.native if one.effort}
    findings += check_capacity(plan, robot, problem.board, instances, efforts)
    return replace(plan, findings=_of_profile(sorted_findings(findings), problem.profile))


def _knows_base(robot: Robot) -> bool:
    """Whether it is known what the fresh card carries."""
    return robot.system.base is not None or robot.system.image == PLAIN_IMAGE


def _image_findings(problem: Problem) -> Iterator[Finding]:
    """Say what is not known of the image that the card gets."""
    robot, board = problem.robot, problem.board
    image = robot.system.image
    place = robot.system.places.get("image") or robot.places.get("system", robot.origin)
    if image == MAKERS_IMAGE and image not in board.boot:
        yield finding(
            "image-unknown",
            Severity.WARNING,
            f"no image of the maker of {board.id} is known",
            places=[Place(origin=place)],
            why="how it names buses and switches them on, and what its card carries, is not known",
            repair="system: {image: debian}   in robot.yaml",
        )
    elif not _knows_base(robot):
        yield finding(
            "image-unknown",
            Severity.NOTE,
            f"what the image {image} carries is not known; the plan adds to plain Debian's card",
            places=[Place(origin=place)],
            why=[
                "what the card has besides is not seen: neither what need not be fetched, nor what "
                "conflicts with the plan",
                "packages that only its maker's archive has come from `sources` of `system`",
            ],
            repair="system: {base: card.status}   in robot.yaml, after "
            "scp ROBOT:/var/lib/dpkg/status card.status",
        )


def _suites(debian: DebianAnswer | None) -> tuple[str, ...]:
    """Return the suites of Debian itself that something is taken from."""
    return tuple(sorted({pin.suite for pin in debian.pins if not pin.source} if debian else ()))


def _sources(problem: Problem, suites: tuple[str, ...]) -> tuple[PlannedSource, ...]:
    """Return the archives that the robot's apt must know: declared ones, and a dated one."""
    system = problem.robot.system
    found = [
        PlannedSource(
            name=one.name,
            url=one.url,
            suites=one.suites,
            components=one.components,
            key=problem.source_keys.get(one.name, ""),
            keyring=one.signed_by if one.signed_by and is_keyring(one.signed_by) else None,
            priority=one.priority,
            only=one.only,
        )
        for one in system.sources
        if is_archive_address(one.url)
    ]
    dated = system.dated_archive
    if dated is not None and is_archive_address(dated):
        security = [one for one in suites if one.endswith("-security")]
        main = [one for one in suites if one not in security]
        beside = re.sub(r"/debian(?=/\d{8}T\d{6}Z/?$|/?$)", "/debian-security", dated)
        found += [
            PlannedSource(
                name=name,
                url=url,
                suites=tuple(some),
                components=DEBIAN_COMPONENTS,
                keyring=DEBIAN_KEYRING,
                dated=True,
            )
            for name, url, some in (
                ("debian-snapshot", dated, main),
                ("debian-snapshot-security", beside, security),
            )
            if some
        ]
    return tuple(sorted(found, key=lambda one: one.name))


def _modules(
    instances: tuple[Instance, ...], variants: Mapping[InstanceName, VariantName | None]
) -> dict[str, tuple[InstanceName, ...]]:
    """Return the import names that manifests declare; those of the plugins' own code stay out."""
    found: dict[str, set[InstanceName]] = {}
    own = {name for one in instances for name in _own_modules(one)}
    for one in instances:
        for text in variant_needs(one.manifest, variants[one.name]).python.modules:
            if is_module_name(text.text) and text.text.split(".")[0] not in own:
                found.setdefault(text.text, set()).add(one.name)
    return {name: tuple(sorted(found[name])) for name in sorted(found)}


def _claims(
    instances: tuple[Instance, ...], variants: Mapping[InstanceName, VariantName | None]
) -> dict[tuple[InstanceName, ClaimName], Claim]:
    """Return every claim of the chosen variants by instance and name."""
    return {
        (one.name, claim.key.name): claim
        for one in instances
        for claim in variant_needs(one.manifest, variants[one.name]).hardware
    }


def _sees_system_packages(problem: Problem, needs: Iterable[Needs]) -> bool:
    """
    Whether the virtual environment must see the Python modules that Debian packages bring.

    It must as soon as a plugin asks Debian for one; a plain environment would hide it. Tools such
    as python3-dev are none.
    """
    carriers = {str(name) for fact in problem.python_facts.modules.values() for name in fact.debian}
    asked = {
        alternative.split("(")[0].split(":")[0].strip()
        for one in needs
        for text in one.debian
        for alternative in text.text.split("|")
    }
    return any(
        name in carriers
        or (name.startswith("python3-") and problem.carried_facts.brings(DebianName(name)))
        for name in asked
    )


def _electrical(
    problem: Problem, instances: tuple[Instance, ...], hardware: HardwareAnswer
) -> ElectricalAnswer:
    """Return the power budget and what is wrong in currents, levels, boot states and hazards."""
    if problem.electrical is None or problem.i2c is None:
        return ElectricalAnswer(rails=())
    return electrical(
        ElectricalProblem(
            board=problem.board,
            robot=problem.robot,
            electrical=problem.electrical,
            i2c=problem.i2c,
            chips=problem.chips,
            link_rules=problem.link_rules,
            parts=problem.parts,
            claims=tuple(
                (name, claim) for (name, _), claim in _claims(instances, hardware.variants).items()
            ),
            assignments=hardware.assignments + hardware.links,
            speeds=bus_speeds(problem.board, problem.robot.system.image, problem.boot_config),
        )
    )


def _hazards(
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


def _variant_notes(
    instances: tuple[Instance, ...],
    first: tuple[HardwareAnswer, _Software],
    chosen: tuple[HardwareAnswer, _Software],
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
