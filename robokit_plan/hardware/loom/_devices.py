"""Which claims are one part, what it is called, and what its pins are called."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping

from robokit_plan.hardware.electrical.circuit import Wired
from robokit_plan.model import (
    ActuatorClaim,
    AudioClaim,
    CameraClaim,
    Claim,
    Does,
    Function,
    I2cClaim,
    I2sClaim,
    InstanceName,
    OneWireClaim,
    Part,
    PortClaim,
    PowerClaim,
    SignalClaim,
    SpiClaim,
    UartClaim,
    UsbClaim,
    dataclass,
    find_part,
)

_PLUGGED = (CameraClaim, UsbClaim, AudioClaim)
SUPPLY_PIN, GROUND_PIN, SIGNAL_PIN = "V+", "GND", "signal"
"""What pins are called where nobody says what the part calls them."""

_WORDS: Mapping[str, tuple[str, ...]] = {
    # The board's word for a signal -> the part's, as its data sheet means it; serial lines cross.
    "sda": ("sda",),
    "scl": ("scl",),
    "sclk": ("sclk",),
    "mosi": ("mosi",),
    "miso": ("miso",),
    "tx": ("rx", "tx-rx"),
    "rx": ("tx", "tx-rx"),
    "clk": ("clk",),
    "fs": ("fs",),
    "din": ("data-out",),
    "dout": ("data-in",),
    "dq": ("dq",),
}
_PLAIN: Mapping[str, str] = {
    "sda": "SDA", "scl": "SCL", "sclk": "SCLK", "mosi": "MOSI", "miso": "MISO", "cs": "CS",
    "tx": "RXD", "rx": "TXD", "rts": "CTS", "cts": "RTS",
    "clk": "BCLK", "fs": "LRCLK", "din": "data out", "dout": "data in", "dq": "DQ",
}  # fmt: skip
"""The same where the part is not known: the usual names."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Device:
    """
    One part that is fitted: the claims that are its pins, and the load that is its supply.

    `part`: what the data say of it; None: nothing.
    """

    name: str
    instance: InstanceName
    claims: tuple[Wired, ...]
    power: Wired | None = None
    part: Part | None = None
    type: str = ""

    @property
    def what(self) -> str:
        """What it is, in words."""
        if self.part is not None:
            return self.part.kind
        return ", ".join(dict.fromkeys(_what(one.claim) for one in self.claims))


def devices_of(wired: tuple[Wired, ...], parts: Mapping[str, Part]) -> Iterator[Device]:
    """
    Yield the parts of every instance, by name.

    A plugin with one load beside its other claims is taken for one part that the load feeds:
    common practice, no source. Where it has several loads, or several parts that are known by
    number, each claim is a part of its own.
    """
    by_instance: dict[InstanceName, list[Wired]] = defaultdict(list)
    for one in wired:
        if not isinstance(one.claim, ActuatorClaim) and (
            one.assignment is not None or isinstance(one.claim, PowerClaim)
        ):
            by_instance[one.instance].append(one)
    for instance in sorted(by_instance):
        yield from _of_instance(instance, by_instance[instance], parts)


def _of_instance(
    instance: InstanceName, claims: list[Wired], parts: Mapping[str, Part]
) -> Iterator[Device]:
    loads = [one for one in claims if isinstance(one.claim, PowerClaim)]
    plugged = [one for one in claims if isinstance(one.claim, (*_PLUGGED, PortClaim))]
    others = [one for one in claims if one not in loads and one not in plugged]
    known = [one for one in others if _number(one.claim)]
    own_supply = any(isinstance(one.claim, SignalClaim) and one.claim.supply for one in others)
    single = (
        len(loads) == 1
        and isinstance(loads[0].claim, PowerClaim)
        and loads[0].claim.count == 1
        and others
        and not own_supply
        and len(known) <= 1
        and len([one for one in others if not isinstance(one.claim, SignalClaim)]) <= 1
    )
    if single:
        number = _number(known[0].claim) if known else ""
        yield _device(str(instance), instance, tuple(others), loads[0], number, parts)
    else:
        for one in others:
            yield _device(one.text, instance, (one,), None, _number(one.claim), parts)
        for one in loads:
            yield Device(name=one.text, instance=instance, claims=(), power=one)
    for one in plugged:
        yield _device(one.text, instance, (one,), None, _number(one.claim), parts)


