"""Which lines, buses, channels, ports: the assignment engine; pure."""

from .assign import assign
from .problem import (
    BootClaim,
    Chip,
    ClaimKeyPair,
    Free,
    HardwareAnswer,
    HardwareInstance,
    HardwareProblem,
    Judge,
    JudgedError,
)

__all__ = [
    "BootClaim",
    "Chip",
    "ClaimKeyPair",
    "Free",
    "HardwareAnswer",
    "HardwareInstance",
    "HardwareProblem",
    "Judge",
    "JudgedError",
    "assign",
]
