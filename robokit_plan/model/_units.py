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
