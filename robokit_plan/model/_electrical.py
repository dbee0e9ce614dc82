"""Limits and thresholds of the electrical checks."""

from __future__ import annotations

from collections.abc import Mapping

from ._claim import Hazard
from ._finding import Severity
from ._units import Milliamp, Millivolt
from ._value import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class LoadLevel:
    """
    What an input on the other side reads.

    Percentages are of its own supply; where they are None the fixed levels hold.
    """

    high_percent: int | None = None
    low_percent: int | None = None
    high: Millivolt | None = None
    low: Millivolt | None = None
    source: str = ""

    def high_min(self, supply: Millivolt) -> Millivolt | None:
        """Return the lowest level that surely reads as high at *supply*."""
        if self.high_percent is None:
            return self.high
        return Millivolt(supply * self.high_percent // 100)

    def low_max(self, supply: Millivolt) -> Millivolt | None:
        """Return the highest level that surely reads as low at *supply*."""
        if self.low_percent is None:
            return self.low
        return Millivolt(supply * self.low_percent // 100)


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    """One cell of a battery chemistry; typical levels, the data sheet decides."""

    full: Millivolt
    nominal: Millivolt
    empty: Millivolt
    lithium: bool = False
    rechargeable: bool = True
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class LaserClass:
    """A class of visible continuous lasers; `limit_uw` None: not decided by power alone."""

    name: str
    meaning: str
    limit_uw: int | None = None
    severity: Severity = Severity.WARNING
    """How a robot with such a laser is judged."""
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class RadioBand:
    """
    What a transmitter may usually do in one band of one region; local law decides.

    Band edges in kHz; power in microwatts.
    """

    region: str
    band_khz: tuple[int, int]
    power_uw: int
    limit: str
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class HazardFact:
    """What is said and asked for where a hazard is enabled."""

    caution: str
    checks: tuple[str, ...]
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Electrical:
    """
    Everything that the electrical checks compare with.

    Shape:
        `led_package` part -> mA at full white; `servo_stall` class of servo -> mA; `loads` kind
        of input -> levels; `cells` chemistry -> cell.
    """

    supply_nominal: Millivolt
    undervoltage: Millivolt
    camera: Milliamp
    display: Milliamp
    reserve_percent: int
    back_power: tuple[Millivolt, Millivolt]
    back_power_supply: Milliamp
    led_full: Milliamp
    led_typical: Milliamp
    led_idle: Milliamp
    led_header_warn: Milliamp
    led_package: Mapping[str, Milliamp]
    servo_stall: Mapping[str, Milliamp]
    loads: Mapping[str, LoadLevel]
    needs_driver: tuple[str, ...]
    """Kinds of `drives` that no pin may feed directly."""
    boot_threshold: Millivolt
    """A line below this at reset counts as low."""
    efficiency_percent: int
    cells: Mapping[str, Cell]
    copper_nano_ohm_metre: int
    """Resistivity: 17240 stands for 0.01724 ohm mm2/m."""
    drop_warn_percent: int
    wire_bears: tuple[tuple[int, Milliamp], ...]
    """Cross-section in hundredths of a mm2 -> what copper of it bears for long, least first."""
    lasers: tuple[LaserClass, ...]
    radio_bands: tuple[RadioBand, ...]
    mains_ac: Millivolt
    mains_dc: Millivolt
    hazards: Mapping[Hazard, HazardFact]


@dataclass(frozen=True, kw_only=True, slots=True)
class I2cRange:
    """Addresses that no part may have, both ends included."""

    first: int
    last: int
    meaning: str
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class I2cMode:
    """A speed mode; rise time in ns, capacitance in pF."""

    name: str
    khz: int
    rise_ns: int | None = None
    capacitance_pf: int | None = None
    sink: Milliamp | None = None
    low_max: Millivolt | None = None
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class I2cFacts:
    """The bus itself: usable 7-bit addresses, reserved ones, speeds slowest first."""

    first: int
    last: int
    reserved: tuple[I2cRange, ...]
    modes: tuple[I2cMode, ...]
    device_pf: int
    cable_pf_per_metre: int
