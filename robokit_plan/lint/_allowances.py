"""Findings that a comment on their line allows, with a reason."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from robokit_plan.model import (
    Allowed,
    Finding,
    LineComment,
    RuleName,
    Severity,
    dataclass,
    field,
    finding,
    near_names,
    sorted_findings,
)

_ALLOW = re.compile(r"allow\s+(?P<rules>[\w-]+(?:\s*,\s*[\w-]+)*)(?:\s+because\s+(?P<why>\S.*))?")


@dataclass(frozen=True, kw_only=True, slots=True)
class RuleKind:
    """
    What decides whether a comment may allow findings of a rule, and when one is idle.

    `guess`: it judges by likeness and may be wrong, so even an error of it can be allowed;
    `alone`: a file alone brings it about, without a robot.
    """

    guess: bool
    alone: bool


@dataclass(slots=True)
class _Allowance:
    """One rule that a comment names."""

    rule: str
    because: str
    comment: LineComment
    used: bool = False
    refused: list[Finding] = field(default_factory=list)


def settle(
    findings: Iterable[Finding],
    comments: Iterable[LineComment],
    rules: Mapping[RuleName, RuleKind],
    *,
    elsewhere: Iterable[LineComment] = (),
    robots: bool = True,
) -> tuple[tuple[Finding, ...], tuple[Allowed, ...]]:
    """
    Return what stays of *findings*, with what is wrong with the comments, and what is allowed.

    A comment speaks of the findings of its rule that have a place on its line; what stands before
    a file's first line is told there too. Without a reason it allows nothing. An error stays an
    error, unless its rule only guesses.

    Args:
        findings: In any order.
        comments: Of all files that were looked at.
        rules: Every rule there is.
        elsewhere: Comments of files that were not looked at: they allow, and are not judged.
        robots: Whether robots were looked at too; else a comment on what only they bring about
            is not idle.
    """
    allowances, told = _read(comments, rules)
    judged = list(allowances)
    allowances += _read(elsewhere, rules)[0]
    at: dict[tuple[str, str, int], _Allowance] = {}
    for one in allowances:
        file = one.comment.origin.file
        at.setdefault((one.rule, file, one.comment.line), one)
        if one.comment.heads:
            at.setdefault((one.rule, file, _WHOLE), one)
    stay: list[Finding] = []
    allowed: list[Allowed] = []
    for made in sorted_findings(findings):
        allowance = _find(made, at)
        if allowance is None:
            stay.append(made)
        elif made.severity is Severity.ERROR and not rules[made.rule].guess:
            allowance.refused.append(made)
            stay.append(made)
        else:
            allowance.used = True
            allowed.append(
                Allowed(finding=made, because=allowance.because, origin=allowance.comment.origin)
            )
    told += [_refused(one) for one in judged if one.refused]
    told += [
        _unused(one)
        for one in judged
        if not one.used and not one.refused and (robots or rules[RuleName(one.rule)].alone)
    ]
    return sorted_findings([*stay, *told]), tuple(allowed)


_WHOLE = 0
"""Stands for the line where a whole file is meant; findings also place that at line 1."""


def _find(made: Finding, at: Mapping[tuple[str, str, int], _Allowance]) -> _Allowance | None:
    for place in made.places:
        where = place.origin
        for line in (where.line, _WHOLE) if where.line <= 1 else (where.line,):
            found = at.get((made.rule, where.file, line))
            if found is not None:
                return found
    return None


def _read(
    comments: Iterable[LineComment], rules: Mapping[RuleName, RuleKind]
) -> tuple[list[_Allowance], list[Finding]]:
    """Return what *comments* allow, and what is wrong with the others."""
    allowances: list[_Allowance] = []
    told: list[Finding] = []
    for comment in comments:
        match = _ALLOW.fullmatch(comment.text)
        names = re.split(r"\s*,\s*", match["rules"]) if match else []
        unknown = [name for name in names if name not in rules]
        if match is None:
            told.append(_invalid(comment, "this comment says nothing that lint knows", _FORM))
        elif unknown:
            told.append(_unknown(comment, unknown[0], rules))
        elif match["why"] is None:
            told.append(
                _invalid(
                    comment,
                    f"nobody is told why {match['rules']} is allowed here",
                    f"# robokit-plan: allow {match['rules']} because REASON",
                )
            )
        else:
            allowances += [
                _Allowance(rule=name, because=match["why"], comment=comment)
                for name in dict.fromkeys(names)
            ]
    return allowances, told


_FORM = "# robokit-plan: allow RULE because REASON"


def _invalid(comment: LineComment, message: str, repair: str) -> Finding:
    return finding(
        "allow-invalid",
        Severity.WARNING,
        message,
        places=[comment.origin],
        why="a comment that is to allow a finding names its rule and gives a reason",
        repair=repair,
    )


def _unknown(comment: LineComment, name: str, rules: Mapping[RuleName, RuleKind]) -> Finding:
    near = near_names(name, rules, 1)
    mended = comment.text.replace(name, near[0], 1) if near else ""
    return finding(
        "allow-invalid",
        Severity.WARNING,
        f"no rule is called {name}",
        places=[comment.origin],
        why="a comment that is to allow a finding names its rule and gives a reason",
        repair=f"# robokit-plan: {mended}" if near else "robokit-plan rules   lists them all",
    )


def _refused(one: _Allowance) -> Finding:
    return finding(
        "allow-refused",
        Severity.WARNING,
        f"{one.rule} is an error here, and no comment allows an error",
        places=[one.comment.origin],
        why="check refuses this robot all the same",
        repair="mend the error, and take the comment out",
    )


def _unused(one: _Allowance) -> Finding:
    return finding(
        "allow-unused",
        Severity.WARNING,
        f"line {one.comment.line} has no finding {one.rule}",
        places=[one.comment.origin],
        why="the comment would hide the next one, which nobody has looked at",
        repair="take the comment out",
    )
