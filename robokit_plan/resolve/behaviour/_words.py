"""Names and commands as a person writes them."""

from __future__ import annotations

from collections.abc import Sequence


def disabling(names: Sequence[str]) -> str:
    """Return the one command that disables all of *names*."""
    return f"robokit-plan disable {' '.join(names)}"
