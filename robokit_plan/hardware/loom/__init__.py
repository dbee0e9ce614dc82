"""What is soldered: every wire of a robot with both its ends; pure."""

from __future__ import annotations

from ._wires import wires_of

__all__ = ["wires_of"]
