"""The assignment engine: claims, their candidates, the search, conflicts, repairs; pure."""

from ._answer import assign

__all__ = ["assign"]
