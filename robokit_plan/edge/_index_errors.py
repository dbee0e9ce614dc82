"""
What can go wrong outside while an index is read.

    IndexTrouble
    ├── IndexUnreachable    no answer, or none that can be used (exit status 3)
    └── HashMismatch        an answer that is not what the index promised (exit status 3)
"""

from __future__ import annotations


class IndexTrouble(Exception):  # noqa: N818  its children say what happened
    """
    Reading an index failed; the plan cannot go on.

    Holds no address and no credentials, so it may be shown and logged anywhere.

    Args:
        message: What failed, lower case, no full stop.
        index: Name of the index as in the robot file, or ``default``, ``extra-1``, ...
        why: The reason in words.
        repair: Things to type, best first.
    """

    def __init__(self, message: str, *, index: str, why: str, repair: tuple[str, ...]) -> None:
        super().__init__(message, index, why, repair)
        self.message = message
        self.index = index
        self.why = why
        self.repair = repair

    def __str__(self) -> str:
        return f"{self.message}: {self.why}" if self.why else self.message


class IndexUnreachable(IndexTrouble):
    """An index gave no usable answer after all tries."""


class HashMismatch(IndexTrouble):
    """A file is not the one whose hash the index lists: damaged on the way, or replaced."""
