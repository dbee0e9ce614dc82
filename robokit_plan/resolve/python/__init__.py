"""Which Python distributions go onto the robot; pure."""

from typing import TYPE_CHECKING, Any

from ._native_facts import build_minutes
from ._problem import (
    NativeNeed,
    PythonAnswer,
    PythonIndex,
    PythonProblem,
    PythonRequirement,
)
from .target import UnknownTargetError, target_for

if TYPE_CHECKING:
    from ._resolve import resolve_python

__all__ = [
    "NativeNeed",
    "PythonAnswer",
    "PythonIndex",
    "PythonProblem",
    "PythonRequirement",
    "UnknownTargetError",
    "build_minutes",
    "resolve_python",
    "target_for",
]


def __getattr__(name: str) -> Any:
    # The solver and what it imports are for questions whose answer is not known yet.
    if name != "resolve_python":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from ._resolve import resolve_python

    return resolve_python
