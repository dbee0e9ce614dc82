"""Findings that are new on the second side of a diff, and those that are gone."""

from __future__ import annotations

from collections.abc import Iterable

from robokit_plan.model import Finding, dataclass, sorted_findings

from ._findings import Json, finding_markdown, finding_rows, render_findings_text
from ._plain import markdown, plain


@dataclass(frozen=True, kw_only=True, slots=True)
class MovedFindings:
    """Both by severity and place; `prefix` stands before files of the new side."""

    new: tuple[Finding, ...]
    gone: tuple[Finding, ...]
    prefix: str = ""


def findings_moved(
    before: Iterable[Finding], after: Iterable[Finding]
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """
    Return which findings are new and which are gone.

    A finding that only stands in another line now is the same one.
    """
    old = {_likeness(one): one for one in before}
    new = {_likeness(one): one for one in after}
    return (
        sorted_findings(one for key, one in new.items() if key not in old),
        sorted_findings(one for key, one in old.items() if key not in new),
    )


def _likeness(one: Finding) -> tuple[object, ...]:
    return one.rule, one.severity, one.message, one.plugins, one.resource


def render_moved_text(moved: MovedFindings) -> str:
    """Return new findings as blocks, and one line for each that is gone; "" for none."""
    blocks = [render_findings_text(moved.new, prefix=moved.prefix)] if moved.new else []
    if moved.gone:
        rows = [
            f"gone  {one.severity.value} {plain(one.rule)}: {plain(one.message)}\n"
            for one in moved.gone
        ]
        blocks.append("".join(rows))
    return "\n".join(blocks)


def new_markdown(new: Iterable[Finding], prefix: str) -> tuple[str, list[str]]:
    """Return the head of the table of new findings, and its rows."""
    head = "**new findings**\n\n| finding | where | why | fix |\n|---|---|---|---|\n"
    return head, [finding_markdown(one, prefix) for one in new]


def gone_markdown(gone: Iterable[Finding]) -> tuple[str, list[str]]:
    """Return the head of the list of findings that are gone, and its items."""
    return "**findings gone**\n\n", [
        f"- **{one.severity.value}** {markdown(one.rule)}: {markdown(one.message)}" for one in gone
    ]


def render_moved_markdown(moved: MovedFindings) -> str:
    """Return both as for a review; "" for none."""
    parts = []
    for one, (head, rows) in (
        (moved.new, new_markdown(moved.new, moved.prefix)),
        (moved.gone, gone_markdown(moved.gone)),
    ):
        if one:
            parts.append(head + "".join(f"{row}\n" for row in rows))
    return "\n".join(parts)


def moved_object(moved: MovedFindings) -> Json:
    """Return both as JSON values."""
    return {
        "new": finding_rows(moved.new, prefix=moved.prefix),
        "gone": finding_rows(moved.gone, prefix=moved.prefix),
    }
