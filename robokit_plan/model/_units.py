"""Whole-number quantities; the unit ends the name."""

from __future__ import annotations

from typing import NewType

Milliamp = NewType("Milliamp", int)
Millivolt = NewType("Millivolt", int)
Microvolt = NewType("Microvolt", int)
Ohm = NewType("Ohm", int)
Hertz = NewType("Hertz", int)
Byte = NewType("Byte", int)
MilliampHour = NewType("MilliampHour", int)


def span_text(minutes: int) -> str:
    """
    Return a time in words: minutes, from two hours on hours.

    >>> span_text(1), span_text(60), span_text(150)
    ('1 minute', '60 minutes', '2 hours')
    """
    if minutes >= 120:
        return f"{minutes // 60} hours"
    return f"{minutes} minute" if minutes == 1 else f"{minutes} minutes"


def size_text(size: int) -> str:
    """
    Return *size* bytes in B, kB, MB or GB (powers of 1000), one decimal below 10.

    >>> size_text(950), size_text(1_500), size_text(33_900_000), size_text(3_200_000_000)
    ('950 B', '1.5 kB', '34 MB', '3.2 GB')
    """
    value = float(size)
    for unit in ("B", "kB", "MB"):
        if value < 999.5:
            return f"{value:.0f} {unit}" if unit == "B" or value >= 9.95 else f"{value:.1f} {unit}"
        value /= 1000
    return f"{value:.0f} GB" if value >= 9.95 else f"{value:.1f} GB"


def current_text(current: int) -> str:
    """
    Return *current* mA as ``mA`` below one ampere, else ``A`` with at most two decimals.

    >>> current_text(480), current_text(6000), current_text(1250)
    ('480 mA', '6 A', '1.25 A')
    """
    if abs(current) < 1000:
        return f"{current} mA"
    return f"{current / 1000:.2f}".rstrip("0").rstrip(".") + " A"


def volt_text(level: int) -> str:
    """
    Return *level* mV in volts, without trailing zeros.

    >>> volt_text(3300), volt_text(5000)
    ('3.3 V', '5 V')
    """
    return f"{level / 1000:.3f}".rstrip("0").rstrip(".") + " V"
