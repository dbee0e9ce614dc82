"""
An edit of a text taken back, while every other byte of it stays.

    Exception
    └── InTheWay
"""

from __future__ import annotations

from collections.abc import Iterator
from difflib import SequenceMatcher

from robokit_plan.model import dataclass


class InTheWay(Exception):  # noqa: N818  the name says what happened
    """Somebody changed what the edit wrote; `lines` are theirs, counted from 1, or next to it."""

    def __init__(self, lines: tuple[int, ...]) -> None:
        self.lines = lines
        super().__init__(lines)


@dataclass(frozen=True, kw_only=True, slots=True)
class LineChange:
    """What changes from line *line* of the present text on: lines that go, lines that come."""

    line: int
    gone: tuple[str, ...]
    come: tuple[str, ...]


def taken_back(now: str, *, before: str, after: str) -> tuple[str, tuple[LineChange, ...]]:
    """
    Return *now* without the edit that made *after* of *before*, and what that changes.

    Lines that the edit wrote are put back as they were; all others stay as they are now.

    Raises:
        InTheWay: A line that the edit wrote, or the place where it took one out, was changed since.
    """
    old, written, here = (text.splitlines(keepends=True) for text in (before, after, now))
    place = _places(written, here)
    trouble: list[int] = []
    changes: list[LineChange] = []
    result: list[str] = []
    done = 0
    for start, end, first, last in _differences(written, old):
        at = _spot(place, start, end)
        if at is None:
            trouble += _near(place, start, end, size=len(here))
            continue
        gone, come = tuple(here[at : at + end - start]), tuple(old[first:last])
        changes.append(LineChange(line=at + 1, gone=gone, come=come))
        result += [*here[done:at], *come]
        done = at + end - start
    if trouble:
        raise InTheWay(tuple(sorted(set(trouble))))
    return "".join([*result, *here[done:]]), tuple(changes)


def _differences(left: list[str], right: list[str]) -> Iterator[tuple[int, int, int, int]]:
    matcher = SequenceMatcher(a=left, b=right, autojunk=False)
    for kind, start, end, first, last in matcher.get_opcodes():
        if kind != "equal":
            yield start, end, first, last


def _places(written: list[str], here: list[str]) -> dict[int, int]:
    """Return line of *written* -> the same line of *here*; the ends of both are alike too."""
    place = {-1: -1, len(written): len(here)}
    matcher = SequenceMatcher(a=written, b=here, autojunk=False)
    for block in matcher.get_matching_blocks():
        for step in range(block.size):
            place[block.a + step] = block.b + step
    return place


def _spot(place: dict[int, int], start: int, end: int) -> int | None:
    """Return where the lines from *start* to *end* are now; None where they were changed."""
    if start == end:
        # Nothing was left there: both neighbours still meet.
        above, below = place.get(start - 1), place.get(start)
        return below if above is not None and below is not None and below == above + 1 else None
    found = [place.get(one) for one in range(start, end)]
    first = found[0]
    if first is None or found != list(range(first, first + end - start)):
        return None
    return first


def _near(place: dict[int, int], start: int, end: int, *, size: int) -> Iterator[int]:
    """Yield the lines of the present text that stand where the edit was, counted from 1."""
    above = max((at for line, at in place.items() if line < start), default=-1)
    below = min((at for line, at in place.items() if line >= end), default=size)
    between = range(above + 1, min(below, size))
    yield from (one + 1 for one in between) if between else iter([max(1, min(above + 1, size))])
