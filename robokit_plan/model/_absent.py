"""What the indices lacked when they were last read."""

from __future__ import annotations

from collections.abc import Mapping

from ._ids import DebianName, DistributionName
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class AbsentNames:
    """
    Names that no index had when it was read last; names that nobody asked for are not told.

    Shape:
        `debian` name -> names of the archive that are near; `systems` the releases that lack
        them, in words.
    """

    python: frozenset[DistributionName] = frozenset()
    debian: Mapping[DebianName, tuple[DebianName, ...]] = field(default_factory=dict)
    systems: tuple[str, ...] = ()
