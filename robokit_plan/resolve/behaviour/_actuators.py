"""Who commands what moves, heats, shines or switches, and what keeps people safe from it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType

from robokit_plan.model import (
    ActuatorClaim,
    Claim,
    Controller,
    Finding,
    Function,
    Hazard,
    Instance,
    InstanceName,
    Manifest,
    Place,
    PluginName,
    Robot,
    Severity,
    SignalClaim,
    VariantName,
    dataclass,
    finding,
    listed,
    near_names,
    variant_needs,
)

from ._words import disabling


@dataclass(frozen=True, kw_only=True, slots=True)
class _Actuator:
    """One actuator of the robot with the instance that wires it."""

    name: str
    instance: Instance
    claim: ActuatorClaim


def _claims(
    instances: Iterable[Instance], variants: Mapping[InstanceName, VariantName | None]
) -> Iterator[tuple[Instance, Claim]]:
    for one in instances:
        for claim in variant_needs(one.manifest, variants.get(one.name)).hardware:
            yield one, claim


def hazards_of(
    instances: Iterable[Instance], variants: Mapping[InstanceName, VariantName | None]
) -> dict[str, tuple[InstanceName, ...]]:
    """Return each hazard that an enabled claim declares -> the instances, both sorted."""
    found: dict[str, set[InstanceName]] = defaultdict(set)
    for one, claim in _claims(instances, variants):
        hazard = getattr(claim, "hazard", Hazard.NONE)
        if hazard is not Hazard.NONE:
            found[hazard.value].add(one.name)
    return {word: tuple(sorted(found[word])) for word in sorted(found)}


def actuator_findings(
    robot: Robot,
    instances: Iterable[Instance],
    variants: Mapping[InstanceName, VariantName | None],
    known: Mapping[PluginName, Manifest] = MappingProxyType({}),
) -> tuple[Finding, ...]:
    """
    Return what is wrong between actuators and those who command them.

    An actuator has one commander across board and controllers; a controller that moves it by
    itself lets go before the host commands (common practice, no source). *known* are all plugins
    in reach, enabled or not; they make the repair.
    """
    instances = tuple(instances)
    actuators = [
        _Actuator(name=str(claim.key.name), instance=one, claim=claim)
        for one, claim in _claims(instances, variants)
        if isinstance(claim, ActuatorClaim)
    ]
    commands = [
        (one, text.text, Place(origin=text.origin, label=f"{one.name} commands {text.text}"))
        for one in instances
        for text in one.manifest.topics.commands
    ]
    findings: list[Finding] = []
    findings.extend(_twice(actuators))
    findings.extend(_ambiguous(actuators, instances))
    findings.extend(_commanders(robot, actuators, commands))
    findings.extend(_unknown(robot, actuators, commands, known))
    findings.extend(_guards(robot, actuators, instances, known))
    findings.extend(_plain(_claims(instances, variants), actuators))
    return tuple(findings)


def _names(actuator: _Actuator) -> tuple[str, str]:
    """Return both ways in which a command may name the actuator."""
    return actuator.name, f"{actuator.instance.name}.{actuator.name}"


def _place(actuator: _Actuator) -> Place:
    label = f"{actuator.instance.name} wires {actuator.name}"
    return Place(origin=actuator.claim.key.origin, label=label)


def _twice(actuators: list[_Actuator]) -> Iterator[Finding]:
    by_name: dict[str, list[_Actuator]] = defaultdict(list)
    for one in actuators:
        by_name[one.name].append(one)
    for name, group in sorted(by_name.items()):
        if len({one.instance.manifest.plugin for one in group}) < 2:
            continue  # two instances of one plugin are told apart by their instance names
        names = sorted({one.instance.name for one in group})
        last = max(one.instance.manifest.plugin for one in group)
        yield finding(
            "actuator-collision",
            Severity.ERROR,
            f"{listed(names)} {'both' if len(names) == 2 else 'all'} bring an actuator called "
            f"{name}",
            places=map(_place, group),
            why="a command for it would move both, or the wrong one",
            repair=[
                f"hardware: {{actuators: {{{last}-{name}: …}}}}   in the manifest of {last}, in "
                f"place of {name}",
                *(disabling([one for one in names if one != kept]) for kept in reversed(names)),
            ],
            plugins=names,
            resource=name,
        )


def _ambiguous(actuators: list[_Actuator], instances: tuple[Instance, ...]) -> Iterator[Finding]:
    """Yield commands whose name several instances of one plugin bring."""
    by_name: dict[str, dict[InstanceName, _Actuator]] = defaultdict(dict)
    for one in actuators:
        by_name[one.name][one.instance.name] = one
    for master in instances:
        names = [text.text for text in master.manifest.topics.commands]
        for text in master.manifest.topics.commands:
            group = by_name.get(text.text, {})
            plugins = {one.instance.manifest.plugin for one in group.values()}
            if len(group) < 2 or len(plugins) > 1 or master.name in group:
                continue
            bringing = sorted(group)
            whole = [
                each
                for name in names
                for each in ([f"{one}.{name}" for one in bringing] if name == text.text else [name])
            ]
            yield finding(
                "actuator-collision",
                Severity.ERROR,
                f"{master.name} commands {text.text}, and {listed(bringing)} "
                f"{'both' if len(bringing) == 2 else 'all'} bring it",
                places=[
                    Place(origin=text.origin, label=f"{master.name} commands {text.text}"),
                    *(
                        Place(origin=group[one].instance.origin, label=f"{one} brings {text.text}")
                        for one in bringing
                    ),
                ],
                why="a command for it would move both, or the wrong one",
                repair=[
                    f"topics: {{commands: [{', '.join(whole)}]}}   in the manifest of "
                    f"{master.manifest.plugin}",
                    *(
                        disabling([one for one in bringing if one != kept])
                        for kept in reversed(bringing)
                    ),
                ],
                plugins=[master.name, *bringing],
                resource=text.text,
            )


def _commanders(
    robot: Robot, actuators: list[_Actuator], commands: list[tuple[Instance, str, Place]]
) -> Iterator[Finding]:
    known = {name for one in actuators for name in _names(one)}
    animated = {name for one in robot.controllers.values() for name in one.moves_alone}
    spoken: dict[str, list[tuple[Instance, Place]]] = defaultdict(list)
    for instance, name, place in commands:
        if name in known or name in animated:
            spoken[name].append((instance, place))
    rivals: dict[tuple[InstanceName, ...], list[str]] = defaultdict(list)
    for name, who in sorted(spoken.items()):
        names = tuple(sorted({one.name for one, _ in who}))
        if len(names) > 1:
            rivals[names].append(name)
        for controller in robot.controllers.values():
            if name.rpartition(".")[2] in controller.moves_alone:
                yield from _release(controller, name, who)
    for masters, contested in sorted(rivals.items()):
        yield finding(
            "commander-collision",
            Severity.ERROR,
            f"{listed(masters)} {'both' if len(masters) == 2 else 'all'} command "
            f"{listed(contested)}",
            places=[
                *(place for name in contested for _, place in spoken[name]),
                *(_place(one) for one in actuators if set(contested).intersection(_names(one))),
            ],
            why="two masters overwrite each other, and neither knows where it stands",
            repair=[
                disabling([one for one in masters if one != kept]) for kept in reversed(masters)
            ],
            plugins=masters,
            resource=contested[0] if len(contested) == 1 else None,
        )


def _release(
    controller: Controller, name: str, who: list[tuple[Instance, Place]]
) -> Iterator[Finding]:
    if controller.released_by is not None:
        return
    names = sorted({one.name for one, _ in who})
    yield finding(
        "release-missing",
        Severity.ERROR,
        f"controller {controller.name} moves {name} by itself and is never released "
        f"before {listed(names)} {'commands' if len(names) == 1 else 'command'} it",
        places=[
            *(place for _, place in who),
            Place(
                origin=controller.origin,
                label=f"{controller.name} moves {name.rpartition('.')[2]} alone",
            ),
        ],
        why="the controller's own animation and the host would drive one actuator together",
        repair=[
            f"controllers: {{{controller.name}: {{released-by: command}}}}   once its firmware "
            "stops on the host's word",
            disabling(names),
        ],
        plugins=names,
        resource=name,
    )


def _wires(manifest: Manifest, name: str) -> bool:
    return any(
        isinstance(claim, ActuatorClaim) and claim.key.name == name
        for needs in (manifest.base, *(one.needs for one in manifest.variants))
        for claim in needs.hardware
    )


def _commanding(manifest: Manifest, name: str, near: str) -> str:
    """Return the line of *manifest* that commands *near* instead of *name*."""
    words = [near if one.text == name else one.text for one in manifest.topics.commands]
    return f"topics: {{commands: [{', '.join(words)}]}}   in the manifest of {manifest.plugin}"


def _unknown(
    robot: Robot,
    actuators: list[_Actuator],
    commands: list[tuple[Instance, str, Place]],
    reach: Mapping[PluginName, Manifest],
) -> Iterator[Finding]:
    known = {name for one in actuators for name in _names(one)}
    animated = {name for one in robot.controllers.values() for name in one.moves_alone}
    for instance, name, place in commands:
        if name not in known and name not in animated:
            have = listed(sorted({one.name for one in actuators}))
            bringers = sorted(
                plugin for plugin, manifest in reach.items() if _wires(manifest, name)
            )
            near = near_names(name, [one.name for one in actuators], 1, cutoff=0.7)
            yield finding(
                "actuator-missing",
                Severity.ERROR,
                f"{instance.name} commands {name}, which no enabled plugin wires",
                places=[place],
                why=f"{listed(bringers)} {'wires' if len(bringers) == 1 else 'wire'} it and "
                f"{'is' if len(bringers) == 1 else 'are'} not enabled"
                if bringers
                else f"wired actuators: {have or 'none'}",
                repair=[
                    *(f"robokit-plan enable {plugin}" for plugin in bringers),
                    *(
                        (_commanding(instance.manifest, name, near[0]),)
                        if near and not bringers
                        else ()
                    ),
                    f"robokit-plan disable {instance.name}",
                ],
                plugins=[instance.name],
                resource=name,
            )
    spoken = {name for _, name, _ in commands}
    for one in actuators:
        if not spoken.intersection(_names(one)):
            yield finding(
                "commander-missing",
                Severity.NOTE,
                f"nobody commands {one.name} of {one.instance.name}",
                places=[_place(one)],
                why="no enabled plugin lists it under topics: commands",
                repair=f"topics: {{commands: [{one.name}]}}   in the manifest of "
                f"{one.instance.manifest.plugin}, or of the plugin that moves it",
                plugins=[one.instance.name],
                resource=one.name,
            )


def _inhibit(robot: Robot, actuator: _Actuator) -> str:
    """Return the switch that stops *actuator*: a further line for one there is, or a new one."""
    there = sorted(robot.controllers.values(), key=lambda one: (one.inhibit is None, one.name))
    if there and (switch := there[0].inhibit) is not None:
        stops = ", ".join([*switch.stops, actuator.name])
        return (
            f"controllers: {{{there[0].name}: {{inhibit: {{stops: [{stops}]}}}}}}   in robot.yaml, "
            "once the switch stops it"
        )
    inhibit = f"inhibit: {{pin: 15, active: low, stops: [{actuator.name}]}}"
    return (
        f"controllers: {{{there[0].name}: {{{inhibit}}}}}   in robot.yaml, once a switch is there"
        if there
        else f"controllers: {{mcu: {{chip: rp2040, {inhibit}}}}}   in robot.yaml, once "
        "a controller with a switch is there"
    )


def _guard(actuator: _Actuator) -> str:
    return (
        f"hardware: {{actuators: {{{actuator.name}: {{guard: over-temperature}}}}}}   in the "
        f"manifest of {actuator.instance.manifest.plugin}, for a plugin that provides that"
    )


def _guards(
    robot: Robot,
    actuators: list[_Actuator],
    instances: tuple[Instance, ...],
    known: Mapping[PluginName, Manifest],
) -> Iterator[Finding]:
    stopped = {
        name
        for one in robot.controllers.values()
        if one.inhibit is not None
        for name in one.inhibit.stops
    }
    provided = {capability for one in instances for capability in one.manifest.provides}
    for one in actuators:
        hazard = one.claim.hazard
        if hazard is not Hazard.NONE and not one.claim.safe_state:
            yield finding(
                "safe-state-missing",
                Severity.ERROR,
                f"{one.name} of {one.instance.name} has hazard {hazard.value} and no safe state",
                places=[_place(one)],
                why="after a crash nobody knows what it does",
                repair=f"hardware: {{actuators: {{{one.name}: {{safe-state: stopped}}}}}}   in the "
                f"manifest of {one.instance.manifest.plugin}, or what is safe for it",
                plugins=[one.instance.name],
                resource=one.name,
            )
        if hazard is Hazard.MOTION and not stopped.intersection(_names(one)):
            yield finding(
                "inhibit-missing",
                Severity.WARNING,
                f"{one.name} of {one.instance.name} moves and no hardware switch stops it",
                places=[
                    _place(one),
                    Place(
                        origin=robot.places.get("controllers", robot.origin),
                        label="no inhibit lists it under stops",
                    ),
                ],
                why="a bench test needs a switch that works without software",
                repair=_inhibit(robot, one),
                plugins=[one.instance.name],
                resource=one.name,
            )
        if hazard is Hazard.HEAT and (one.claim.guard is None or one.claim.guard not in provided):
            guard = one.claim.guard
            yield finding(
                "guard-missing",
                Severity.ERROR,
                f"{one.name} of {one.instance.name} heats and nothing watches its temperature",
                places=[_place(one)],
                why=(
                    f"no enabled plugin provides its guard {guard}"
                    if guard
                    else "its claim names no guard capability"
                ),
                repair=[
                    *(
                        f"robokit-plan enable {plugin}"
                        for plugin, manifest in sorted(known.items())
                        if guard in manifest.provides
                    ),
                    *(() if guard else (_guard(one),)),
                    f"robokit-plan disable {one.instance.name}",
                ],
                plugins=[one.instance.name],
                resource=one.name,
            )


_ALONE = frozenset({Hazard.MOTION, Hazard.HEAT})
"""Hazards that somebody must declare an actuator for: its safe state, its switch, its guard."""


def _plain(
    claims: Iterable[tuple[Instance, Claim]], actuators: list[_Actuator]
) -> Iterator[Finding]:
    """Yield what moves or heats by a claim of its own, with no actuator declared for it."""
    said = {(one.instance.name, one.claim.hazard) for one in actuators}
    for instance, claim in claims:
        hazard = _hazard_of(claim)
        if hazard not in _ALONE or (instance.name, hazard) in said:
            continue
        name = claim.key.name
        heats = hazard is Hazard.HEAT
        keys = "safe-state: cold, guard: over-temperature" if heats else "safe-state: stopped"
        yield finding(
            "guard-missing" if heats else "inhibit-missing",
            Severity.ERROR if heats else Severity.WARNING,
            f"{name} of {instance.name} heats and nothing watches its temperature"
            if heats
            else f"{name} of {instance.name} moves something and no hardware switch stops it",
            places=[Place(origin=claim.key.origin, label=f"{instance.name}.{name}")],
            why="no actuator of its manifest has hazard heat, which would name a guard"
            if heats
            else "no actuator is declared for it, whose safe state a switch would bring about",
            repair=[
                f"hardware: {{actuators: {{{name}-{_LOADS[hazard]}: {{hazard: {hazard.value}, "
                f"{keys}}}}}}}   in the manifest of {instance.manifest.plugin}"
                + (", for a plugin that provides that" if heats else ""),
                *([f"robokit-plan disable {instance.name}"] if heats else []),
            ],
            plugins=[instance.name],
            resource=name,
        )


_LOADS = {Hazard.MOTION: "drive", Hazard.HEAT: "heater"}
_READ = frozenset({Function.INPUT, Function.IR_IN, Function.ANALOG})


def _hazard_of(claim: Claim) -> Hazard:
    """Return by what *claim* can hurt; what only reads cannot."""
    if isinstance(claim, ActuatorClaim) or (
        isinstance(claim, SignalClaim) and claim.function in _READ
    ):
        return Hazard.NONE
    if isinstance(claim, SignalClaim) and claim.drives == "heater":
        return Hazard.HEAT
    hazard: Hazard = getattr(claim, "hazard", Hazard.NONE)
    return hazard
