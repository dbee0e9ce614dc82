"""What is odd about settings that stand in one boot file, each being known by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import TYPE_CHECKING

from robokit_plan.model import BusName, Finding, LineName, Severity, finding

if TYPE_CHECKING:
    from ._boot_claims import Standing


def word_findings(met: Sequence[Standing]) -> Iterator[Finding]:
    """Return settings of *met* that hurt, that spoil one another, that want the same lines."""
    for one in met:
        if one.entry.hazard is not None:
            yield _hazard(one)
    for one, other in combinations(met, 2):
        yield from _spoiled(one, other)
        yield from _spoiled(other, one)
        yield from _same_lines(one, other)


def _hazard(one: Standing) -> Finding:
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


def _spoiled(one: Standing, other: Standing) -> Iterator[Finding]:
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


def _same_lines(one: Standing, other: Standing) -> Iterator[Finding]:
    both = [
        line
        for line, bus in one.takes.lines.items()
        if line in other.takes.lines and not _together(bus, other.takes.lines[line])
    ]
    if not both:
        return
    yield finding(
        "boot-setting-conflict",
        Severity.ERROR,
        f"{one.line.text} and {other.line.text} both take {_few(both)}",
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


def _few(lines: Sequence[LineName]) -> str:
    shown = ", ".join(lines[:4])
    return shown if len(lines) <= 4 else f"{shown} and {len(lines) - 4} more"
