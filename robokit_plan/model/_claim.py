"""What a plugin asks of the hardware, as its manifest says it (design section 3)."""

from __future__ import annotations

from enum import Enum

from ._ids import CapabilityName, ClaimName, LineName, PartName, PinId, RoleName
from ._origin import Origin
from ._units import Hertz, Milliamp, Millivolt, Ohm
from ._value import dataclass


class Function(Enum):
    """What a signal does with its line."""

    INPUT = "input"
    OUTPUT = "output"
    PWM = "pwm"
    """A hardware channel of its own."""
    SERVO = "servo"
    """50 Hz pulses; with `Backend.KERNEL` a PWM channel, else any line."""
    CLOCK = "clock"
    """A general-purpose clock output."""
    LED_STRING = "led-string"
    """One-wire addressable LEDs."""
    IR_IN = "ir-in"
    IR_OUT = "ir-out"
    ANALOG = "analog"
    """A voltage that a converter reads."""


class Pull(Enum):
    """Resistor inside or outside the SoC."""

    UP = "up"
    DOWN = "down"
    NONE = "none"


class Active(Enum):
    """Level at which a signal means yes."""

    HIGH = "high"
    LOW = "low"


class Backend(Enum):
    """Who makes the pulses of a servo or of an LED string."""

    KERNEL = "kernel"
    LIBRARY = "library"
    DMA = "dma"
    """A library that feeds a PWM or PCM block of the SoC by DMA."""
    PWM = "pwm"
    PCM = "pcm"
    SPI = "spi"
    PIO = "pio"
    """Blocks that can make the pulses of an LED string (`Family.led_string`)."""


class Hazard(Enum):
    """What a claim can do to people."""

    NONE = "none"
    MOTION = "motion"
    LASER = "laser"
    HEAT = "heat"
    MAINS = "mains"
    LITHIUM = "lithium"
    RADIO = "radio"


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """
    Which of several instances a claim may sit on.

    `any` with no `options`: all that the board's header has. `options`: only these, in order of
    preference. Neither: absent in the manifest, the first header instance, never moved.
    """

    any: bool = False
    options: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class ClaimKey:
    """
    What every claim has.

    `share`: users that name the same share own the resource together. `settings` of the plugin
    were already put in place of values that bear their name.
    """

    name: ClaimName
    origin: Origin
    optional: bool = False
    share: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class WireSize:
    """One conductor, one way; cross-section in square micrometres x 10^4 (1 mm2 = 100)."""

    hundredth_mm2: int
    length_mm: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Laser:
    """What the label on a laser source says; power in microwatts, wavelength in nm."""

    label: str | None = None
    """Class on the label: ``1``, ``1M``, ``2``, ``2M``, ``3R``, ``3B``, ``4``."""
    power_uw: int | None = None
    wavelength_nm: int | None = None
    pulsed: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Radio:
    """What a transmitter does: band edges in kHz, power in microwatts, share of time in percent."""

    band_khz: tuple[int, int] | None = None
    power_uw: int | None = None
    duty_permille: int | None = None
    license: str | None = None
    """What allows it, in the builder's words: a licence or an exemption."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SignalClaim:
    """
    One line that a plugin drives or reads.

    Exactly one of these holds: `lines` chooses board lines, `positions` names header positions
    that an add-on board owns, `controller` with `pins` chooses a pin of a companion.
    """

    key: ClaimKey
    function: Function
    lines: Choice = Choice(any=True)
    positions: tuple[PinId, ...] = ()
    controller: RoleName | None = None
    pins: Choice = Choice(any=True)
    pull: Pull = Pull.NONE
    active: Active = Active.HIGH
    volts: Millivolt = Millivolt(3300)
    """Level of the other side."""
    shifter: bool = False
    divider_ohm: tuple[Ohm, Ohm] | None = None
    """Upper, lower."""
    current: Milliamp | None = None
    frequency: Hertz | None = None
    backend: Backend | None = None
    drives: str | None = None
    hazard: Hazard = Hazard.NONE
    leds: int | None = None
    ma_per_led: Milliamp | None = None
    brightness: int = 255
    supply: RoleName | None = None
    port_kind: str | None = None
    wire: WireSize | None = None
    part: PartName | None = None
    dma: int | None = None
    """DMA channel of the SoC that the library is told to use."""
    laser: Laser | None = None
    radio: Radio | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Mux:
    """The claim of the multiplexer in front of an I2C device, and the channel."""

    claim: ClaimName
    channel: int


@dataclass(frozen=True, kw_only=True, slots=True)
class I2cClaim:
    """A device on an I2C bus; `addresses` in order of preference, 7-bit."""

    key: ClaimKey
    part: PartName | None = None
    addresses: tuple[int, ...] = ()
    """Empty: the part's straps, its default first."""
    bus: Choice = Choice()
    max_khz: int | None = None
    pull_up_ohm: Ohm | None = None
    volts: Millivolt = Millivolt(3300)
    behind: Mux | None = None
    port_kind: str | None = None
    hazard: Hazard = Hazard.NONE
    driver: str | None = None
    positions: tuple[PinId, ...] = ()
    """Header positions of the bus on an add-on board, whichever bus this board has there."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SpiClaim:
    """A device on an SPI bus with a chip select of its own."""

    key: ClaimKey
    part: PartName | None = None
    bus: Choice = Choice()
    select: Choice = Choice()
    """Chip select numbers as text ("0", "1")."""
    max_khz: int | None = None
    volts: Millivolt = Millivolt(3300)
    port_kind: str | None = None
    hazard: Hazard = Hazard.NONE
    driver: str | None = None
    positions: tuple[PinId, ...] = ()
    radio: Radio | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class UartClaim:
    """A serial port."""

    key: ClaimKey
    part: PartName | None = None
    port: Choice = Choice()
    """`any`, or options; the option ``header`` is the board's own header UART."""
    baud: int = 115_200
    parity: str = "none"
    flow_control: bool = False
    volts: Millivolt = Millivolt(3300)
    shifter: bool = False
    divider_ohm: tuple[Ohm, Ohm] | None = None
    port_kind: str | None = None
    hazard: Hazard = Hazard.NONE
    positions: tuple[PinId, ...] = ()
    radio: Radio | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class BlockClaim:
    """
    Signals of one block that has no section of its own.

    Of the board's SoC: ``can1``, ``eqep2``, ``spdif``, ``pru0``; `lines` or `positions` say where
    it comes out, neither: anywhere. Of a companion: any of its buses, at `pins`; a block without
    a pin is its radio (``wifi``).

    Shape:
        `blocks` in order of preference, a route behind the name (``can1 m0``); `signals` that are
        needed, empty: all that one outlet has; `pins` signal -> pins, the most wanted first.
    """

    key: ClaimKey
    blocks: tuple[str, ...]
    signals: tuple[str, ...] = ()
    lines: Choice = Choice(any=True)
    positions: tuple[PinId, ...] = ()
    controller: RoleName | None = None
    pins: tuple[tuple[str, tuple[str, ...]], ...] = ()
    volts: Millivolt = Millivolt(3300)
    pull_up_ohm: Ohm | None = None
    hazard: Hazard = Hazard.NONE


