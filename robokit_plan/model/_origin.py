"""Where a value was written."""

from __future__ import annotations

from functools import total_ordering

from ._value import dataclass


@total_ordering
@dataclass(frozen=True, kw_only=True, slots=True)
class Origin:
    """
    A position in one of the user's files.

    `file` is a POSIX path relative to the folder that was planned or linted, so the same
    inputs give the same bytes on every machine. `line` and `column` count from 1; both are 0
    where a whole file is meant.
    """

    file: str
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        return self.file if not self.line else f"{self.file}:{self.line}:{self.column}"

    def __lt__(self, other: Origin) -> bool:
        return (self.file, self.line, self.column) < (other.file, other.line, other.column)


@dataclass(frozen=True, kw_only=True, slots=True)
class Text:
    """A string as the user wrote it, with its place."""

    text: str
    origin: Origin

    def __str__(self) -> str:
        return self.text
