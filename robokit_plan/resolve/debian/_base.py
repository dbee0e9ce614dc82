"""What a fresh card carries before anything is added."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import DebianArchive, DebianName, DebianPackage, Need

from ._greedy import Greedy
from ._universe import Universe


def base_card(
    archive: DebianArchive, architecture: str
) -> Mapping[DebianName, DebianPackage] | Need:
    """
    Return the packages of the base card, name -> package.

    A status file is complete in itself. Otherwise `archive.base` holds the packages of Priority
    required and important and the essential ones (Policy 2.5, 3.8), and what they depend on is
    added in apt's order, without recommendations, as an image builder does it.
    """
    if archive.base_complete:
        return archive.base
    universe = Universe(archive=archive, architecture=architecture)
    walk = Greedy(universe)
    seeds = [universe.candidate(name) for name in sorted(archive.base)]
    walk.take(seed for seed in seeds if seed is not None)
    if universe.missing:
        return Need(debian=tuple(sorted(universe.missing)))
    return {name: walk.selection.packages[name] for name in sorted(walk.selection.packages)}
