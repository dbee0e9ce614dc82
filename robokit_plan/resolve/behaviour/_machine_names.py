"""Units, groups and kernel modules that no package of the robot brings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from robokit_plan.model import (
    Finding,
    Instance,
    InstanceName,
    MachineNames,
    MachineNeeds,
    Needs,
    Place,
    Severity,
    Text,
    dataclass,
    find_nearest,
    finding,
    listed,
)

_SUFFIXES = (".service", ".socket", ".timer", ".path", ".target", ".mount", ".slice")


@dataclass(frozen=True, kw_only=True, slots=True)
class Installed:
    """
    What will be on the card: names of Debian packages.

    `whole`: nothing else is, so that what no package brings is not there. Not so on a maker's
    image, whose packages nobody has listed, or with further archives.
    """

    packages: frozenset[str]
    whole: bool
    release: str


def machine_name_findings(
    instances: Iterable[Instance],
    needs: Mapping[InstanceName, Needs],
    names: MachineNames,
    installed: Installed,
) -> Iterator[Finding]:
    """
    Yield what a plugin names of the machine that will not be there.

    An error where that is sure; a warning where a maker's image or another archive may bring it.
    """
    for one in instances:
        machine = needs[one.name].machine
        brings = bool(needs[one.name].debian)
        for text in machine.start:
            yield from _unit(one, machine, text, names, installed)
        for text in machine.load:
            yield from _module(one, machine, text, names, installed, brings=brings)
        for text in machine.groups:
            yield from _group(one, machine, text, names, installed, brings=brings)


def unit_of(name: str) -> str:
    """
    Return the unit file that *name* of a manifest stands for; an instance has its template's.

    >>> unit_of("mosquitto"), unit_of("serial-getty@ttyS0.service")
    ('mosquitto.service', 'serial-getty@.service')
    """
    stem, suffix = name, ".service"
    for one in _SUFFIXES:
        if name.endswith(one):
            stem, suffix = name.removesuffix(one), one
    head, at, _ = stem.partition("@")
    return f"{head}{at}{suffix}"


def one_of(texts: Iterable[Text], old: Text, new: str) -> list[str]:
    """Return the words of a list with *new* in place of *old*, each once."""
    return list(dict.fromkeys(new if one == old else one.text for one in texts))


def _in_place(plugin: str, key: str, words: Iterable[str]) -> str:
    """Return a list of `machine` as it is to be written in a manifest."""
    inner = f"{key}: [{', '.join(words)}]" + "}" * key.count("{")
    return f"machine: {{{inner}}}   in the manifest of {plugin}"


def _without(plugin: str, key: str, texts: Iterable[Text], old: Text) -> str:
    return _in_place(plugin, key, [one.text for one in texts if one != old])


def _places(one: Instance, text: Text, word: str) -> list[Place]:
    return [Place(origin=text.origin, label=f"{one.name} {word} {text.text}")]


def _severity(installed: Installed) -> Severity:
    return Severity.ERROR if installed.whole else Severity.WARNING


def _unit(
    one: Instance, machine: MachineNeeds, text: Text, names: MachineNames, installed: Installed
) -> Iterator[Finding]:
    unit = unit_of(text.text)
    packages = names.units.get(unit, ())
    manifest = one.manifest.plugin
    if packages:
        if not installed.packages.isdisjoint(packages):
            return
        yield finding(
            "service-missing",
            _severity(installed),
            f"{one.name} starts {text.text}, which comes with {listed(packages, 'or')}",
            places=_places(one, text, "starts"),
            why="nobody asks for that package" + _unsure(installed),
            repair=[
                f'debian: {{packages: ["{package}"]}}   in the manifest of {manifest}'
                for package in packages[:3]
            ],
            plugins=[one.name],
            resource=text.text,
        )
        return
    near = find_nearest(unit, names.units)
    yield finding(
        "service-unknown",
        _severity(installed),
        f"{one.name} starts {text.text}, and no package of {installed.release} brings such a unit",
        places=_places(one, text, "starts"),
        why="it cannot be started" + _unsure(installed),
        repair=_in_place(
            manifest, "services: {start", one_of(machine.start, text, near.removesuffix(".service"))
        )
        if near
        else _without(manifest, "services: {start", machine.start, text),
        plugins=[one.name],
        resource=text.text,
    )


def _unsure(installed: Installed) -> str:
    return "" if installed.whole else ", unless the image or a further archive brings it"


def _module(
    one: Instance,
    machine: MachineNeeds,
    text: Text,
    names: MachineNames,
    installed: Installed,
    *,
    brings: bool,
) -> Iterator[Finding]:
    name = text.text.replace("-", "_")
    if not names.modules or name in names.modules:
        return
    # A package of its own (DKMS) may build it; which one does is not known by name.
    sure = installed.whole and not brings
    near = find_nearest(name, names.modules)
    yield finding(
        "module-unknown",
        Severity.ERROR if sure else Severity.WARNING,
        f"{one.name} loads {text.text}, which is no module of the kernel of {installed.release}",
        places=_places(one, text, "loads"),
        why="the kernel cannot load it"
        + ("" if sure else ", unless the image or a package of its own brings it"),
        repair=_in_place(one.manifest.plugin, "kernel: {load", one_of(machine.load, text, near))
        if near
        else _without(one.manifest.plugin, "kernel: {load", machine.load, text),
        plugins=[one.name],
        resource=text.text,
    )


def _group(
    one: Instance,
    machine: MachineNeeds,
    text: Text,
    names: MachineNames,
    installed: Installed,
    *,
    brings: bool,
) -> Iterator[Finding]:
    if not names.groups or text.text in names.groups:
        return
    makers = names.made_groups.get(text.text, ())
    manifest = one.manifest.plugin
    if makers:
        if not installed.packages.isdisjoint(makers):
            return
        yield finding(
            "group-missing",
            _severity(installed),
            f"{one.name} is to be in the group {text.text}, which {listed(makers, 'or')} makes",
            places=_places(one, text, "is to be in"),
            why="nobody asks for that package" + _unsure(installed),
            repair=[
                f'debian: {{packages: ["{package}"]}}   in the manifest of {manifest}'
                for package in makers[:3]
            ],
            plugins=[one.name],
            resource=text.text,
        )
        return
    sure = installed.whole and not brings
    near = find_nearest(text.text, (*names.groups, *names.made_groups))
    yield finding(
        "group-unknown",
        Severity.ERROR if sure else Severity.WARNING,
        f"{one.name} is to be in the group {text.text}, which no card has",
        places=_places(one, text, "is to be in"),
        why="who is in it may open nothing that he could not open without it"
        + ("" if sure else ", unless one of the plugin's packages makes it"),
        repair=_in_place(manifest, "groups", one_of(machine.groups, text, near))
        if near
        else _without(manifest, "groups", machine.groups, text),
        plugins=[one.name],
        resource=text.text,
    )
