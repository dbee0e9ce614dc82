"""What single pins of a companion's chip can do, and bear."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from robokit_plan.hardware.electrical.levels import bears, divider_for
from robokit_plan.model import (
    RECEIVING,
    SENDING,
    Active,
    Chip,
    ChipPin,
    Millivolt,
    Pull,
    Severity,
    volt_text,
)

from ._uses import (
    BUSES,
    DRIVING,
    READING,
    ChipSetting,
    Clash,
    PinUse,
)

_BLOCKING = "wifi"
"""The radio that takes a converter (`Chip.wifi_blocks`)."""
_SWD = frozenset({"swdio", "swclk"})


def check_pins(chip: Chip, uses: Sequence[PinUse], setting: ChipSetting) -> Iterator[Clash]:
    """Yield uses that their pin cannot serve, and pins that two uses or a debugger want."""
    for use in uses:
        yield from _pin(chip, use, setting)
    yield from _same_pin(chip, uses)
    yield from _debug(chip, uses)
    yield from _converters(chip, uses, setting)


def _pin(chip: Chip, use: PinUse, setting: ChipSetting) -> Iterator[Clash]:
    if use.pin is None:
        return
    pin = chip.find_pin(use.pin)
    if pin is None:
        yield Clash(
            rule="line-missing",
            severity=Severity.ERROR,
            message=f"{chip.name} has no pin {use.pin}",
            uses=(use,),
            why=("pin numbers of one chip do not hold on another",),
            resource=use.pin,
        )
        return
    yield from _kept(chip, pin, use, setting)
    yield from _able(chip, pin, use)
    yield from _strap(chip, pin, use)
    yield from _input(chip, pin, use, setting)
    feeds = use.kind in DRIVING and use.active is Active.HIGH and use.loaded
    if feeds and not pin.can_source:
        yield Clash(
            rule="line-overload",
            severity=Severity.ERROR,
            message=f"pin {pin.name} of {chip.name} cannot feed {use.text}",
            uses=(use,),
            why=(f"it may sink {pin.max_current} mA and give nothing",),
            resource=pin.name,
        )


def _kept(chip: Chip, pin: ChipPin, use: PinUse, setting: ChipSetting) -> Iterator[Clash]:
    if pin.reserved is not None:
        yield Clash(
            rule="pin-reserved",
            severity=Severity.ERROR,
            message=f"pin {pin.name} of {chip.name} is not free for {use.text}",
            uses=(use,),
            why=(f"it serves {pin.reserved}",),
            resource=pin.name,
        )
    if pin.reserved_if is not None:
        octal = "octal" in pin.reserved_if
        if not (octal and setting.octal is False):
            sure = octal and setting.octal is True
            yield Clash(
                rule="pin-reserved",
                severity=Severity.ERROR if sure else Severity.WARNING,
                message=f"pin {pin.name} of {chip.name} may not be free for {use.text}",
                uses=(use,),
                why=(f"many modules use it for {pin.reserved_if}",),
                resource=pin.name,
            )
    if pin.module_use is not None and use.kind != "interrupt":
        yield Clash(
            rule="pin-module-use",
            severity=Severity.WARNING,
            message=f"the usual module wires pin {pin.name} of {chip.name} to {pin.module_use}",
            uses=(use,),
            why=(f"{use.text} and that share the pin; it may not reach the edge at all",),
            resource=pin.name,
        )
    over_usb = setting.link == "usb"
    native = over_usb and chip.native_usb and pin.function("usb") is not None
    bridge = over_usb and pin.host_link
    only = setting.link == "uart" and pin.host_link and chip.counts.get("uart") == 1
    if native or bridge or only:
        yield Clash(
            rule="host-link-taken",
            severity=Severity.ERROR,
            message=f"{use.text} takes pin {pin.name} of {chip.name} from its link to the board",
            uses=(use,),
            why=(
                "its USB data lines are there"
                if native
                else f"{chip.host_uart or 'its serial port'} leads to the board there",
            ),
            resource=pin.name,
        )


def _able(chip: Chip, pin: ChipPin, use: PinUse) -> Iterator[Clash]:
    if _can(chip, pin, use):
        return
    wanted = use.kind if use.bus is None else f"{use.bus} {use.signal}"
    own = sorted({f"{one.bus} {one.signal}" for one in pin.functions if one.kind != "pio"})
    yield Clash(
        rule="function-missing",
        severity=Severity.ERROR,
        message=f"pin {pin.name} of {chip.name} cannot be {wanted}",
        uses=(use,),
        why=(
            "it has no output driver"
            if not pin.output and (use.kind in DRIVING or use.signal in SENDING)
            else f"besides plain input and output it has {', '.join(own)}"
            if own
            else "it has no such function",
        ),
        resource=pin.name,
    )


def _can(chip: Chip, pin: ChipPin, use: PinUse) -> bool:
    match use.kind:
        case "input" | "ir-in":
            return pin.input
        case "analog":
            return pin.function("analog") is not None
        case "encoder" if chip.matrix or (chip.pio is not None and "encoder" in chip.pio.programs):
            return pin.input
        case "interrupt" | "encoder":
            if use.bus is not None:
                return any(one.bus == use.bus for one in pin.functions)
            known = any(one.function("interrupt") is not None for one in chip.pins.values())
            return not known or pin.function("interrupt") is not None
        case "pwm":
            if chip.matrix:
                return pin.output
            return pin.output and any(
                one.kind == "pwm" and use.bus in {None, one.bus} for one in pin.functions
            )
        case kind if kind in BUSES:
            if chip.matrix and kind != "usb":
                return (pin.output or use.signal not in SENDING) and (
                    pin.input or use.signal not in RECEIVING
                )
            return any(
                one.kind == kind and use.bus in {None, one.bus} and use.signal in {None, one.signal}
                for one in pin.functions
            )
        case kind if kind in DRIVING:
            return pin.output
        case kind:
            return kind in {"swd", "jtag"}


def _strap(chip: Chip, pin: ChipPin, use: PinUse) -> Iterator[Clash]:
    if pin.strap is None or use.pull is Pull.NONE:
        return
    agrees = pin.strap_pull is use.pull
    if agrees and not use.contact:
        return
    if not (use.outside or use.contact or use.kind in BUSES):
        return  # a pull that the program switches on comes too late to matter
    grave = not agrees and "flash" in pin.strap
    yield Clash(
        rule="boot-strap",
        severity=Severity.ERROR if grave else Severity.WARNING,
        message=f"{use.text} pulls pin {pin.name}, which {chip.name} reads at reset",
        uses=(use,),
        why=(
            pin.strap,
            "held while it starts, it changes how it starts"
            if agrees
            else "its resistor is there before any program",
        ),
        resource=pin.name,
    )


def _input(chip: Chip, pin: ChipPin, use: PinUse, setting: ChipSetting) -> Iterator[Clash]:
    if use.pull is not Pull.NONE and not use.outside and not pin.internal_pull:
        yield Clash(
            rule="pull-missing",
            severity=Severity.ERROR,
            message=f"pin {pin.name} of {chip.name} has no pull inside, {use.text} asks for one",
            uses=(use,),
            why=("it would float; fit a resistor of 10 kohm, or take another pin",),
            resource=pin.name,
        )
    elif (
        use.kind in READING
        and not use.outside
        and Pull.NONE not in {use.pull, chip.only_pull or Pull.NONE}
        and use.pull is not chip.only_pull
    ):
        yield Clash(
            rule="pull-missing",
            severity=Severity.ERROR,
            message=f"pin {pin.name} of {chip.name} has no pull "
            f"{'to ground' if use.pull is Pull.DOWN else 'to its supply'} inside, {use.text} "
            "asks for one",
            uses=(use,),
            why=("it would float; say none and fit a resistor of 10 kohm, or turn it around",),
            resource=pin.name,
            movable=False,
            repair=(
                "pull: up, active: low" if use.pull is Pull.DOWN else "pull: down, active: high",
                "pull: none",
            ),
        )
    if (
        use.kind in {"input", "interrupt"}
        and use.pull is Pull.DOWN
        and not use.outside
        and any(rule.name == "pulldown-latch" for rule in chip.rules)
    ):
        yield Clash(
            rule="pull-latch",
            severity=Severity.WARNING,
            message=f"early {chip.name} hold pin {pin.name} near 2.2 V although {use.text} lets go",
            uses=(use,),
            why=(
                next(rule.text for rule in chip.rules if rule.name == "pulldown-latch"),
                next(rule.source for rule in chip.rules if rule.name == "pulldown-latch"),
            ),
            resource=pin.name,
            movable=False,
            repair=("pull: up, active: low",),
        )
    yield from _too_high(chip, pin, use, setting)


def _too_high(chip: Chip, pin: ChipPin, use: PinUse, setting: ChipSetting) -> Iterator[Clash]:
    logic = setting.logic or chip.logic
    most = logic or Millivolt(5000)
    if use.kind == "analog":
        wrong = use.volts > most
        why = "the converter ends at the supply, and in analogue mode no pin bears more"
    elif use.kind in {"input", "ir-in", "interrupt", "encoder"} or use.signal in RECEIVING:
        wrong = bears(pin, chip, use.volts, logic) is False
        why = "a level above its supply flows into the chip through its protection"
    else:
        return
    if wrong:
        upper, lower = divider_for(use.volts, most)
        shifted = (f"volts: {most / 1000:g}",)
        yield Clash(
            rule="level-too-high",
            severity=Severity.ERROR,
            message=f"{use.text} puts {volt_text(use.volts)} on pin {pin.name} of {chip.name}, "
            f"which bears {volt_text(most)}",
            uses=(use,),
            why=(why,),
            resource=pin.name,
            repair=shifted
            if use.kind in BUSES
            else (f"divider-ohm: [{upper}, {lower}]", "shifter: true"),
        )


def _same_pin(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    by_pin: dict[str, list[PinUse]] = defaultdict(list)
    for use in uses:
        pin = None if use.pin is None else chip.find_pin(use.pin)
        if pin is not None:
            by_pin[pin.name].append(use)
    for name, sharers in by_pin.items():
        if len(sharers) > 1:
            yield Clash(
                rule="pin-collision",
                severity=Severity.ERROR,
                message=f"pin {name} of {chip.name} is claimed {_times(len(sharers))}",
                uses=tuple(sharers),
                why=("one pin carries one function at a time",),
                resource=name,
            )


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count} times"


def _debug(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    """Yield uses of pins by which a debugger speaks to the chip."""
    probes = {use.kind: use for use in uses if use.kind in {"swd", "jtag"}}
    for use in uses:
        pin = None if use.pin is None else chip.find_pin(use.pin)
        if pin is None or pin.debug is None or use.kind in {"swd", "jtag"}:
            continue
        if pin.debug not in _SWD and "jtag" not in probes:
            continue
        probe = probes.get("jtag") or probes.get("swd")
        yield Clash(
            rule="debug-pin-taken",
            severity=Severity.ERROR if probe else Severity.WARNING,
            message=f"{use.text} takes pin {pin.name} of {chip.name} from the debugger "
            f"({pin.debug})",
            uses=(use,) if probe is None else (use, probe),
            why=("new firmware then goes in by its boot loader alone",),
            resource=pin.name,
        )


def _converters(chip: Chip, uses: Sequence[PinUse], setting: ChipSetting) -> Iterator[Clash]:
    """Yield converters that are read while the radio needs them."""
    radio = tuple(use for use in uses if use.kind == "radio" and use.bus == _BLOCKING)
    if not (setting.radio or radio):
        return
    for use in uses:
        pin = None if use.pin is None or use.kind != "analog" else chip.find_pin(use.pin)
        function = None if pin is None else pin.function("analog")
        if pin is not None and function is not None and function.bus in chip.wifi_blocks:
            yield Clash(
                rule="converter-blocked",
                severity=Severity.ERROR,
                message=f"{use.text} reads {function.bus} of {chip.name}, which does not go while "
                "its radio runs",
                uses=(use, *radio),
                why=("the radio needs that converter itself",),
                resource=pin.name,
            )
