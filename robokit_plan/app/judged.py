"""What `lint` says of the files that it read: rules, collisions, comments that allow something."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import chain
from typing import NamedTuple

from robokit_plan.app.rule_kinds import rule_kinds
from robokit_plan.edge.facts import board_ids, read_board
from robokit_plan.edge.lint_targets import LintReading, LintTarget, program_is_there
from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.formats.comments import yaml_comments
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.lint import (
    actuators_of,
    check_program_file,
    debian_names,
    distribution_of,
    lint_manifest,
    lint_robot,
    lint_text,
    settle,
)
from robokit_plan.model import (
    AbsentNames,
    Allowed,
    BoardId,
    DebianName,
    DistributionName,
    Finding,
    LineComment,
    PythonFacts,
    Severity,
    sorted_findings,
)


class Judged(NamedTuple):
    """
    What lint says, and what comments allow.

    `by_file`: what each file that was looked at was told, before any two are held together;
    `spoken`: those with comments that speak to lint, in them or in the plugin's code.
    """

    findings: tuple[Finding, ...]
    allowed: tuple[Allowed, ...]
    by_file: Mapping[str, tuple[Finding, ...]] = {}
    spoken: frozenset[str] = frozenset()


class _Known(NamedTuple):
    """What every manifest is held against; gathered once, since libraries may be large."""

    facts: PythonFacts
    actuators: frozenset[str]
    absent: AbsentNames
    headers: Mapping[BoardId, frozenset[str]]


class _Headers(Mapping[BoardId, frozenset[str]]):
    """Every known board -> its header's lines in small letters, read when somebody asks."""

    def __init__(self) -> None:
        self._ids = board_ids()
        self._lines: dict[BoardId, frozenset[str]] = {}

    def __getitem__(self, board: BoardId) -> frozenset[str]:
        if board not in self._lines:
            header = read_board(board)
            # A position that has a name of its own, as P9_22, stands for its first line.
            named = [pin.id for pin in header.pins if pin.lines and not pin.id.isdecimal()]
            self._lines[board] = frozenset(one.casefold() for one in (*header.lines, *named))
        return self._lines[board]

    def __iter__(self) -> Iterator[BoardId]:
        return iter(self._ids)

    def __len__(self) -> int:
        return len(self._ids)

    def __contains__(self, board: object) -> bool:
        return board in self._ids


def names_asked(
    targets: Iterable[LintTarget],
) -> tuple[set[DistributionName], set[DebianName]]:
    """Return the distributions and the packages that the manifests among *targets* ask for."""
    python: set[DistributionName] = set()
    debian: set[DebianName] = set()
    for manifest in (one.manifest for one in targets if one.manifest is not None):
        for needs in (manifest.base, *(variant.needs for variant in manifest.variants)):
            python |= {name for text in needs.python.requires if (name := distribution_of(text))}
            debian |= {name for text in needs.debian for name in debian_names(text)}
    return python, debian


def judged(
    reading: LintReading, touched: tuple[LintTarget, ...], absent: AbsentNames | None = None
) -> Judged:
    """
    Return what can be said about *touched*, some or all targets of *reading*.

    A robot that was not touched itself but enables a plugin that was is looked at for it: what
    names a touched file is told, and what keeps the robot from being built.
    """
    known = _Known(
        read_python_facts(),
        actuators_of(reading.manifests.values()) | reading.actuators,
        absent or AbsentNames(),
        _Headers(),
    )
    by_file = {target.name: tuple(_findings(target, reading, known)) for target in touched}
    found = [*chain(*by_file.values())]
    names = {one.name for one in touched}
    plugins = {one.manifest.plugin for one in touched if one.manifest is not None}
    for target in reading.targets:
        if target.name in names or target.robot is None:
            continue
        entries = (*target.robot.enabled, *chain(*target.robot.profiles.values()))
        if plugins.intersection(one.plugin for one in entries):
            found += [
                one
                for one in _collisions(target)
                if one.severity is Severity.ERROR
                or names.intersection(place.origin.file for place in one.places)
            ]
    comments = {one.name: _comments(one) for one in touched}
    settled = _settled(_told_once(found), reading, comments)
    spoken = frozenset(name for name, those in comments.items() if those)
    return settled._replace(by_file=by_file, spoken=spoken)


