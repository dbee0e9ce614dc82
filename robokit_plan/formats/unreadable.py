"""
The one exception of reading: a file that cannot be decoded or parsed (exit status 2).

    Exception
    └── UnreadableFile
"""

from __future__ import annotations

from collections.abc import Iterable

from robokit_plan.model import Finding, Origin, Severity, finding


class UnreadableFile(Exception):  # noqa: N818  the name says what happened
    """
    One or more of the user's files cannot be read at all.

    `findings` holds one finding of rule ``file-unreadable`` for each such file, and, where
    reading went on, what was found in the others; never empty.
    """

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings: tuple[Finding, ...] = tuple(findings)
        super().__init__(self.findings)

    @classmethod
    def at(cls, place: Origin, why: str, repair: str | Iterable[str] = ()) -> UnreadableFile:
        """Return the exception for one file; *why* says in words what stands in the way."""
        return cls(
            (
                finding(
                    "file-unreadable",
                    Severity.ERROR,
                    f"{place.file} cannot be read: {why}",
                    places=[place],
                    repair=repair,
                ),
            )
        )

    @property
    def place(self) -> Origin:
        """Where reading stopped."""
        return self.findings[0].places[0].origin

    @property
    def repair(self) -> tuple[str, ...]:
        """What to type."""
        return self.findings[0].repair

    def __str__(self) -> str:
        return "; ".join(one.message for one in self.findings if one.rule == "file-unreadable")
