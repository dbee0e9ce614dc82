"""What a companion's program does on its chip, and what does not go together, in plain values."""

from __future__ import annotations

from robokit_plan.hardware.electrical.circuit import Wired
from robokit_plan.model import (
    Active,
    Hertz,
    InstanceName,
    Millivolt,
    Place,
    Pull,
    Severity,
    dataclass,
)

READING = frozenset({"input", "interrupt", "encoder", "ir-in"})
DRIVING = frozenset({"output", "pwm", "servo", "tone", "led-string", "ir-out", "clock"})
BUSES = frozenset({"i2c", "uart", "spi", "can", "usb"})
IDLE_HIGH = frozenset({("uart", "rx"), ("can", "rx"), ("i2c", "sda"), ("i2c", "scl")})
"""Signals that the other side or the bus's own resistors hold high while nobody sends."""
SERVO_HZ = Hertz(50)


@dataclass(frozen=True, kw_only=True, slots=True)
class PinUse:
    """
    One thing that the program of a companion does.

    `kind`: ``input``, ``output``, ``pwm``, ``servo``, ``tone``, ``clock``, ``led-string``,
    ``ir-in``, ``ir-out``, ``analog``, ``interrupt``, ``encoder``, ``i2c``, ``uart``, ``spi``,
    ``can``, ``radio``, ``swd``, ``jtag``. `pin` None: it takes an instance and any pins.
    `pull`: what pulls its pin, inside the chip or (`outside`) beside it. `contact`: a switch that
    a hand may hold.
    """

    text: str
    kind: str
    pin: str | None = None
    bus: str | None = None
    signal: str | None = None
    frequency: Hertz | None = None
    pull: Pull = Pull.NONE
    outside: bool = False
    contact: bool = False
    volts: Millivolt = Millivolt(3300)
    active: Active = Active.HIGH
    loaded: bool = False
    """Its pin feeds something, rather than only telling it."""
    place: Place | None = None
    instance: InstanceName | None = None
    wired: Wired | None = None
    """The claim behind it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Clash:
    """What does not go on a chip, with the uses that take part."""

    rule: str
    severity: Severity
    message: str
    uses: tuple[PinUse, ...]
    why: tuple[str, ...] = ()
    resource: str = ""
    movable: bool = True
    """Whether another pin can solve it."""
    repair: tuple[str, ...] = ()
    """Keys of the claim that solve it too, besides another pin."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ChipSetting:
    """
    How the chip is built in.

    `octal` None: nobody says which memory its module carries; `logic` None: its chip's own.
    """

    logic: Millivolt | None = None
    link: str | None = None
    """``usb`` where its own or its bridge's USB leads to the board, ``uart``, None."""
    radio: bool = False
    octal: bool | None = None
