"""How long a small board builds a source archive."""

from __future__ import annotations

from packaging.version import InvalidVersion, Version

from robokit_plan.model import DistributionName, PythonFacts

from ._parsing import allows


def build_minutes(name: DistributionName, version: str, facts: PythonFacts) -> int | None:
    """Return about how many minutes it takes; None: nothing worth a word is known."""
    try:
        release = Version(version)
    except InvalidVersion:
        return None
    for fact in facts.native.get(name, ()):
        if allows(fact.versions, release):
            return None if fact.effort is None else fact.effort.minutes
    return None