def _settled(
    findings: Iterable[Finding],
    reading: LintReading,
    comments: Mapping[str, tuple[LineComment, ...]],
) -> Judged:
    """
    Return *findings* without those that comments allow, with what is wrong with comments.

    Args:
        findings: All.
        reading: All files that were read.
        comments: Name of each file that is looked at -> its comments.
    """
    looked_at = [*chain(*comments.values())]
    others = [
        one
        for target in reading.targets
        if target.name not in comments
        for one in _comments(target)
    ]
    if not looked_at and not others:
        return Judged(sorted_findings(findings), ())
    robots = any(one.robot is not None for one in reading.targets)
    return Judged(*settle(findings, looked_at, rule_kinds(), elsewhere=others, robots=robots))


def _comments(target: LintTarget) -> tuple[LineComment, ...]:
    code = () if target.code is None else target.code.comments
    return (*yaml_comments(target.text, target.name), *code)


_QUARRELS = frozenset({"service-collision", "module-collision"})


def _told_once(findings: Iterable[Finding]) -> Iterable[Finding]:
    """
    Yield *findings* without those that only say again what another one says of the same place.

    A robot and its profiles collide in the same thing with other lines left to move to: the first
    to tell is the robot itself. What a plan says of a claim's level says more than the manifest.
    """
    every = tuple(findings)
    # One manifest that starts and stops the same is told as such, not as two plugins' quarrel.
    told = {
        frozenset(place.origin for place in one.places)
        for one in every
        if one.rule == "machine-contradicts"
    }
    first: dict[tuple[object, ...], Finding] = {}
    for one in every:
        if one.rule in _QUARRELS and frozenset(place.origin for place in one.places) in told:
            continue
        places = tuple(place.origin for place in one.places)
        about: object = one.message
        if one.rule == "level-too-high" and len(places) == 1:
            about = None
        key = (one.rule, places, about)
        if key not in first or (about is None and _labelled(one) > _labelled(first[key])):
            first[key] = one
    return first.values()


def _labelled(one: Finding) -> int:
    return sum(bool(place.label) for place in one.places)


def _findings(target: LintTarget, reading: LintReading, known: _Known) -> Iterable[Finding]:
    yield from _without_echo(target, reading)
    if target.manifest is not None:
        yield from lint_manifest(
            target.manifest,
            text=target.text,
            code=target.code,
            actuators=known.actuators,
            facts=known.facts,
            program=reading.program,
            absent=known.absent,
            headers=known.headers,
        )
    elif target.robot is not None:
        robot = target.robot
        yield from lint_robot(robot, reading.manifests, text=target.text)
        yield from check_program_file(
            robot,
            reading.manifests,
            there=program_is_there(target.path.parent, robot),
            standard=known.facts.standard_of(robot.system.release, robot.system.python),
        )
        yield from _collisions(target)
    else:
        yield from lint_text(target.text, target.name)


def _without_echo(target: LintTarget, reading: LintReading) -> Iterable[Finding]:
    """Yield what reading *target* said, but not that plugins lack whose manifests are unusable."""
    if target.robot is None:
        return target.findings
    robot = target.robot
    broken = {
        one.path.parent.name
        for one in reading.targets
        if one.robot is None and one.manifest is None and one.findings
    }
    entries = [*robot.enabled, *(one for names in robot.profiles.values() for one in names)]
    places = {one.origin for one in entries if one.plugin in broken}
    return (
        one
        for one in target.findings
        if one.rule != "plugin-unknown" or not places.intersection(p.origin for p in one.places)
    )


def _collisions(target: LintTarget) -> Iterable[Finding]:
    """Yield what the enabled plugins of a robot, and of each of its profiles, collide in."""
    robot = target.robot
    if robot is None:
        return
    from robokit_plan.app.session import rooted_findings

    root = target.name.removesuffix(target.path.name)
    for profile in (None, *sorted(robot.profiles)):
        try:
            yield from rooted_findings(target.path, profile, prefix=root)
        except UnreadableFile as error:
            # Files that cannot be read are targets of their own; a board without facts is not.
            yield from (one for one in error.findings if one.rule == "board-unknown")
            return
