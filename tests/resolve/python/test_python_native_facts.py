"""How long a build is told to take: the first fact whose versions hold says it, or nobody does."""

from __future__ import annotations

import pytest

from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.model import BuildEffort, DistributionName, NativeFact, PythonFacts
from robokit_plan.resolve.python import build_minutes

CHART = DistributionName("chart")


def _fact(versions: str, minutes: int | None) -> NativeFact:
    effort = None
    if minutes is not None:
        effort = BuildEffort(minutes=minutes, memory_mb=100, disk_mb=100, source="made up")
    return NativeFact(distribution=CHART, versions=versions, effort=effort, source="made up")


FACTS = PythonFacts(native={CHART: (_fact("<2", 5), _fact(">=2,<3", None), _fact("", 60))})


@pytest.mark.parametrize(
    ("version", "minutes"),
    [("1.9", 5), ("2.0", None), ("3.0", 60), ("3.0rc1", 60), ("no version", None)],
)
def test_minutes(version: str, minutes: int | None) -> None:
    assert build_minutes(CHART, version, FACTS) == minutes


def test_nobody_knows() -> None:
    assert build_minutes(DistributionName("other"), "1", FACTS) is None
    assert build_minutes(CHART, "1", PythonFacts()) is None
    only = PythonFacts(native={CHART: (_fact("<2", 5),)})
    assert build_minutes(CHART, "2", only) is None


def test_of_our_own_facts() -> None:
    """numpy/numpy issue 28062 and opencv/opencv-python issue 923, as the table has them."""
    facts = read_python_facts()
    assert (build_minutes(DistributionName("opencv-python"), "4.12.0.88", facts) or 0) >= 60
    assert (build_minutes(DistributionName("numpy"), "2.3.0", facts) or 0) >= 10
