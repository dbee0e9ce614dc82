"""The hardware part of a manifest as claims."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from robokit_plan.model import (
    Active,
    ActuatorClaim,
    AudioClaim,
    Backend,
    BlockClaim,
    CameraClaim,
    CapabilityName,
    Choice,
    Claim,
    ClaimKey,
    ClaimName,
    Finding,
    Function,
    Hazard,
    Hertz,
    I2cClaim,
    I2sClaim,
    Laser,
    Milliamp,
    Millivolt,
    Mux,
    Ohm,
    OneWireClaim,
    PartName,
    PinId,
    PortClaim,
    PowerClaim,
    Pull,
    Radio,
    RoleName,
    Severity,
    SignalClaim,
    SpiClaim,
    UartClaim,
    UsbClaim,
    WireSize,
    finding,
    line_name,
)

from .tree import shown
from .typed_map import TypedMap, scaled

DEFAULT_MV = 3300
"""Level of the other side where a manifest says nothing (design section 3)."""


_PULSED = frozenset({Function.SERVO.value, Function.LED_STRING.value})


def hardware_claims(hardware: TypedMap) -> Iterator[tuple[Claim, TypedMap]]:
    """Yield each claim of a manifest's ``hardware`` with its map, in the file's order."""
    for section, read in _READERS.items():
        if section in hardware:
            for name, view in hardware.named(section):
                yield read(name, view), view


def check_signal(name: str, view: TypedMap) -> Iterator[Finding]:
    """Return findings about keys of a signal that exclude or need one another."""
    for left, right in (("gpio", "header"), ("gpio", "controller"), ("header", "controller")):
        if left in view and right in view:
            yield _together(name, view, left, right)
    if "pin" in view and "controller" not in view:
        yield finding(
            "schema",
            Severity.ERROR,
            f"{shown(name)} has `pin` without `controller`",
            places=[view.place("pin")],
            why="`pin` counts the pins of a controller; board lines stand under `gpio`",
            repair="controller: …, or gpio in place of pin",
        )
    if "backend" in view and view.string("function") not in _PULSED:
        yield finding(
            "schema",
            Severity.ERROR,
            f"{shown(name)} has `backend`, which only servos and LED strings have",
            places=[view.place("backend")],
            why="it says who makes the pulses",
            repair="remove backend, or function: servo",
        )


def _together(name: str, view: TypedMap, left: str, right: str) -> Finding:
    return finding(
        "schema",
        Severity.ERROR,
        f"{shown(name)} has both `{left}` and `{right}`",
        places=[view.place(left), view.place(right)],
        why="a signal sits on a board line, on a header position or on a controller's pin",
        repair=f"keep one of {left} and {right}",
    )


def _key(name: str, view: TypedMap) -> ClaimKey:
    return ClaimKey(
        name=ClaimName(name),
        origin=view.origin,
        optional=view.flag("optional"),
        share=view.string("share"),
    )


def _part(view: TypedMap) -> PartName | None:
    part = view.string("part")
    return None if part is None else PartName(part)


def _volts(view: TypedMap) -> Millivolt:
    level = view.scaled("volts", 1000)
    return Millivolt(DEFAULT_MV if level is None else level)


def _milliamp(view: TypedMap, key: str) -> Milliamp | None:
    value = view.integer(key)
    return None if value is None else Milliamp(value)


def _role(view: TypedMap, key: str) -> RoleName | None:
    name = view.string(key)
    return None if name is None else RoleName(name)


def _hazard(view: TypedMap) -> Hazard:
    return view.member("hazard", Hazard, Hazard.NONE)


def _positions(view: TypedMap) -> tuple[PinId, ...]:
    return tuple(PinId(one) for one in view.strings("header"))


def _laser(view: TypedMap) -> Laser | None:
    laser = view.view("laser")
    if laser.node is None:
        return None
    return Laser(
        label=laser.string("class"),
        power_uw=laser.scaled("power-mw", 1000),
        wavelength_nm=laser.integer("wavelength-nm"),
        pulsed=laser.flag("pulsed"),
    )


def _radio(view: TypedMap) -> Radio | None:
    radio = view.view("radio")
    if radio.node is None:
        return None
    band = radio.child("band-mhz")
    edges = [scaled(one.value, 1000) for one in band.items] if band else []
    return Radio(
        band_khz=(edges[0], edges[1]) if len(edges) == 2 else None,
        power_uw=radio.scaled("power-mw", 1000),
        duty_permille=radio.scaled("duty-percent", 10),
        license=radio.string("license"),
    )


def _divider(view: TypedMap) -> tuple[Ohm, Ohm] | None:
    values = view.integers("divider-ohm")
    return (Ohm(values[0]), Ohm(values[1])) if len(values) == 2 else None


def wire_size(view: TypedMap) -> WireSize | None:
    """Return the conductor under ``wire``."""
    wire = view.view("wire")
    if wire.node is None:
        return None
    return WireSize(
        hundredth_mm2=wire.scaled("mm2", 100) or 1, length_mm=wire.integer("length-mm") or 0
    )


def _lines(view: TypedMap, key: str = "gpio", *, absent_is_any: bool = True) -> Choice:
    choice = view.choice(key, absent_is_any=absent_is_any)
    return Choice(any=choice.any, options=tuple(line_name(one) for one in choice.options))


def _signal(name: str, view: TypedMap) -> SignalClaim:
    frequency = view.integer("hz")
    brightness = view.integer("brightness")
    return SignalClaim(
        key=_key(name, view),
        function=view.member("function", Function, Function.INPUT),
        lines=_lines(view),
        positions=_positions(view),
        controller=_role(view, "controller"),
        pins=view.choice("pin", absent_is_any=True),
        pull=view.member("pull", Pull, Pull.NONE),
        active=view.member("active", Active, Active.HIGH),
        volts=_volts(view),
        shifter=view.flag("shifter"),
        divider_ohm=_divider(view),
        current=_milliamp(view, "current-ma"),
        frequency=None if frequency is None else Hertz(frequency),
        backend=view.member("backend", Backend, Backend.LIBRARY) if "backend" in view else None,
        drives=view.string("drives"),
        hazard=_hazard(view),
        leds=view.integer("leds"),
        ma_per_led=_milliamp(view, "ma-per-led"),
        brightness=255 if brightness is None else brightness,
        supply=_role(view, "supply"),
        port_kind=view.string("port"),
        wire=wire_size(view),
        part=_part(view),
        dma=view.integer("dma"),
        laser=_laser(view),
        radio=_radio(view),
    )


def _i2c(name: str, view: TypedMap) -> I2cClaim:
    behind = view.view("behind")
    pull_up = view.integer("pull-up-ohm")
    return I2cClaim(
        key=_key(name, view),
        part=_part(view),
        addresses=view.integers("address"),
        bus=view.choice("bus"),
        max_khz=view.integer("max-khz"),
        pull_up_ohm=None if pull_up is None else Ohm(pull_up),
        volts=_volts(view),
        behind=None
        if behind.node is None
        else Mux(
            claim=ClaimName(behind.string("mux") or ""), channel=behind.integer("channel") or 0
        ),
        port_kind=view.string("port"),
        hazard=_hazard(view),
        driver=view.string("driver"),
        positions=_positions(view),
    )


def _spi(name: str, view: TypedMap) -> SpiClaim:
    return SpiClaim(
        key=_key(name, view),
        part=_part(view),
        bus=view.choice("bus"),
        select=view.choice("select"),
        max_khz=view.integer("max-khz"),
        volts=_volts(view),
        port_kind=view.string("port"),
        hazard=_hazard(view),
        driver=view.string("driver"),
        positions=_positions(view),
        radio=_radio(view),
    )


def _uart(name: str, view: TypedMap) -> UartClaim:
    port = view.choice("port")
    # `port` of a UART names an instance; the bare word of a carrier port's kind means the port.
    kind = "uart" if port.options == ("uart",) else None
    baud = view.integer("baud")
    return UartClaim(
        key=_key(name, view),
        part=_part(view),
        port=Choice(any=True) if kind else port,
        baud=115_200 if baud is None else baud,
        parity=view.string("parity") or "none",
        flow_control=view.flag("flow-control"),
        volts=_volts(view),
        shifter=view.flag("shifter"),
        divider_ohm=_divider(view),
        port_kind=kind,
        hazard=_hazard(view),
        positions=_positions(view),
        radio=_radio(view),
    )


def _block(name: str, view: TypedMap) -> BlockClaim:
    pull_up, pins = view.integer("pull-up-ohm"), view.view("pins")
    return BlockClaim(
        key=_key(name, view),
        blocks=view.strings("block"),
        signals=view.strings("signals"),
        lines=_lines(view),
        positions=_positions(view),
        controller=_role(view, "controller"),
        pins=tuple(
            (signal, pins.strings(signal)) for signal in (pins.node.entries if pins.node else ())
        ),
        volts=_volts(view),
        pull_up_ohm=None if pull_up is None else Ohm(pull_up),
        hazard=_hazard(view),
    )


def _i2s(name: str, view: TypedMap) -> I2sClaim:
    return I2sClaim(
        key=_key(name, view),
        part=_part(view),
        direction=view.string("direction") or "out",
        clock=view.string("clock") or "board",
        volts=_volts(view),
    )


def _one_wire(name: str, view: TypedMap) -> OneWireClaim:
    return OneWireClaim(
        key=_key(name, view),
        part=_part(view),
        lines=_lines(view, absent_is_any=False),
        volts=_volts(view),
        port_kind=view.string("port"),
    )


def _camera(name: str, view: TypedMap) -> CameraClaim:
    return CameraClaim(key=_key(name, view), part=_part(view), connector=view.choice("connector"))


def _usb(name: str, view: TypedMap) -> UsbClaim:
    return UsbClaim(
        key=_key(name, view),
        id=(view.string("id") or "").lower(),
        serial=view.string("serial"),
        current=_milliamp(view, "ma"),
        hazard=_hazard(view),
        radio=_radio(view),
    )


def _audio(name: str, view: TypedMap) -> AudioClaim:
    return AudioClaim(
        key=_key(name, view), direction=view.string("direction") or "out", via=view.choice("via")
    )


def _port(name: str, view: TypedMap) -> PortClaim:
    return PortClaim(
        key=_key(name, view),
        kind=view.string("kind") or "",
        current=_milliamp(view, "current-ma"),
    )


def _power(name: str, view: TypedMap) -> PowerClaim:
    return PowerClaim(
        key=_key(name, view),
        supply=RoleName(view.string("supply") or ""),
        typical=_milliamp(view, "typical-ma"),
        peak=_milliamp(view, "peak-ma"),
        stall=_milliamp(view, "stall-ma"),
        count=view.integer("count") or 1,
        hazard=_hazard(view),
        wire=wire_size(view),
    )


def _actuator(name: str, view: TypedMap) -> ActuatorClaim:
    guard = view.string("guard")
    return ActuatorClaim(
        key=_key(name, view),
        hazard=_hazard(view),
        safe_state=view.string("safe-state"),
        controller=_role(view, "controller"),
        guard=None if guard is None else CapabilityName(guard),
        laser=_laser(view),
        radio=_radio(view),
    )


_READERS: Mapping[str, Callable[[str, TypedMap], Claim]] = {
    "signals": _signal,
    "i2c": _i2c,
    "spi": _spi,
    "uart": _uart,
    "blocks": _block,
    "i2s": _i2s,
    "one-wire": _one_wire,
    "camera": _camera,
    "usb": _usb,
    "audio": _audio,
    "ports": _port,
    "power": _power,
    "actuators": _actuator,
}
