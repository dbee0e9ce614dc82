"""What is odd about settings that stand in one boot file, each being known by itself."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations

from robokit_plan.model import BusName, Finding, LineName, Severity, few, finding

from ._present_settings import PresentSetting


def word_findings(met: Sequence[PresentSetting]) -> Iterator[Finding]:
    """
    Return settings of *met* that hurt, that spoil or exclude one another, that want the same lines.

    A stranger's file may hold thousands of them: of one word two are held against the others, and
    a line that many want is told of each with the first.
    """
    for one in met:
        if one.entry.hazard is not None:
            yield _hazard(one)
    for one, other in combinations(_two_of_each(met), 2):
        yield from _spoiled(one, other)
        yield from _spoiled(other, one)
        yield from _excluding(one, other)
    owners: dict[LineName, int] = {}
    for place, one in enumerate(met):
        wanted: dict[int, list[LineName]] = defaultdict(list)
        for line, bus in one.takes.lines.items():
            owner = owners.setdefault(line, place)
            if owner != place and not _together(met[owner].takes.lines[line], bus):
                wanted[owner].append(line)
        for owner, lines in wanted.items():
            yield _same_lines(met[owner], one, lines)


def _two_of_each(met: Sequence[PresentSetting]) -> Iterator[PresentSetting]:
    often: Counter[tuple[str, str]] = Counter()
    for one in met:
        word = (one.entry.kind, one.entry.name)
        often[word] += 1
        if often[word] <= 2:
            yield one


def _hazard(one: PresentSetting) -> Finding:
    return finding(
        "boot-setting-hazard",
        Severity.WARNING,
        f"{one.line.text} can hurt",
        places=[one.line.origin],
        why=[one.entry.hazard or "", one.entry.meaning],
        repair=f"take {one.line.text} out of {one.line.origin.file}, unless the cell's data sheet "
        "allows it",
        resource=one.entry.name,
    )


def _spoiled(one: PresentSetting, other: PresentSetting) -> Iterator[Finding]:
    why = one.entry.spoils.get(other.entry.name)
    if why is None:
        return
    yield finding(
        "boot-setting-spoiled",
        Severity.WARNING,
        f"{one.entry.name} takes from {other.entry.name} what it is there for",
        places=[one.line.origin, other.line.origin],
        why=[why, one.entry.meaning],
        repair=f"take {one.line.text} out of {one.line.origin.file}",
        resource=other.entry.name,
    )


def _excluding(one: PresentSetting, other: PresentSetting) -> Iterator[Finding]:
    first, second = one.entry, other.entry
    same = first.one_of is not None and first.one_of == second.one_of
    if not same and second.name not in first.excludes and first.name not in second.excludes:
        return
    yield finding(
        "boot-setting-conflict",
        Severity.ERROR,
        f"{first.name} and {second.name} exclude each other",
        places=(one.line.origin, other.line.origin),
        why=f"both set up the {first.one_of} of the board, which one of them alone can do"
        if same
        else f"{first.meaning}; {second.meaning}",
        repair=f"take {other.line.text} out of {other.line.origin.file}",
        resource=first.one_of,
    )


def _same_lines(one: PresentSetting, other: PresentSetting, both: Sequence[LineName]) -> Finding:
    return finding(
        "boot-setting-conflict",
        Severity.ERROR,
        f"{one.line.text} and {other.line.text} both take {few(both, 4)}",
        places=[one.line.origin, other.line.origin],
        why="one line carries one function at a time; the one that comes second fails",
        repair=[f"take {each.line.text} out of {each.line.origin.file}" for each in (other, one)],
        resource=both[0],
    )


def _together(one: BusName | None, other: BusName | None) -> bool:
    """Whether two settings mean one bus, or are two words about one serial port."""
    if one is None or other is None:
        return False
    return one.rstrip("0123456789") == other.rstrip("0123456789")
