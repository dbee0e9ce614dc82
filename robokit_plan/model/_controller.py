"""A microcontroller chip: its pins, and what they share inside."""

from __future__ import annotations

from collections.abc import Mapping

from ._claim import Pull
from ._units import Milliamp, Millivolt
from ._value import dataclass, field

SENDING = frozenset({"tx", "sclk", "sck", "mosi", "cs", "csn", "cs0", "rts", "sda", "scl"})
"""Signals of buses that a chip drives, and..."""
RECEIVING = frozenset({"rx", "miso", "cts", "sda"})
"""... those that it reads."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ChipFunction:
    """
    One thing a chip's pin can be switched to.

    `kind`: ``pwm``, ``uart``, ``i2c``, ``spi``, ``analog``, ``interrupt``, ``usb``, ``pio``, ...
    Pins whose functions agree in `bus` and `signal` carry one waveform; PWM pins that agree in
    `bus` alone share the frequency.
    """

    kind: str
    bus: str
    signal: str
    alt: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ChipPin:
    """
    One pin of a chip.

    `reserved` and `reserved_if` in words: never assigned, or not on modules that the words name.
    `strap`: what its level at reset decides; `strap_pull` the level that a normal start needs.
    """

    name: str
    aliases: tuple[str, ...] = ()
    functions: tuple[ChipFunction, ...] = ()
    input: bool = True
    """False: only the converter sees it."""
    output: bool = True
    internal_pull: bool = True
    pull_at_reset: Pull | None = None
    reserved: str | None = None
    reserved_if: str | None = None
    strap: str | None = None
    strap_pull: Pull | None = None
    moves_at_boot: str | None = None
    module_use: str | None = None
    """What the usual module wires it to."""
    host_link: bool = False
    """Part of the serial link to the host on boards with a USB bridge."""
    debug: str | None = None
    max_current: Milliamp | None = None
    can_source: bool = True
    """False: may sink current only."""
    tolerates_5v: bool | None = None
    """None: as the chip says."""
    header: str | None = None
    """Set where the pin is not on the usual headers."""
    package: str | None = None
    source: str = ""

    def function(self, kind: str) -> ChipFunction | None:
        """Return its first function of *kind*, None where it has none."""
        return next((one for one in self.functions if one.kind == kind), None)


@dataclass(frozen=True, kw_only=True, slots=True)
class ChipTimer:
    """A timer with the pins whose pulses it makes and the library parts that own it."""

    name: str
    bits: int
    pins: tuple[str, ...]
    used_by: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ChipPio:
    """
    Programmable state machines: each block runs `machines` programs out of `words` instructions.

    Shape:
        `programs` kind of use -> state machines and instructions of the usual program; equal
        programs in one block share their instructions.
    """

    blocks: int
    machines: int
    words: int
    programs: Mapping[str, tuple[int, int]]
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ChipRule:
    """What a builder should know about a chip or link, in words, with its source."""

    name: str
    text: str
    source: str
    tells: tuple[str, ...] = ()
    """Findings that it stands behind: they say its text."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Chip:
    """
    One controller chip.

    Shape:
        `pins` name -> pin, in the data sheet's order; `counts` how many there are of ``uart``,
        ``i2c``, ``spi``, ``pwm_channels``, ``pwm_timers``, ``pulse_tx``, ``encoders``, ...; a
        name that is absent is not limited or not known.
    """

    id: str
    name: str
    aliases: tuple[str, ...] = ()
    logic: Millivolt | None = None
    """None: what the chip is supplied with."""
    tolerates_5v: bool | None = None
    pins: Mapping[str, ChipPin]
    matrix: bool = False
    """Any digital function reaches any pin that can do its direction; `counts` still hold."""
    timers: tuple[ChipTimer, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    servo_timer: str | None = None
    """The timer that the usual servo library takes as soon as one servo is used."""
    servos_per_timer: int | None = None
    tone_timer: str | None = None
    clock_timers: tuple[str, ...] = ()
    """Timers that keep the program's time: their frequency must stay."""
    wifi_blocks: tuple[str, ...] = ()
    """Converters that cannot be read while the radio runs."""
    radio: tuple[str, ...] = ()
    """``wifi``, ``bluetooth`` as far as the chip has them."""
    pio: ChipPio | None = None
    native_usb: bool = False
    host_uart: str | None = None
    """The instance behind the USB bridge."""
    reset_on_open: bool = False
    """Opening the port resets it: its outputs float for about a second."""
    touch_1200: bool = False
    """Opening the port at 1200 baud enters the boot loader."""
    usb_ids: tuple[str, ...] = ()
    usb_boot_ids: tuple[str, ...] = ()
    pull_at_reset: Pull | None = None
    only_pull: Pull | None = None
    """The one way in which its pins can pull inside; None: both."""
    pin_limit: Milliamp | None = None
    pin_absolute: Milliamp | None = None
    total_limit: Milliamp | None = None
    rules: tuple[ChipRule, ...] = ()
    source: str = ""

    def find_pin(self, name: str) -> ChipPin | None:
        """Return the pin that *name* or an alias of it names; case says nothing."""
        return _find(self.pins, name)


def _find(pins: Mapping[str, ChipPin], name: str) -> ChipPin | None:
    if name in pins:
        return pins[name]
    wanted = name.casefold()
    return next(
        (
            pin
            for pin in pins.values()
            if wanted == pin.name.casefold() or wanted in (a.casefold() for a in pin.aliases)
        ),
        None,
    )
