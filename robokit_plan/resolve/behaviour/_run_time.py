"""Packages that install together and then get in each other's way, from a sourced table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from robokit_plan.model import (
    DebianPin,
    Finding,
    Instance,
    InstanceName,
    MachineFacts,
    Place,
    PythonPin,
    RunTimeClash,
    Severity,
    dataclass,
    finding,
    listed,
)

from ._words import disabling


@dataclass(frozen=True, kw_only=True, slots=True)
class _Member:
    """One package of the plan that takes a side, and who brings it."""

    kind: str
    name: str
    wanted_by: tuple[InstanceName, ...]
    direct: bool


def run_time_findings(
    instances: Iterable[Instance],
    python: Iterable[PythonPin],
    debian: Iterable[DebianPin],
    board: str,
    facts: MachineFacts,
) -> Iterator[Finding]:
    """
    Yield each clash of *facts* of which enough sides are in the plan.

    What cannot work on the board at all is an error, what gets in each other's way a warning.
    """
    here = {
        (kind, str(pin.name)): _Member(
            kind=kind, name=str(pin.name), wanted_by=pin.wanted_by, direct=pin.direct
        )
        for kind, pins in (("python", python), ("debian", debian))
        for pin in pins
        if pin.wanted_by
    }
    by_name = {one.name: one for one in instances}
    for clash in facts.clashes:
        if clash.boards and board not in clash.boards:
            continue
        met = [side & here.keys() for side in clash.sides]
        if sum(map(bool, met)) >= min(2, len(clash.sides)):
            members = sorted((here[one] for side in met for one in side), key=lambda one: one.name)
            yield _told(clash, members, by_name, board)


def _told(
    clash: RunTimeClash,
    members: list[_Member],
    instances: dict[InstanceName, Instance],
    board: str,
) -> Finding:
    names = [member.name for member in members]
    alone = len(clash.sides) == 1
    if alone:
        message = f"{listed(names)} cannot work on {board}"
    else:
        message = f"{listed(names)} get in each other's way: each is a {clash.what}"
    return finding(
        "library-unfit" if alone else "run-time-clash",
        Severity.ERROR if alone else Severity.WARNING,
        message,
        places=[
            Place(
                origin=instances[name].manifest.places.get(
                    member.kind, instances[name].manifest.origin
                ),
                label=f"{name} {'asks for' if member.direct else 'brings in'} {member.name}",
            )
            for member in members
            for name in member.wanted_by
            if name in instances
        ],
        why=[clash.why],
        repair=[*_instead(clash, members, instances), *_disabling(members)],
        plugins=sorted({name for member in members for name in member.wanted_by}),
        resource=names[0],
    )


def _instead(
    clash: RunTimeClash, members: list[_Member], instances: dict[InstanceName, Instance]
) -> Iterator[str]:
    """Yield what to write in the one manifest that asks for a distribution with a substitute."""
    for member in members:
        plugins = {instances[name].manifest.plugin for name in member.wanted_by}
        if member.name in clash.instead and member.direct and len(plugins) == 1:
            yield (
                f'python: {{requires: ["{clash.instead[member.name]}"]}}   in the manifest of '
                f"{plugins.pop()}, in place of {member.name}"
            )


def _disabling(members: list[_Member]) -> list[str]:
    return list(dict.fromkeys(disabling(list(member.wanted_by)) for member in members))
