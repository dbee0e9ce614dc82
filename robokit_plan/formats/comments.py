"""Comments in files that speak to lint: ``# robokit-plan: ...``, on a line or above it."""

from __future__ import annotations

import io
import re
import tokenize
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence

import yaml

from robokit_plan.model import LineComment, Origin

MARK = "robokit-plan:"
_COMMENT = re.compile(rf"(?:^|(?<=\s))#\s*{re.escape(MARK)}(.*)$")
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def yaml_comments(text: str, file: str) -> tuple[LineComment, ...]:
    """
    Return the comments of *text* that speak to lint; () where it does not parse.

    One at the end of a line speaks of that line, one on a line of its own of the next line that
    holds something.
    """
    if MARK not in text:
        return ()
    try:
        scalars = [
            (event.start_mark.index, event.end_mark.index)
            for event in yaml.parse(text, Loader=_LOADER)
            if isinstance(event, yaml.ScalarEvent) and event.start_mark and event.end_mark
        ]
    except (yaml.YAMLError, UnicodeError, ValueError):
        return ()
    found = []
    start = 0
    lines = text.split("\n")
    for row, line in enumerate(lines):
        match = _COMMENT.search(line.rstrip("\r"))
        if match is not None and not _inside(start + match.start(), scalars):
            found.append((row, match.start(), match[1]))
        start += len(line) + 1
    return _placed(found, lines, file)


def python_comments(text: str, file: str) -> tuple[LineComment, ...]:
    """Return the comments of Python code that speak to lint, as `yaml_comments` does."""
    if MARK not in text:
        return ()
    found = []
    try:
        for token in tokenize.generate_tokens(io.StringIO(text).readline):
            match = _COMMENT.search(token.string) if token.type == tokenize.COMMENT else None
            if match is not None:
                found.append((token.start[0] - 1, token.start[1] + match.start(), match[1]))
    except (tokenize.TokenError, SyntaxError):
        return ()
    return _placed(found, text.split("\n"), file)


def _inside(at: int, scalars: Sequence[tuple[int, int]]) -> bool:
    """Whether offset *at* lies in one of *scalars*, which are in the text's order."""
    before = bisect_right(scalars, at, key=lambda one: one[0]) - 1
    return before >= 0 and at < scalars[before][1]


def _placed(
    found: Iterable[tuple[int, int, str]], lines: Sequence[str], file: str
) -> tuple[LineComment, ...]:
    first = next((at for at, _ in _filled(lines, 0)), -1)
    placed = []
    for row, column, text in found:
        spoken_of = row
        if not lines[row][:column].strip():
            spoken_of = next((at for at, _ in _filled(lines, row)), row)
        placed.append(
            LineComment(
                text=text.strip(),
                origin=Origin(file=file, line=row + 1, column=column + 1),
                line=spoken_of + 1,
                heads=spoken_of == first,
            )
        )
    return tuple(placed)


def _filled(lines: Sequence[str], start: int) -> Iterator[tuple[int, str]]:
    """Yield the lines from *start* on that hold more than a comment."""
    for at in range(start, len(lines)):
        bare = lines[at].strip()
        if bare and not bare.startswith("#"):
            yield at, bare
