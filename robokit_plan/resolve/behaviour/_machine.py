"""Groups, services, kernel modules, rights, secrets and assets of all enabled plugins."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping

from robokit_plan.model import (
    RIGHTS,
    Finding,
    Instance,
    InstanceName,
    Machine,
    MachineFacts,
    MachineNeeds,
    Place,
    PlannedAsset,
    Robot,
    Severity,
    Text,
    Variable,
    VariantName,
    finding,
    listed,
    near_names,
    variant_needs,
)

from ._serial_ports import guard_ports, serial_ports
from ._words import disabling

_NO_FACTS = MachineFacts()


def machine_of(
    instances: Iterable[Instance],
    variants: Mapping[InstanceName, VariantName | None],
    *,
    robot: Robot | None = None,
    facts: MachineFacts = _NO_FACTS,
) -> tuple[Machine, tuple[Finding, ...]]:
    """
    Return what the machine must have, and findings where two plugins want opposites.

    Where *robot* and *facts* are given, services that would take a serial port of a USB device
    are kept from starting.
    """
    instances = tuple(instances)
    needs = [
        (one, variant_needs(one.manifest, variants.get(one.name)).machine) for one in instances
    ]
    variables: dict[tuple[InstanceName, str], Variable] = {}
    assets: dict[tuple[str, str], PlannedAsset] = {}
    for one, machine in needs:
        for variable in machine.environment:
            variables.setdefault((one.name, variable.name), variable)
        for asset in machine.assets:
            planned = PlannedAsset(
                instance=one.name,
                url=asset.url,
                sha256=asset.sha256,
                size=asset.size,
                path=asset.path,
                license=asset.license,
            )
            assets.setdefault((asset.path, one.name), planned)
    gathered = Machine(
        groups=_gathered(needs, lambda one: one.groups),
        start=_gathered(needs, lambda one: one.start),
        stop=_gathered(needs, lambda one: one.stop),
        load=_gathered(needs, lambda one: one.load),
        block=_gathered(needs, lambda one: one.block),
        permissions=_gathered(needs, lambda one: one.permissions),
        environment=tuple((key[0], variables[key]) for key in sorted(variables)),
        assets=tuple(assets[key] for key in sorted(assets)),
    )
    ports = serial_ports(instances, variants, robot, facts) if robot is not None else ()
    gathered, port_findings = guard_ports(gathered, ports, facts)
    findings = [
        *port_findings,
        *_unknown_rights(needs),
        *_opposites(
            needs,
            lambda one: one.start,
            lambda one: one.stop,
            rule="service-collision",
            words=("start", "stop", "service", "services"),
        ),
        *_opposites(
            needs,
            lambda one: one.load,
            lambda one: one.block,
            rule="module-collision",
            words=("load", "block", "kernel module", "kernel"),
        ),
    ]
    return gathered, tuple(findings)


def group_rules(machine: Machine, image: str, facts: MachineFacts) -> tuple[str, ...]:
    """Return the udev rules that *image* lacks for the groups of *machine*, sorted."""
    return tuple(
        sorted(
            rule
            for fact in facts.groups
            if fact.group in machine.groups and image in fact.images
            for rule in fact.rules
        )
    )


_Pairs = list[tuple[Instance, MachineNeeds]]
_Texts = Callable[[MachineNeeds], tuple[Text, ...]]


def _unknown_rights(needs: _Pairs) -> Iterator[Finding]:
    for one, machine in needs:
        for text in machine.permissions:
            if text.text in RIGHTS:
                continue
            near = next(iter(near_names(text.text, RIGHTS, 1, cutoff=0.7)), None)
            kept = [each.text for each in machine.permissions if each.text in RIGHTS]
            wished = sorted({*kept, near} - {None}) if near else kept
            yield finding(
                "permission-unknown",
                Severity.ERROR,
                f"{one.name} asks for the right {text.text}, which the script cannot grant",
                places=[Place(origin=text.origin, label=f"{one.name} asks for it")],
                why=f"rights that it grants: {', '.join(sorted(RIGHTS))}",
                repair=f"machine: {{permissions: [{', '.join(map(str, wished))}]}}   in the "
                f"manifest of {one.manifest.plugin}",
                plugins=[one.name],
                resource=text.text,
            )


def _gathered(needs: _Pairs, texts: _Texts) -> dict[str, tuple[InstanceName, ...]]:
    found: dict[str, set[InstanceName]] = defaultdict(set)
    for one, machine in needs:
        for text in texts(machine):
            found[text.text].add(one.name)
    return {name: tuple(sorted(found[name])) for name in sorted(found)}


def _opposites(
    needs: _Pairs, yes: _Texts, no: _Texts, *, rule: str, words: tuple[str, str, str, str]
) -> Iterator[Finding]:
    wants: dict[str, list[tuple[Instance, Text]]] = defaultdict(list)
    refuses: dict[str, list[tuple[Instance, Text]]] = defaultdict(list)
    for one, machine in needs:
        for text in yes(machine):
            wants[text.text].append((one, text))
        for text in no(machine):
            refuses[text.text].append((one, text))
    yes_key, no_key, noun, section = words
    for name in sorted(wants.keys() & refuses.keys()):
        first = sorted({one.name for one, _ in wants[name]})
        second = sorted({one.name for one, _ in refuses[name]})
        yield finding(
            rule,
            Severity.ERROR,
            f"{listed(first)} {_verb(yes_key, first)} {noun} {name} and "
            f"{_verb(no_key, second)} it too"
            if first == second
            else f"{listed(first)} {_verb(yes_key, first)} {noun} {name}, which "
            f"{listed(second)} {_verb(no_key, second)}",
            places=[
                *(Place(origin=t.origin, label=f"{o.name} {yes_key}s it") for o, t in wants[name]),
                *(Place(origin=t.origin, label=f"{o.name} {no_key}s it") for o, t in refuses[name]),
            ],
            why="whichever runs last would win",
            repair=[
                *dict.fromkeys((disabling(first), disabling(second))),
                *_without(wants[name], name, yes, f"{section}: {{{yes_key}"),
                *_without(refuses[name], name, no, f"{section}: {{{no_key}"),
            ],
            plugins=[*first, *second],
            resource=name,
        )


def _verb(key: str, who: list[InstanceName]) -> str:
    return f"{key}s" if len(who) == 1 else key


def _without(who: list[tuple[Instance, Text]], name: str, texts: _Texts, key: str) -> Iterator[str]:
    """Yield what to write in the one manifest that names *name*, so that it no longer does."""
    if len({one.manifest.plugin for one, _ in who}) > 1:
        return
    manifest = who[0][0].manifest
    named = [text.text for text in texts(manifest.base.machine)]
    if name in named:
        rest = ", ".join(one for one in named if one != name)
        yield f"machine: {{{key}: [{rest}]}}}}   in the manifest of {manifest.plugin}"