def _device(
    name: str,
    instance: InstanceName,
    claims: tuple[Wired, ...],
    power: Wired | None,
    number: str,
    parts: Mapping[str, Part],
) -> Device:
    part = find_part(parts, number) if number else None
    return Device(
        name=name,
        instance=instance,
        claims=claims,
        power=power,
        part=part,
        type=part.name if part is not None else number.upper(),
    )


def _number(claim: Claim) -> str:
    return str(getattr(claim, "part", None) or "")


def pin_name(device: Device, one: Wired, signal: str) -> str:
    """Return what *device* calls the pin that meets the board's *signal* of a claim."""
    word = "cs" if signal.startswith("cs") else signal
    if isinstance(one.claim, OneWireClaim):
        word = "dq"
    if isinstance(one.claim, SignalClaim) and signal == one.claim.key.name:
        return _signal_pin(device, one, one.claim)
    if device.part is not None:
        for wanted in _WORDS.get(word, (word,)):
            found = device.part.pins_for(wanted)
            if found:
                return found[0]
    return _PLAIN.get(word, signal)


def _signal_pin(device: Device, one: Wired, claim: SignalClaim) -> str:
    if claim.function is Function.LED_STRING:
        return "DIN"
    if len(device.claims) > 1:
        return str(one.claim.key.name)
    return SIGNAL_PIN


def does_at(claim: Claim, signal: str) -> Does:
    """Return what the part does at its end of the board's *signal*."""
    if isinstance(claim, OneWireClaim) or signal in {"sda", "scl"}:
        return Does.BOTH
    if isinstance(claim, SignalClaim):
        read = {Function.INPUT, Function.IR_IN, Function.ANALOG}
        return Does.DRIVES if claim.function in read else Does.READS
    if isinstance(claim, I2sClaim) and signal in {"clk", "fs"}:
        return Does.READS if claim.clock == "board" else Does.DRIVES
    if isinstance(claim, (SpiClaim, UartClaim, I2sClaim)):
        return Does.DRIVES if signal in {"miso", "rx", "cts", "din"} else Does.READS
    return Does.PASSIVE


def is_used(claim: Claim, signal: str) -> bool:
    """Return whether a wire goes to *signal*: a stream one way leaves the other's line empty."""
    if isinstance(claim, I2sClaim):
        return signal != {"in": "dout", "out": "din"}.get(claim.direction)
    if isinstance(claim, SignalClaim) and claim.function is Function.LED_STRING:
        return signal == claim.key.name
    return True


_FUNCTIONS: Mapping[Function, str] = {
    Function.INPUT: "contact or sensor",
    Function.OUTPUT: "output",
    Function.PWM: "PWM input",
    Function.SERVO: "servo",
    Function.CLOCK: "clock input",
    Function.LED_STRING: "LED string",
    Function.IR_IN: "infrared receiver",
    Function.IR_OUT: "infrared emitter",
    Function.ANALOG: "analog source",
}


def _what(claim: Claim) -> str:
    match claim:
        case SignalClaim():
            if claim.drives is not None:
                return claim.drives.replace("-", " ")
            return _FUNCTIONS[claim.function]
        case I2cClaim():
            return "part on I2C"
        case SpiClaim():
            return "part on SPI"
        case UartClaim():
            return "serial part"
        case I2sClaim():
            return "digital audio"
        case OneWireClaim():
            return "part on 1-wire"
        case CameraClaim():
            return "camera"
        case UsbClaim():
            return "USB device"
        case AudioClaim():
            return "sound"
        case PortClaim():
            return f"plug of kind {claim.kind}"
        case _:
            return ""
