"""The result of a check."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from enum import Enum

from ._ids import InstanceName, ResourceName, RuleName
from ._origin import Origin
from ._value import dataclass

MAX_ALIKE = 20
"""Findings of one rule in one file; the rest is told as a number."""


class Severity(Enum):
    """How bad a finding is; the value is the word that is printed."""

    ERROR = "error"
    """The robot cannot be built as declared."""
    WARNING = "warning"
    """It can be built; somebody should look before power is applied."""
    NOTE = "note"
    """Worth knowing; folded into a count unless asked for."""

    @property
    def rank(self) -> int:
        """0 for the gravest, rising."""
        return {"error": 0, "warning": 1, "note": 2}[self.value]


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """One claimant's position and, in words, its part in the finding."""

    origin: Origin
    label: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """
    One finding about the user's files, ready to render.

    Shape:
        `places` sorted, never empty; `plugins` sorted instance names of all that take part;
        `repair` holds things to type, best first; empty renders as "not known".
    """

    rule: RuleName
    severity: Severity
    message: str
    places: tuple[Place, ...]
    why: tuple[str, ...] = ()
    repair: tuple[str, ...] = ()
    plugins: tuple[InstanceName, ...] = ()
    resource: ResourceName | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class LineComment:
    """
    A comment that speaks to lint: `text` what it says, `line` the line that it speaks of.

    `heads`: that line is the first of its file that holds something, so it speaks of the whole
    file too.
    """

    text: str
    origin: Origin
    line: int
    heads: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Allowed:
    """A finding that a comment at `origin` allows, for the reason that the comment gives."""

    finding: Finding
    because: str
    origin: Origin


def finding(
    rule: str,
    severity: Severity,
    message: str,
    *,
    places: Iterable[Place | Origin],
    why: Iterable[str] | str = (),
    repair: Iterable[str] | str = (),
    plugins: Iterable[str] = (),
    resource: str | None = None,
) -> Finding:
    """
    Return a finding with its places and plugins sorted and repeated places dropped.

    The order in which claimants were met must never show in a report.
    """
    as_places = (place if isinstance(place, Place) else Place(origin=place) for place in places)
    unique = {(place.origin, place.label): place for place in as_places}
    ordered = tuple(unique[key] for key in sorted(unique))
    if not ordered:
        message_for_us = f"finding {rule!r} has no place"
        raise ValueError(message_for_us)
    return Finding(
        rule=RuleName(rule),
        severity=severity,
        message=message,
        places=ordered,
        why=(why,) if isinstance(why, str) else tuple(why),
        repair=(repair,) if isinstance(repair, str) else tuple(repair),
        plugins=tuple(InstanceName(name) for name in sorted(set(plugins))),
        resource=None if resource is None else ResourceName(resource),
    )


def sorted_findings(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return *findings* without repeats: errors first, then rule, place and message."""
    unique = dict.fromkeys(findings)
    return tuple(
        sorted(
            unique,
            key=lambda one: (
                one.severity.rank,
                one.rule,
                one.places[0].origin,
                one.message,
                one.resource or "",
            ),
        )
    )


def folded(findings: Iterable[Finding]) -> list[Finding]:
    """Return *findings* with more than `MAX_ALIKE` of one rule told as a number."""
    by_rule: dict[str, list[Finding]] = defaultdict(list)
    for one in dict.fromkeys(findings):
        by_rule[one.rule].append(one)
    kept: list[Finding] = []
    for rule, alike in by_rule.items():
        alike.sort(key=lambda one: (one.severity.rank, one.places[0].origin, one.message))
        kept.extend(alike[:MAX_ALIKE])
        rest = alike[MAX_ALIKE:]
        if rest:
            kept.append(
                finding(
                    rule,
                    rest[0].severity,
                    f"{len(rest):,} or more others of the same kind in this file",
                    places=[rest[0].places[0]],
                    repair="mend the ones above first, then check again",
                )
            )
    return kept
