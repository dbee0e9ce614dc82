"""What plugins say about each other and about boards."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping

from packaging.specifiers import InvalidSpecifier, SpecifierSet
from packaging.version import InvalidVersion, Version

from robokit_plan.model import (
    Board,
    BoardId,
    Finding,
    Instance,
    InstanceName,
    Manifest,
    Place,
    PluginName,
    Robot,
    Severity,
    Text,
    finding,
)

_REQUIREMENT = re.compile(r"\s*(?P<name>[a-z][a-z0-9-]*)\s*(?P<range>.*?)\s*\Z")


def plugin_findings(
    robot: Robot,
    board: Board | None,
    instances: Iterable[Instance],
    known: Mapping[PluginName, Manifest],
) -> tuple[Finding, ...]:
    """Return what stands between the enabled plugins, and between them and the board."""
    instances = tuple(instances)
    by_plugin: dict[PluginName, list[Instance]] = defaultdict(list)
    for one in instances:
        by_plugin[one.manifest.plugin].append(one)
    findings: list[Finding] = []
    for group in by_plugin.values():
        # Several instances of one plugin say the same thing once.
        speaker = group[0]
        for text in speaker.manifest.plugins:
            findings.extend(_requirement(speaker, text, by_plugin, known))
        if board is not None and speaker.manifest.boards:
            findings.extend(_boards(robot, board, speaker))
    findings.extend(_exclusions(instances))
    return tuple(findings)


def _requirement(
    speaker: Instance,
    text: Text,
    enabled: Mapping[PluginName, list[Instance]],
    known: Mapping[PluginName, Manifest],
) -> Iterator[Finding]:
    parts = _REQUIREMENT.match(text.text)
    if parts is None:
        return  # lint says so: the relation has no form
    name = PluginName(parts["name"])
    try:
        wanted = SpecifierSet(parts["range"])
    except InvalidSpecifier:
        return
    place = Place(origin=text.origin, label=f"{speaker.name} asks for {text.text}")
    if name not in enabled:
        there = known.get(name)
        fits = there is not None and _contains(wanted, there.version)
        if there is None:
            why = f"no plugin folder in reach is called {name}"
        elif fits:
            why = f"{name} is in reach"
        else:
            why = f"{name} in reach is {there.version}, and {parts['range']} is asked for"
        yield finding(
            "plugin-missing",
            Severity.ERROR,
            f"{speaker.name} works with {name}, which is not enabled",
            places=[place],
            why=why,
            repair=[
                *((f"robokit-plan enable {name}",) if fits else ()),
                f"robokit-plan disable {speaker.name}",
            ],
            plugins=[speaker.name],
        )
        return
    other = enabled[name][0].manifest
    if _contains(wanted, other.version):
        return
    yield finding(
        "plugin-version",
        Severity.ERROR,
        f"{speaker.name} works with {text.text}, and {name} here is {other.version}",
        places=[
            place,
            Place(
                origin=other.places.get("version", other.origin),
                label=f"{name} is {other.version}",
            ),
        ],
        why="the two were written for different versions of each other",
        repair=[
            f"robokit-plan disable {speaker.name}",
            f'plugins: ["{name}=={other.version}"]   in the manifest of '
            f"{speaker.manifest.plugin}, once the two have run together",
        ],
        plugins=[speaker.name, enabled[name][0].name],
    )


def _contains(wanted: SpecifierSet, version: str) -> bool:
    """Whether *version* will do; one that cannot be compared is lint's to tell."""
    try:
        return wanted.contains(Version(version), prereleases=True)
    except InvalidVersion:
        return True


def _exclusions(instances: tuple[Instance, ...]) -> Iterator[Finding]:
    """One finding for a pair, also where both exclude each other."""
    pairs: dict[tuple[InstanceName, InstanceName], list[Place]] = {}
    for speaker in instances:
        for text in speaker.manifest.excludes:
            for other in instances:
                if other.manifest.plugin == speaker.manifest.plugin:
                    continue
                if text.text == other.manifest.plugin or text.text in other.manifest.provides:
                    low, high = sorted((speaker.name, other.name))
                    label = f"{speaker.name} excludes {text.text}"
                    pairs.setdefault((low, high), []).append(Place(origin=text.origin, label=label))
    for (first, second), places in sorted(pairs.items()):
        yield finding(
            "plugins-excluded",
            Severity.ERROR,
            f"{first} and {second} must not be enabled together",
            places=places,
            why=[place.label for place in places],
            repair=[f"robokit-plan disable {first}", f"robokit-plan disable {second}"],
            plugins=[first, second],
        )


def _boards(robot: Robot, board: Board, speaker: Instance) -> Iterator[Finding]:
    allowed = speaker.manifest.boards
    if board.id in allowed or any(BoardId(one) in allowed for one in board.compatible):
        return
    yield finding(
        "board-unsupported",
        Severity.ERROR,
        f"{speaker.name} is limited to other boards than {board.id}",
        places=[
            Place(
                origin=speaker.manifest.places.get("boards", speaker.manifest.origin),
                label=f"{speaker.name}: {', '.join(allowed)}",
            ),
            Place(origin=robot.places.get("board", robot.origin), label=f"board: {board.id}"),
        ],
        why=f"its manifest names {', '.join(allowed)}",
        repair=[
            f"robokit-plan disable {speaker.name}",
            f'board: "{allowed[0]}"   in robot.yaml, if that is the board',
        ],
        plugins=[speaker.name],
    )
