"""Which lines, buses, channels, ports: the assignment engine; pure."""

from ._answer import assign
from ._problem import (
    BootClaim,
    Chip,
    ClaimKeyPair,
    Free,
    HardwareAnswer,
    HardwareInstance,
    HardwareProblem,
)

__all__ = [
    "BootClaim",
    "Chip",
    "ClaimKeyPair",
    "Free",
    "HardwareAnswer",
    "HardwareInstance",
    "HardwareProblem",
    "assign",
]
