"""A board, its headers and what its SoC can do on them: typed facts, each with a source."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

from ._boot import BootVocabulary
from ._claim import Pull
from ._finding import Severity
from ._ids import BoardId, BusName, LineName, PinId
from ._units import Milliamp, Millivolt, Ohm
from ._value import dataclass, field


class PinKind(Enum):
    """What a header position is."""

    GPIO = "gpio"
    POWER = "power"
    GROUND = "ground"
    ANALOG = "analog"
    CONTROL = "control"
    """Reset, power button and the like: never assigned."""
    UNCONNECTED = "unconnected"


@dataclass(frozen=True, kw_only=True, slots=True)
class Pin:
    """
    One header position.

    `lines`: the line on it first, then further pads wired to the same position, which must stay
    inputs. Levels in mV; None is unknown, never zero or allowed. `confirmed` False: sources
    disagree about the level.
    """

    id: PinId
    kind: PinKind
    lines: tuple[LineName, ...] = ()
    rail: str | None = None
    rail_max: Milliamp | None = None
    logic: Millivolt | None = None
    maximum: Millivolt | None = None
    confirmed: bool = True
    adc: str | None = None
    """Channel of the converter on an analog position."""
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class LineFunction:
    """
    One thing a line can be switched to: `signal` of controller `bus`.

    `alt`: the SoC's own number or mux group. `route`: one controller reaches several pads, at
    most one route of it may be in use.
    """

    bus: BusName
    signal: str
    alt: str | None = None
    route: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One SoC line that reaches the header."""

    name: LineName
    pin: PinId
    functions: tuple[LineFunction, ...] = ()
    pull_at_reset: Pull | None = None
    chip: str | None = None
    """gpiochip label."""
    offset: int | None = None
    max_current: Milliamp | None = None
    external_pull_up: Ohm | None = None
    default_users: tuple[str, ...] = ()
    """Kernel settings that take it by default."""
    special: tuple[str, ...] = ()
    """Why it is better kept free, in words; empty for an ordinary line."""
    usable: bool = True
    boot_strap: bool = False
    """Read at reset as boot configuration: nothing may pull or drive it then."""
    moves_at_boot: bool = False
    """The board itself toggles it before any program runs."""
    reserved: str | None = None
    """
    ``id-eeprom``: for the identification memory of add-on boards; ``boot-flash``: shared with the
    memory that the board may start from. A claim earns a warning.
    """
    domain: str | None = None
    """The supply of its pad: all lines of one domain have one level; None: not known."""
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class BusOutlet:
    """
    One way by which a controller instance reaches the header.

    `lines` signal -> line, e.g. sda/scl, sclk/mosi/miso/cs0/cs1, tx/rx/cts/rts, clk/fs/din/dout.
    `complete` False: a needed signal does not reach the header; `missing` names it.
    """

    bus: BusName
    kind: str
    """``i2c``, ``spi``, ``uart``, ``i2s``, ``pwm``, ``clock``, ``can``, ``spdif``."""
    route: str | None = None
    lines: Mapping[str, LineName]
    complete: bool = True
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class DefaultClaim:
    """Positions that the stock image or the board itself already uses."""

    by: str
    pins: tuple[PinId, ...]
    freed_by: str | None = None
    bus: BusName | None = None
    """The bus that already runs there; further devices on it take nothing away."""
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class BusyController:
    """A controller that on-board parts use on other pads."""

    bus: BusName
    route: str | None = None
    devices: tuple[tuple[str, int | None], ...] = ()
    """Device, address."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DmaChannels:
    """
    DMA channels that programs of the user may take.

    Shape:
        `forbidden` channel -> why; `usual` what libraries take unless told; `spare` others.
    """

    forbidden: Mapping[int, str]
    usual: int
    spare: tuple[int, ...]
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Family:
    """What boards with one SoC family share."""

    name: str
    pwm_kind: str
    """``channels`` (independent), ``pairs-one-period``, ``pairs-two-periods``."""
    uart_kinds: Mapping[BusName, str] = field(default_factory=dict)
    """``pl011``, ``mini``, ... for UARTs that differ."""
    target_only: tuple[BusName, ...] = ()
    """SPI instances that cannot be the controller."""
    i2s_clock: Mapping[BusName, str] = field(default_factory=dict)
    """Instances that differ: ``board`` makes the bit clock or ``device`` does."""
    pin_limit: Milliamp | None = None
    pin_limit_assumed: Milliamp | None = None
    """A cautious choice where no figure is published."""
    pin_design: Milliamp | None = None
    total_limit: Milliamp | None = None
    rail_3v3: Milliamp | None = None
    """Published for all 3.3 V positions together."""
    rail_3v3_unofficial: Milliamp | None = None
    low_max: Millivolt | None = None
    """Highest level that an input surely reads as low (VIL)."""
    high_min: Millivolt | None = None
    """Lowest level that an input surely reads as high (VIH)."""
    out_high_min: Millivolt | None = None
    """Lowest high level of an output at its test current (VOH)."""
    out_low_max: Millivolt | None = None
    pull_ohm: tuple[Ohm, Ohm] | None = None
    """Internal pulls, least and greatest."""
    tolerates_5v: bool = False
    driven_while_off: Severity | None = None
    """How bad it is to drive a line while the board has no power; None: nothing is published."""
    chip_label: str | None = None
    led_string: Mapping[str, tuple[LineName, ...]] = field(default_factory=dict)
    """Back end (pwm, pcm, spi, pio) -> lines; empty value: any header line."""
    state_machines: int | None = None
    """How many programs of the ``pio`` back end run side by side."""
    dma: DmaChannels | None = None
    """None: no library feeds a block of this SoC by DMA."""
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Board:
    """
    One board.

    Shape:
        `pins` in header order; `lines` name -> line, header lines only; `outlets` every way of
        every bus to this header, the board's usual one first within a kind.
    """

    id: BoardId
    compatible: tuple[str, ...]
    family: Family
    pins: tuple[Pin, ...]
    lines: Mapping[LineName, Line]
    outlets: tuple[BusOutlet, ...]
    default_claims: tuple[DefaultClaim, ...] = ()
    busy: tuple[BusyController, ...] = ()
    cameras: tuple[str, ...] | None = None
    """Connector names; () none; None unknown."""
    header_uart: BusName | None = None
    bluetooth_uart: BusName | None = None
    console_uart: BusName | None = None
    console_pins: tuple[PinId, ...] = ()
    console_always: bool = False
    """The boot loader talks there too, whatever the kernel command line says."""
    analog_audio_block: BusName | None = None
    analog_audio: bool | None = None
    supply_current: Milliamp | None = None
    usb_total: Milliamp | None = None
    bare_current: Milliamp | None = None
    peak_current: Milliamp | None = None
    """The board alone under stress."""
    header_feed_mw: int | None = None
    """Power that may come in through the header's 5 V positions; None: not known."""
    header_feed: Millivolt | None = None
    """Highest voltage there."""
    memory_sizes_mb: tuple[int, ...] = ()
    """With how much memory it is sold, least first; empty: not known."""
    cores: int | None = None
    kernel_trees: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Release -> architectures for which Debian's own kernel has the board's device tree."""
    isa: str | None = None
    """Instruction set of its cores: ``armv6``, ``armv7`` or ``armv8`` (64 and 32 bits)."""
    boot: Mapping[str, BootVocabulary] = field(default_factory=dict)
    """Image (``vendor``, ``debian``) -> how it is told things at boot; absent: not known."""
    devices: Mapping[str, Mapping[BusName, str]] = field(default_factory=dict)
    """
    Image -> bus or camera connector -> where the kernel puts it, ``{select}`` for the chip
    select; a PWM block is a folder that holds its one pwmchip. Absent: not known, or the name
    changes between starts.
    """
    facts: Mapping[str, object] = field(default_factory=dict)
    """Further facts by their key in the data file."""
    source: str = ""

    def with_domains(self, measured: Mapping[LineName, Millivolt]) -> Mapping[LineName, Millivolt]:
        """Return *measured* with the other lines of each domain in which all that was agrees."""
        levels: dict[str, set[Millivolt]] = {}
        for name, level in measured.items():
            line = self.lines.get(name)
            if line is not None and line.domain is not None:
                levels.setdefault(line.domain, set()).add(level)
        return {
            **{
                name: min(levels[line.domain])
                for name, line in self.lines.items()
                if line.domain is not None and len(levels.get(line.domain, ())) == 1
            },
            **measured,
        }

    def pin_of(self, line: LineName) -> PinId | None:
        """
        Return the header position of *line*, None where it does not reach the header.

        A channel of the board's converter stands for a line on an analogue position.
        """
        found = self.lines.get(line)
        if found is not None:
            return found.pin
        return next((pin.id for pin in self.pins if pin.adc is not None and pin.adc == line), None)


@dataclass(frozen=True, kw_only=True, slots=True)
class Straps:
    """
    What sets a part's address: its pins from the lowest bit up, and what each may be tied to.

    `levels` in the order of rising addresses: ``ground``, ``supply``, ``sda``, ``scl``, ``open``.
    `first`: the address with all pins at the first level; None: the lowest of the part's.
    """

    pins: tuple[str, ...]
    levels: tuple[str, ...]
    first: int | None = None

    def ties(self, address: int, addresses: tuple[int, ...]) -> tuple[tuple[str, str], ...]:
        """
        Return what each pin is tied to for *address*; nothing where it is none of the part's.

        >>> four = (0x40, 0x41, 0x42, 0x43)
        >>> Straps(pins=("A0", "A1"), levels=("ground", "supply")).ties(0x42, four)
        (('A0', 'ground'), ('A1', 'supply'))
        """
        if address not in addresses:
            return ()
        at = sorted(addresses).index(address) if self.first is None else address - self.first
        found = []
        for pin in self.pins:
            at, level = divmod(at, len(self.levels))
            found.append((pin, self.levels[level]))
        return tuple(found)


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """
    A chip that plugins wire up.

    `addresses`: its straps; `default` among them. `also_answers`: addresses it takes besides.
    `pins`: name in its data sheet -> what it is there for: ``supply``, ``ground``, ``high`` and
    ``low`` (tied so for the bus that the part is on), ``strap``, the part's own word on a bus
    (``sda``, ``tx``, ``data-out``, ...), or how it is driven (``input``, ``open-drain``, ...).
    Several contacts of one name are one pin.
    """

    name: str
    aliases: tuple[str, ...] = ()
    kind: str = ""
    bus: str = "i2c"
    addresses: tuple[int, ...] = ()
    default: int | None = None
    also_answers: tuple[int, ...] = ()
    strap: str = ""
    max_khz: int | None = None
    baud: int | None = None
    """What a serial port starts with."""
    supply: tuple[Millivolt, Millivolt] | None = None
    clock_stretching: bool = False
    volatile: bool = False
    """Every copy starts at `default` after power; a program moves it while the others are held."""
    channels: int | None = None
    """Of a bus multiplexer."""
    pins: tuple[tuple[str, str], ...] = ()
    """In the data sheet's order; empty: not known."""
    straps: Straps | None = None
    note: str = ""
    source: str = ""

    def pins_for(self, *words: str) -> tuple[str, ...]:
        """Return its pins that are there for one of *words*, in the data sheet's order."""
        return tuple(name for name, word in self.pins if word in words)

    def word_of(self, pin: str) -> str | None:
        """Return what *pin* is there for; None: it has no such pin."""
        return next((word for name, word in self.pins if name == pin), None)


def part_key(name: str) -> str:
    """
    Return what a part is looked up by: case and hyphens say nothing.

    >>> part_key("MPU-6050"), part_key("bno055")
    ('mpu6050', 'bno055')
    """
    return name.casefold().replace("-", "").replace("_", "").replace(" ", "")


def find_part(parts: Mapping[str, Part], name: str) -> Part | None:
    """Return the part that *name* or an alias of it names; *parts* is keyed by `part_key`."""
    return parts.get(part_key(name))
