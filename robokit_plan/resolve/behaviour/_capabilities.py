"""Who serves each abstract service that an enabled plugin needs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from robokit_plan.model import (
    CapabilityName,
    Finding,
    Instance,
    InstanceName,
    Manifest,
    Place,
    PluginName,
    Robot,
    Severity,
    dataclass,
    finding,
    listed,
    near_names,
)

from ._words import disabling


@dataclass(frozen=True, kw_only=True, slots=True)
class Providers:
    """
    The choice made.

    Shape:
        `chosen` capability -> instance, for every capability that some enabled plugin provides
        and that is decided; `findings` what stays open.
    """

    chosen: Mapping[CapabilityName, InstanceName]
    findings: tuple[Finding, ...]


def choose_providers(
    robot: Robot, instances: Iterable[Instance], known: Mapping[PluginName, Manifest]
) -> Providers:
    """
    Return the provider of each capability, with a finding for each one missing or undecided.

    Args:
        robot: Its `choose` decides where several are enabled.
        instances: The enabled plugins.
        known: All plugins in reach, enabled or not; they make the repair.
    """
    instances = tuple(instances)
    offers: dict[CapabilityName, list[Instance]] = defaultdict(list)
    for instance in instances:
        for capability in dict.fromkeys(instance.manifest.provides):
            offers[capability].append(instance)
    needs: dict[CapabilityName, list[tuple[Instance, Place]]] = defaultdict(list)
    for instance in instances:
        for text in instance.manifest.needs:
            place = Place(origin=text.origin, label=f"{instance.name} needs it")
            needs[CapabilityName(text.text)].append((instance, place))

    findings = list(_choice_findings(robot, offers, instances, known))
    chosen: dict[CapabilityName, InstanceName] = {}
    for capability in sorted(offers):
        names = sorted(one.name for one in offers[capability])
        wish = robot.choose.get(capability)
        if wish is not None and wish.text in names:
            chosen[capability] = InstanceName(wish.text)
        elif len(names) == 1:
            chosen[capability] = names[0]
        elif capability in needs:
            findings.append(_undecided(capability, offers[capability], needs[capability]))
        else:
            findings.append(_unused(capability, offers[capability]))
    findings.extend(
        _missing(capability, needs[capability], known)
        for capability in sorted(needs)
        if capability not in offers
    )
    return Providers(chosen=chosen, findings=tuple(findings))


def _provides_place(instance: Instance) -> Place:
    origin = instance.manifest.places.get("provides", instance.manifest.origin)
    return Place(origin=origin, label=f"{instance.name} provides it")


def _undecided(
    capability: CapabilityName, offers: list[Instance], needs: list[tuple[Instance, Place]]
) -> Finding:
    names = sorted(one.name for one in offers)
    wanted = sorted({one.name for one, _ in needs})
    both = "both" if len(names) == 2 else "all"
    return finding(
        "provider-undecided",
        Severity.ERROR,
        f"{listed(names)} {both} provide {capability}",
        places=[*map(_provides_place, offers), *(place for _, place in needs)],
        why=f"which of them answers {listed(wanted)} would be chance",
        repair=[
            *(f"choose: {{{capability}: {name}}}   in robot.yaml" for name in names),
            *(disabling([one for one in names if one != kept]) for kept in reversed(names)),
        ],
        plugins=[*names, *wanted],
    )


def _unused(capability: CapabilityName, offers: list[Instance]) -> Finding:
    names = sorted(one.name for one in offers)
    return finding(
        "provider-undecided",
        Severity.NOTE,
        f"{listed(names)} provide {capability}, which nobody needs",
        places=map(_provides_place, offers),
        why="a plugin enabled later would find several providers",
        repair=f"choose: {{{capability}: {names[0]}}}   in robot.yaml",
        plugins=names,
    )


def _missing(
    capability: CapabilityName,
    needs: list[tuple[Instance, Place]],
    known: Mapping[PluginName, Manifest],
) -> Finding:
    could = sorted(name for name, one in known.items() if capability in one.provides)
    wanted = sorted({one.name for one, _ in needs})
    every = sorted({one for manifest in known.values() for one in manifest.provides})
    near = near_names(capability, every, 1, cutoff=0.7)
    if could:
        would = "would provide it and is" if len(could) == 1 else "would provide it and are"
        why = f"{listed(could)} {would} not enabled"
    elif near:
        why = f"no plugin in reach provides it; {near[0]} has the nearest name"
    else:
        why = "no plugin in reach provides it"
    return finding(
        "capability-missing",
        Severity.ERROR,
        f"nothing provides {capability}, which {listed(wanted)} "
        + ("needs" if len(wanted) == 1 else "need"),
        places=[place for _, place in needs],
        why=why,
        repair=[
            *(f"robokit-plan enable {name}" for name in could),
            *(_respelt(capability, near[0], needs) if near and not could else ()),
            disabling(wanted),
        ],
        plugins=wanted,
    )


def _respelt(
    capability: CapabilityName, near: str, needs: list[tuple[Instance, Place]]
) -> Iterable[str]:
    """Yield, per manifest, its needs with *capability* as it is called elsewhere."""
    for one in {one.manifest.plugin: one for one, _ in needs}.values():
        words = (near if text.text == capability else text.text for text in one.manifest.needs)
        yield f"needs: [{', '.join(words)}]   in the manifest of {one.manifest.plugin}"


def _is_spoken_of(capability: CapabilityName, known: Mapping[PluginName, Manifest]) -> bool:
    return any(
        capability in one.provides or any(need.text == capability for need in one.needs)
        for one in known.values()
    )


def _choice_findings(
    robot: Robot,
    offers: Mapping[CapabilityName, list[Instance]],
    instances: tuple[Instance, ...],
    known: Mapping[PluginName, Manifest],
) -> Iterable[Finding]:
    enabled = {one.name for one in instances}
    for capability, wish in sorted(robot.choose.items()):
        names = sorted(one.name for one in offers.get(capability, ()))
        if wish.text in names or not _is_spoken_of(capability, known):
            continue  # a service that no plugin has heard of is told where files are read
        wished = known.get(PluginName(wish.text))
        could = [wish.text] if wished is not None and capability in wished.provides else []
        if wish.text not in enabled:
            severity = Severity.NOTE if not names else Severity.WARNING
            message = f"{wish.text} is chosen for {capability} and is not enabled"
        else:
            severity = Severity.ERROR
            message = f"{wish.text} is chosen for {capability} and does not provide it"
            could = []
        yield finding(
            "choice-unusable",
            severity,
            message,
            places=[Place(origin=wish.origin, label="chosen here")],
            why=f"enabled providers: {', '.join(names) or 'none'}",
            repair=[
                *(f"choose: {{{capability}: {name}}}   in robot.yaml" for name in names),
                *(f"robokit-plan enable {one}" for one in could),
            ],
            plugins=[wish.text] if wish.text in enabled else [],
        )
