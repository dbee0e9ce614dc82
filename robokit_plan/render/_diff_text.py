"""An install diff as a table by domain: text, Markdown, JSON."""

from __future__ import annotations

import textwrap
from itertools import groupby

from robokit_plan.model import replace

from ._diff import Attention, DiffRow, Domain, Kind, PlanDiff, because_text
from ._findings import Json, render_json
from ._moved import MovedFindings, moved_object
from ._plain import markdown, plain
from ._table import fitted, row_lines

NOTHING = "none"
"""Stands in a table where one side has nothing."""

COLUMNS = ("item", "now", "after", "because of")
FOLD_AT = 6
"""So many packages that only others need, with one cause, stand in one row."""


def render_diff_text(diff: PlanDiff, *, width: int = 100) -> str:
    """Return what needs a reboot, a rewire or a person, then the table by domain."""
    if not diff.rows and not diff.attention:
        return "nothing changes\n"
    cause = _only_cause(diff)
    columns = COLUMNS if cause is None else COLUMNS[:-1]
    blocks = [] if cause is None else [f"all of this because of {plain(cause)}"]
    if diff.attention:
        blocks.append("\n".join(_attention_lines(diff, width, told=cause is not None)))
    shown = [(row.domain, _cells(row)[: len(columns)]) for row in folded(diff.rows)]
    if shown:
        indent = "  "
        widths = fitted([columns, *(cells for _, cells in shown)], width - len(indent))
        lines = row_lines(columns, widths, indent=indent)
        for domain, rows in groupby(shown, key=lambda one: one[0]):
            lines += ["", domain.value]
            for _, cells in rows:
                lines += row_lines(cells, widths, indent=indent)
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def _only_cause(diff: PlanDiff) -> str | None:
    """Return the cause that everything has, where so much has it that once is enough."""
    causes = [row.because_of for row in diff.rows] + [one.because_of for one in diff.attention]
    alike = len(causes) >= FOLD_AT and len(set(causes)) == 1
    return because_text(causes[0]) or None if alike else None


def _attention_lines(diff: PlanDiff, width: int, *, told: bool) -> list[str]:
    """Return what needs a person, a cause behind each where none was *told* of all."""
    lines = []
    for one in diff.attention:
        text = plain(one.text)
        if one.because_of and not told:
            text += f" (because of {plain(because_text(one.because_of))})"
        head = one.kind.value.ljust(8)
        lines += textwrap.wrap(
            text,
            max(width, 30),
            initial_indent=head,
            subsequent_indent=" " * len(head),
            break_on_hyphens=False,
        )
    return lines


def _raw_cells(row: DiffRow) -> tuple[str, ...]:
    sides = (NOTHING if side is None else side for side in (row.now, row.after))
    return (row.item, *sides, because_text(row.because_of))


def _cells(row: DiffRow) -> tuple[str, ...]:
    return tuple(plain(cell) for cell in _raw_cells(row))


def folded(rows: tuple[DiffRow, ...]) -> list[DiffRow]:
    """Return *rows* with crowds of packages that only others need drawn into one row each."""
    crowds: dict[tuple[object, ...], list[DiffRow]] = {}
    for row in rows:
        crowds.setdefault(_crowd(row), []).append(row)
    single, drawn = [], []
    for key, members in crowds.items():
        if key[1] != "crowd" or len(members) < FOLD_AT:
            single += members
            continue
        gone = members[0].after is None
        drawn.append(
            replace(
                members[0],
                item=f"{len(members)} packages that these need",
                now="installed" if gone else None,
                after=None if gone else "installed",
            )
        )
    order = list(Domain)
    # sorting is stable: the rows of a domain keep their order, crowds stand last
    return sorted([*single, *drawn], key=lambda row: order.index(row.domain))


def _crowd(row: DiffRow) -> tuple[object, ...]:
    """Return what rows must share to stand in one row; single rows share nothing."""
    comes_or_goes = row.now is None or row.after is None
    if row.domain in {Domain.PYTHON, Domain.DEBIAN} and not row.direct and comes_or_goes:
        return (row.domain, "crowd", row.after is None, row.because_of)
    return (row.domain, "row", row.item)


def render_diff_markdown(diff: PlanDiff) -> str:
    """Return the diff for a pull request; every text of a manifest is shown literally."""
    if not diff.rows and not diff.attention:
        return "Nothing changes.\n"
    lines = [attention_markdown(one) for one in diff.attention]
    for domain, rows in groupby(folded(diff.rows), key=lambda row: row.domain):
        if lines:
            lines.append("")
        lines += [f"**{domain.value}**", "", f"| {' | '.join(COLUMNS)} |", "|---|---|---|---|"]
        lines += [row_markdown(row) for row in rows]
    return "\n".join(lines) + "\n"


def attention_markdown(one: Attention) -> str:
    """Return what needs a reboot, a wire or a person as an item of a list."""
    line = f"- **{one.kind.value}** {markdown(one.text)}"
    if one.because_of:
        line += f" (because of {markdown(because_text(one.because_of))})"
    return line


def row_markdown(row: DiffRow) -> str:
    """Return *row* as a row of a table with `COLUMNS`."""
    return f"| {' | '.join(markdown(cell) for cell in _raw_cells(row))} |"


def render_diff_json(diff: PlanDiff, moved: MovedFindings, *, ok: bool) -> str:
    """Return the whole diff, nothing folded; *ok*: whether the new side can be built."""
    return render_json({"ok": ok, **diff_object(diff), "findings": moved_object(moved)})


def diff_object(diff: PlanDiff) -> Json:
    """Return the diff as JSON values: null where a side has nothing."""
    return {
        "robot": diff.robot,
        "changes": [
            {
                "domain": row.domain.value,
                "item": row.item,
                "now": row.now,
                "after": row.after,
                "because_of": list(row.because_of),
                "direct": row.direct,
            }
            for row in diff.rows
        ],
        "attention": [_attention_row(one) for one in diff.attention],
        "reboot": any(one.kind is Kind.REBOOT for one in diff.attention),
        "rewire": any(one.kind is Kind.REWIRE for one in diff.attention),
    }


def _attention_row(one: Attention) -> Json:
    return {"kind": one.kind.value, "text": one.text, "because_of": list(one.because_of)}
