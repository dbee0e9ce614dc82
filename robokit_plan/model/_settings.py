"""An instance's settings in place of the numbers that bear their names."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from ._claim import (
    Claim,
    Function,
    I2cClaim,
    PortClaim,
    PowerClaim,
    SignalClaim,
    SpiClaim,
    UartClaim,
    UsbClaim,
)
from ._manifest import Needs, SettingValue
from ._value import replace

_FIELDS: Mapping[type, Mapping[str, str]] = {
    SignalClaim: {
        "leds": "leds",
        "brightness": "brightness",
        "ma-per-led": "ma_per_led",
        "hz": "frequency",
        "current-ma": "current",
    },
    I2cClaim: {"max-khz": "max_khz", "pull-up-ohm": "pull_up_ohm"},
    SpiClaim: {"max-khz": "max_khz"},
    UartClaim: {"baud": "baud"},
    UsbClaim: {"ma": "current"},
    PortClaim: {"current-ma": "current"},
    PowerClaim: {
        "typical-ma": "typical",
        "peak-ma": "peak",
        "stall-ma": "stall",
        "count": "count",
    },
}
"""Claim class -> key in the manifest -> field; whole numbers of the same unit."""

# Fields with a default: whether the manifest wrote the key shows in the rest of the claim.
_APPLIES: Mapping[str, Callable[[Any], bool]] = {
    "brightness": lambda claim: claim.function is Function.LED_STRING,
    "count": lambda claim: claim.count != 1,
}


def with_settings(needs: Needs, settings: Mapping[str, SettingValue]) -> Needs:
    """
    Return *needs* with the numbers that an instance sets.

    A numeric key of a hardware claim that bears the name of a setting (``leds``, ``hz``,
    ``baud``, ...) takes the value that the robot file sets for the instance. Keys that the
    claim does not have stay absent, values that are no numbers change nothing.

    Args:
        needs: Of the manifest or of one of its variants.
        settings: `EnabledPlugin.settings`, what the robot file sets.
    """
    numbers = {
        name: round(value)
        for name, value in settings.items()
        if isinstance(value, (int, float)) and not isinstance(value, bool)
    }
    if not numbers:
        return needs
    hardware = tuple(_with_numbers(claim, numbers) for claim in needs.hardware)
    return needs if hardware == needs.hardware else replace(needs, hardware=hardware)


def _with_numbers(claim: Claim, numbers: Mapping[str, int]) -> Claim:
    changes: dict[str, Any] = {}
    for key, field in _FIELDS.get(type(claim), {}).items():
        if key not in numbers or getattr(claim, field) is None:
            continue
        if field in _APPLIES and not _APPLIES[field](claim):
            continue
        changes[field] = numbers[key]
    return replace(claim, **changes) if changes else claim
