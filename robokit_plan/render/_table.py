"""Tables of a fixed width: cells wrap, nothing is cut off."""

from __future__ import annotations

import re
from collections.abc import Sequence

GAP = 2
NARROWEST = 8
"""A column is never made narrower than this to fit."""


def fitted(rows: Sequence[Sequence[str]], width: int) -> list[int]:
    """Return column widths of *rows* so that a line has at most *width* characters, if it can."""
    columns = [[row[at] for row in rows] for at in range(len(rows[0]))]
    widths = [max(len(cell) for cell in column) for column in columns]
    # Cells wrap between words first, then inside names, and only then anywhere.
    for parts in (str.split, _parts, lambda _: ()):
        least = [
            max(NARROWEST, *(len(part) for cell in column for part in parts(cell)), 0)
            for column in columns
        ]
        while sum(widths) + GAP * (len(widths) - 1) > width:
            able = [at for at in range(len(widths)) if widths[at] > least[at]]
            if not able:
                break
            widths[max(able, key=lambda at: widths[at])] -= 1
    return widths


def _parts(cell: str) -> list[str]:
    """Return what a name is made of: it may break after a dot, a dash, a slash."""
    return [part for part in re.split(r"\s+|(?<=[./_-])(?=[^\s])", cell) if part]


def _wrapped(cell: str, width: int) -> list[str]:
    """Return *cell* in lines of at most *width*, broken between words or inside a long name."""
    lines = [""]
    for word in cell.split():
        parts = [word] if len(word) <= width else _parts(word)
        for at, part in enumerate(parts):
            gap = " " if at == 0 and lines[-1] else ""
            if len(lines[-1]) + len(gap) + len(part) <= width:
                lines[-1] += gap + part
                continue
            chunks = [part[start : start + width] for start in range(0, len(part), width)]
            lines.extend(chunks)
    return lines[1:] if len(lines) > 1 and not lines[0] else lines


def row_lines(row: Sequence[str], widths: Sequence[int], *, indent: str = "") -> list[str]:
    """Return the lines of one row, its cells wrapped into *widths*."""
    cells = [
        [cell] if len(cell) <= width else _wrapped(cell, width)
        for cell, width in zip(row, widths, strict=True)
    ]
    return [
        (
            indent
            + (" " * GAP).join(
                (cell[at] if at < len(cell) else "").ljust(width)
                for cell, width in zip(cells, widths, strict=True)
            )
        ).rstrip()
        for at in range(max(len(cell) for cell in cells))
    ]


def table_text(rows: Sequence[Sequence[str]], width: int | None) -> str:
    """Return *rows* in columns, wrapped to *width*; None: one line a row, however long."""
    if width is None:
        widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    else:
        widths = fitted(rows, width)
    return "\n".join(line for row in rows for line in row_lines(row, widths)) + "\n"
