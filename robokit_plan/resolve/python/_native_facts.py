"""Which of the facts about a distribution speaks of a version."""

from __future__ import annotations

from packaging.version import InvalidVersion, Version

from robokit_plan.model import DistributionName, NativeFact, PythonFacts

from ._parsing import allows


def find_native_fact(
    name: DistributionName, version: Version, facts: PythonFacts
) -> NativeFact | None:
    """Return the first fact about *name* whose versions hold *version*."""
    known = facts.native.get(name, ())
    return next((fact for fact in known if allows(fact.versions, version)), None)


def build_minutes(name: DistributionName, version: str, facts: PythonFacts) -> int | None:
    """Return how long a small board builds it, about; None: nothing worth a word is known."""
    try:
        fact = find_native_fact(name, Version(version), facts)
    except InvalidVersion:
        return None
    return None if fact is None or fact.effort is None else fact.effort.minutes
