"""Findings of the page: the same blocks as in a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from robokit_plan.model import Finding, Severity, counted, sorted_findings

from ._report_html import Html, el

MARKS = {Severity.ERROR: "✕", Severity.WARNING: "▲", Severity.NOTE: "i"}
"""Severity -> what stands beside its word, so that shape and word say what the colour says."""


def findings(found: Sequence[Finding]) -> Html:
    """Return errors and warnings as blocks, notes folded."""
    ordered = sorted_findings(found)
    grave = [one for one in ordered if one.severity is not Severity.NOTE]
    notes = [one for one in ordered if one.severity is Severity.NOTE]
    return el(
        "div",
        [block(one) for one in grave] or el("p", "No error and no warning."),
        el(
            "details",
            el("summary", counted(len(notes), "note")),
            [block(one) for one in notes],
        )
        if notes
        else None,
    )


def block(one: Finding) -> Html:
    """Return one finding: what, where, why, fix."""
    severity = one.severity.value
    fixes: list[Html] = [el("dd", el("code", words)) for words in one.repair]
    if not one.repair and one.severity is not Severity.NOTE:
        fixes = [el("dd", "not known")]
    return el(
        "article",
        el(
            "h3",
            el("span", el("span", MARKS[one.severity], aria_hidden="true"), f" {severity}",
               class_=f"badge {severity}"),
            el("span", f" {one.rule}", class_="rule"),
        ),
        el("p", one.message),
        el(
            "dl",
            el("dt", "at"),
            [
                el(
                    "dd",
                    el("span", str(place.origin), class_="name"),
                    f" {place.label}" if place.label else None,
                )
                for place in one.places
            ],
            (el("dt", "why"), [el("dd", words) for words in one.why]) if one.why else None,
            (el("dt", "fix"), fixes) if fixes else None,
        ),
        class_=f"finding {severity}",
        data_rule=one.rule,
    )  # fmt: skip