@dataclass(frozen=True, kw_only=True, slots=True)
class I2sClaim:
    """A digital audio stream."""

    key: ClaimKey
    part: PartName | None = None
    direction: str = "out"
    """``in``, ``out`` or ``both``."""
    clock: str = "board"
    """Who makes the bit clock: ``board`` or ``device``."""
    volts: Millivolt = Millivolt(3300)


@dataclass(frozen=True, kw_only=True, slots=True)
class OneWireClaim:
    """A 1-wire device; probes share one line."""

    key: ClaimKey
    part: PartName | None = None
    lines: Choice = Choice()
    volts: Millivolt = Millivolt(3300)
    port_kind: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class CameraClaim:
    """A camera connector, held by one process."""

    key: ClaimKey
    part: PartName | None = None
    connector: Choice = Choice()


@dataclass(frozen=True, kw_only=True, slots=True)
class UsbClaim:
    """A USB device: vendor and product as ``0bda:2838``; devices of one id differ by serial."""

    key: ClaimKey
    id: str
    serial: str | None = None
    current: Milliamp | None = None
    hazard: Hazard = Hazard.NONE
    radio: Radio | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class AudioClaim:
    """A sound path."""

    key: ClaimKey
    direction: str = "out"
    via: Choice = Choice()


@dataclass(frozen=True, kw_only=True, slots=True)
class PortClaim:
    """A carrier port for its power alone."""

    key: ClaimKey
    kind: str
    current: Milliamp | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class PowerClaim:
    """A load on a supply."""

    key: ClaimKey
    supply: RoleName
    typical: Milliamp | None = None
    peak: Milliamp | None = None
    stall: Milliamp | None = None
    count: int = 1
    hazard: Hazard = Hazard.NONE
    wire: WireSize | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ActuatorClaim:
    """Something that moves, heats, shines or switches."""

    key: ClaimKey
    hazard: Hazard = Hazard.NONE
    safe_state: str | None = None
    controller: RoleName | None = None
    guard: CapabilityName | None = None
    laser: Laser | None = None
    radio: Radio | None = None


Claim = (
    SignalClaim
    | I2cClaim
    | SpiClaim
    | UartClaim
    | BlockClaim
    | I2sClaim
    | OneWireClaim
    | CameraClaim
    | UsbClaim
    | AudioClaim
    | PortClaim
    | PowerClaim
    | ActuatorClaim
)

SECTION_OF: dict[type, str] = {
    SignalClaim: "signals",
    I2cClaim: "i2c",
    SpiClaim: "spi",
    UartClaim: "uart",
    BlockClaim: "blocks",
    I2sClaim: "i2s",
    OneWireClaim: "one-wire",
    CameraClaim: "camera",
    UsbClaim: "usb",
    AudioClaim: "audio",
    PortClaim: "ports",
    PowerClaim: "power",
    ActuatorClaim: "actuators",
}
"""Claim class -> its section under `hardware` in a manifest."""


def line_name(value: str | int) -> LineName:
    """Return the line that *value* names; a bare number N means ``gpioN``."""
    text = str(value)
    return LineName(f"gpio{int(text)}" if text.isdecimal() else text)
