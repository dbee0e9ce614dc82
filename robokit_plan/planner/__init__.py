"""Join hardware and software into one plan; pure."""

from __future__ import annotations

from ._early import findings_without_indices
from ._hardware import hardware_problem, wires
from ._judge import judge_of
from ._planner import Known, Planner, Solved, resolve
from ._problem import Problem, entries_of, instances_of

__all__ = [
    "Known",
    "Planner",
    "Problem",
    "Solved",
    "entries_of",
    "findings_without_indices",
    "hardware_problem",
    "instances_of",
    "judge_of",
    "resolve",
    "wires",
]
