"""
What a companion's program can do on its chip: pins, timers, slices, instances, its link.

`clashes` judges any set of uses, those too that no manifest can declare; `check_controllers`
asks it about the claims of one robot.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

from robokit_plan.model import (
    Active,
    Assignment,
    BlockClaim,
    Chip,
    ChipFunction,
    ChipPin,
    ChipPio,
    Controller,
    ControllerName,
    Finding,
    Function,
    Hazard,
    Hertz,
    InstanceName,
    Millivolt,
    Place,
    Pull,
    Severity,
    SignalClaim,
    finding,
    volt_text,
)

from ._electrical_problem import Wired, Wiring
from .levels import arriving, bears, contact, divider_for, logic_of

_TOUCH_BAUD = 1200
_SERVO_HZ = Hertz(50)
_READING = frozenset({"input", "interrupt", "encoder", "ir-in"})
_DRIVING = frozenset({"output", "pwm", "servo", "tone", "led-string", "ir-out", "clock"})
_BUSES = frozenset({"i2c", "uart", "spi", "can", "usb"})
_BLOCKING = "wifi"
"""The radio that takes a converter (`Chip.wifi_blocks`)."""
_SWD = frozenset({"swdio", "swclk"})
_CLOCK_HZ = (930, 1025)
"""Frequency that a timer which keeps time makes by itself: 16 MHz / 64 / 256, within 5 percent."""
_COUNTED = {
    "led-string": ("pulse_tx", "pulse channels that send"),
    "ir-out": ("pulse_tx", "pulse channels that send"),
    "ir-in": ("pulse_rx", "pulse channels that receive"),
    "encoder": ("encoders", "counting units"),
}
_MACHINES, _MACHINE = "pio_state_machines", "state machines"
_PROGRAMS = frozenset({"led-string", "ir-out", "ir-in"})
"""Kinds that a state machine of its own serves where the chip has them."""


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


def clashes(
    chip: Chip, uses: Sequence[PinUse], setting: ChipSetting = ChipSetting()
) -> tuple[Clash, ...]:
    """Return all that does not go together among *uses* on *chip*, gravest first."""
    found = [
        *(clash for use in uses for clash in _pin(chip, use, setting)),
        *_same_pin(chip, uses),
        *_debug(chip, uses),
        *_waveforms(chip, uses),
        *_instances(chip, uses, setting),
        *_outlets(chip, uses),
        *_converters(chip, uses, setting),
        *_counts(chip, uses),
        *_programs(chip, uses),
    ]
    unique = dict.fromkeys(found)
    return tuple(sorted(unique, key=lambda one: (one.severity.rank, one.rule, one.message)))


# --- single pins ----------------------------------------------------------------------------


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
    feeds = use.kind in _DRIVING and use.active is Active.HIGH and use.loaded
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
            if not pin.output and use.kind in _DRIVING
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
        case kind if kind in _BUSES:
            if chip.matrix and kind != "usb":
                return pin.input or pin.output
            return any(
                one.kind == kind and use.bus in {None, one.bus} and use.signal in {None, one.signal}
                for one in pin.functions
            )
        case kind if kind in _DRIVING:
            return pin.output
        case kind:
            return kind in {"swd", "jtag"}


def _strap(chip: Chip, pin: ChipPin, use: PinUse) -> Iterator[Clash]:
    if pin.strap is None or use.pull is Pull.NONE:
        return
    agrees = pin.strap_pull is use.pull
    if agrees and not use.contact:
        return
    if not (use.outside or use.contact or use.kind in _BUSES):
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
            why=("it would float; fit a resistor of 10000 ohm, or take another pin",),
            resource=pin.name,
        )
    elif (
        use.kind in _READING
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
            why=("it would float; say none and fit a resistor of 10000 ohm, or turn it around",),
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


def _too_high(chip: Chip, pin: ChipPin, use: PinUse, setting: ChipSetting) -> Iterator[Clash]:
    logic = setting.logic or chip.logic
    most = logic or Millivolt(5000)
    if use.kind == "analog":
        wrong = use.volts > most
        why = "the converter ends at the supply, and in analogue mode no pin bears more"
    elif use.kind in {"input", "ir-in", "interrupt", "encoder"}:
        wrong = bears(pin, chip, use.volts, logic) is False
        why = "a level above its supply flows into the chip through its protection"
    else:
        return
    if wrong:
        upper, lower = divider_for(use.volts, most)
        yield Clash(
            rule="level-too-high",
            severity=Severity.ERROR,
            message=f"{use.text} puts {volt_text(use.volts)} on pin {pin.name} of {chip.name}, "
            f"which bears {volt_text(most)}",
            uses=(use,),
            why=(why,),
            resource=pin.name,
            repair=(f"divider-ohm: [{upper}, {lower}]", "shifter: true"),
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


# --- timers and slices ----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _Wave:
    """One use that needs a timer, with the outlets that it may take."""

    use: PinUse
    ways: tuple[ChipFunction, ...]
    frequency: Hertz | None
    owner: bool = False
    """It owns the whole timer."""


def _waveforms(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    if chip.matrix:
        return
    waves = [wave for use in uses if (wave := _wave(chip, use)) is not None]
    for wave in waves:
        clash = _keeps_time(chip, wave)
        if clash is not None:
            yield clash
    if _fit(waves, ()):
        return
    found = False
    for one, two in combinations(waves, 2):
        if _fit((one, two), ()):
            continue
        found = True
        yield _collision(chip, one, two)
    if not found and waves:
        yield Clash(
            rule=_rule(waves[0].ways[0].bus),
            severity=Severity.ERROR,
            message=f"{chip.name} has not enough timers for these outputs together",
            uses=tuple(wave.use for wave in waves),
            why=("each pair fits, all of them do not",),
            resource=chip.name,
        )


def _wave(chip: Chip, use: PinUse) -> _Wave | None:
    pin = None if use.pin is None else chip.find_pin(use.pin)
    own = () if pin is None else pin.functions
    match use.kind:
        case "pwm":
            ways = tuple(one for one in own if one.kind == "pwm" and use.bus in {None, one.bus})
            return _Wave(use=use, ways=ways, frequency=use.frequency) if ways else None
        case "servo" if chip.servo_timer is not None:
            return _Wave(use=use, ways=(_whole(chip.servo_timer),), frequency=None, owner=True)
        case "tone" if chip.tone_timer is not None:
            return _Wave(use=use, ways=(_whole(chip.tone_timer),), frequency=None, owner=True)
        case "servo" | "tone":
            ways = tuple(one for one in own if one.kind == "pwm")
            hz = use.frequency or (_SERVO_HZ if use.kind == "servo" else None)
            return _Wave(use=use, ways=ways, frequency=hz) if ways else None
        case "encoder" if use.bus is not None:
            return _Wave(use=use, ways=(_whole(use.bus),), frequency=None, owner=True)
        case _:
            return None


def _whole(timer: str) -> ChipFunction:
    return ChipFunction(kind="timer", bus=timer, signal="")


def _keeps_time(chip: Chip, wave: _Wave) -> Clash | None:
    hz = wave.frequency
    if wave.owner or hz is None or _CLOCK_HZ[0] <= hz <= _CLOCK_HZ[1]:
        return None
    if not all(one.bus in chip.clock_timers for one in wave.ways):
        return None
    timer = wave.ways[0].bus
    return Clash(
        rule="timer-collision",
        severity=Severity.ERROR,
        message=f"{wave.use.text} wants {timer} of {chip.name} at {hz} Hz, and that timer keeps "
        "the program's time",
        uses=(wave.use,),
        why=("at another frequency every delay and clock of the program is wrong",),
        resource=timer,
    )


def _fit(waves: Sequence[_Wave], taken: tuple[tuple[_Wave, ChipFunction], ...]) -> bool:
    """Return whether every wave finds an outlet that clashes with none before it."""
    if len(taken) == len(waves):
        return True
    wave = waves[len(taken)]
    return any(
        all(_together(wave, way, other, its) for other, its in taken)
        and _fit(waves, (*taken, (wave, way)))
        for way in wave.ways
    )


def _together(one: _Wave, way: ChipFunction, two: _Wave, other: ChipFunction) -> bool:
    if way.bus != other.bus:
        return True
    if one.use.kind == two.use.kind == "encoder":
        return one.use.signal != two.use.signal  # the two sides of one wheel
    if one.owner or two.owner:
        return one.owner and two.owner and one.use.kind == two.use.kind == "servo"
    if way.signal == other.signal:
        return False
    return one.frequency is None or two.frequency is None or one.frequency == two.frequency


def _collision(chip: Chip, one: _Wave, two: _Wave) -> Clash:
    shared = sorted({way.bus for way in one.ways} & {way.bus for way in two.ways})
    timer = shared[0] if shared else one.ways[0].bus
    owner = one if one.owner else two if two.owner else None
    if owner is not None:
        who = {"servo": "the servo library", "tone": "the tone library"}.get(
            owner.use.kind, f"{owner.use.text}, which counts with it,"
        )
        why = f"{who} takes {timer} whole, on whichever pin it comes out"
    elif any(
        way.bus == its.bus and way.signal == its.signal for way in one.ways for its in two.ways
    ):
        why = f"both pins carry the same output of {timer}, so both move as one"
    else:
        why = (
            f"all outputs of {timer} share one frequency: {one.frequency} Hz and "
            f"{two.frequency} Hz are asked"
        )
    return Clash(
        rule=_rule(timer),
        severity=Severity.ERROR,
        message=f"{one.use.text} and {two.use.text} both need {timer} of {chip.name}",
        uses=(one.use, two.use),
        why=(why,),
        resource=timer,
    )


def _rule(timer: str) -> str:
    return "slice-collision" if timer.startswith("slice") else "timer-collision"


# --- instances ------------------------------------------------------------------------------


def _instances(chip: Chip, uses: Sequence[PinUse], setting: ChipSetting) -> Iterator[Clash]:
    """Yield radios that the chip lacks, and a serial port that is its link to the board."""
    for use in uses:
        if use.kind == "radio" and use.bus not in chip.radio:
            yield Clash(
                rule="function-missing",
                severity=Severity.ERROR,
                message=f"{chip.name} has no {use.bus}",
                uses=(use,),
                why=(f"its radio does {' and '.join(chip.radio)}",)
                if chip.radio
                else ("it has no radio",),
                resource=use.bus or "",
                movable=False,
            )
    if setting.link != "usb" or chip.native_usb or chip.host_uart is None:
        return
    apart = [
        use
        for use in uses
        if use.bus == chip.host_uart
        and use.pin is not None
        and not ((pin := chip.find_pin(use.pin)) and pin.host_link)
    ]
    if apart:
        others = {use.bus for use in uses}
        free = [
            name
            for number in range(chip.counts.get("uart", 0))
            if (name := f"uart{number}") not in others
        ]
        yield Clash(
            rule="host-link-taken",
            severity=Severity.ERROR,
            message=f"{' and '.join(use.text for use in apart)} take {chip.host_uart} of "
            f"{chip.name} from its link to the board",
            uses=tuple(apart),
            why=("the USB bridge speaks by it, and new programs come in by it",),
            resource=chip.host_uart,
            movable=False,
            repair=(f"block: {free[0]}",) if free else (),
        )


def _outlets(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    """Yield bus signals that come out at two pins."""
    places: dict[tuple[str, str], list[PinUse]] = defaultdict(list)
    for use in uses:
        if use.kind in _BUSES and use.pin is not None and use.bus and use.signal:
            places[use.bus, use.signal].append(use)
    apart: dict[str, list[str]] = defaultdict(list)
    for (bus, signal), ones in places.items():
        if len({pin.name for one in ones if one.pin and (pin := chip.find_pin(one.pin))}) > 1:
            apart[bus].append(signal)
    for bus, signals in apart.items():
        ones = [use for signal in signals for use in places[bus, signal]]
        pins = sorted({pin.name for one in ones if one.pin and (pin := chip.find_pin(one.pin))})
        yield Clash(
            rule="outlet-collision",
            severity=Severity.ERROR,
            message=f"{' and '.join(sorted(signals))} of {bus} of {chip.name} "
            f"{'is' if len(signals) == 1 else 'are'} wanted at {' and '.join(pins)}",
            uses=tuple(ones),
            why=("a signal comes out at one pin at a time",),
            resource=bus,
        )


def _counts(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    by_count: dict[tuple[str, str], list[PinUse]] = defaultdict(list)
    for use in uses:
        if use.kind in _COUNTED:
            by_count[_COUNTED[use.kind]].append(use)
        if use.kind in _PROGRAMS:
            by_count[_MACHINES, _MACHINE].append(use)
        if use.kind in {"pwm", "servo"} and chip.servo_timer is None:
            by_count["pwm_channels", "channels for pulses"].append(use)
    for (word, meaning), ones in by_count.items():
        limit = chip.counts.get(word)
        count = len({use.bus or use.text for use in ones} if word == "encoders" else ones)
        if limit is not None and count > limit:
            yield _exhausted(chip, ones, f"{count} {meaning}", limit)
    if chip.matrix:
        waves = [use for use in uses if use.kind in {"pwm", "servo"}]
        asked = {use.frequency or (_SERVO_HZ if use.kind == "servo" else None) for use in waves}
        asked.discard(None)
        limit = chip.counts.get("pwm_timers")
        if limit is not None and len(asked) > limit:
            yield _exhausted(chip, waves, f"{len(asked)} frequencies", limit)
    servos = [use for use in uses if use.kind == "servo"]
    if chip.servos_per_timer is not None and len(servos) > chip.servos_per_timer:
        yield _exhausted(chip, servos, f"{len(servos)} servos", chip.servos_per_timer)
    instances: dict[str, dict[str, list[PinUse]]] = defaultdict(lambda: defaultdict(list))
    for use in uses:
        if use.kind in _BUSES and use.bus is not None:
            instances[use.kind][use.bus].append(use)
    for kind, named in instances.items():
        limit = chip.counts.get(kind)
        if limit is not None and len(named) > limit:
            ones = [use for each in named.values() for use in each]
            yield _exhausted(chip, ones, f"{len(named)} {kind} instances", limit)


def _programs(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    """Yield programs of state machines that find no room in the instruction memories."""
    pio = chip.pio
    if pio is None:
        return
    asked = {
        (use.kind, use.bus if use.kind == "encoder" else use.text): use
        for use in uses
        if use.kind in pio.programs
    }
    wanted = sorted(pio.programs[kind] + (kind,) for kind, _ in asked)
    machines = sum(one[0] for one in wanted)
    if machines > pio.blocks * pio.machines and len(asked) <= chip.counts.get(_MACHINES, 0):
        yield _exhausted(chip, asked.values(), f"{machines} {_MACHINE}", pio.blocks * pio.machines)
    elif machines <= pio.blocks * pio.machines and not _placed(tuple(wanted), pio):
        yield Clash(
            rule="chip-exhausted",
            severity=Severity.ERROR,
            message=f"{chip.name} has not enough memory for "
            f"{' and '.join(sorted({kind for kind, _ in asked}))} beside one another",
            uses=tuple(asked.values()),
            why=(
                f"each of its {pio.blocks} blocks holds {pio.words} instructions and runs "
                f"{pio.machines} programs; "
                + ", ".join(f"{kind} takes {words}" for _, words, kind in sorted(set(wanted))),
            ),
            resource=chip.name,
            movable=False,
        )


def _placed(wanted: tuple[tuple[int, int, str], ...], pio: ChipPio) -> bool:
    """
    Return whether all programs fit: machines add up in a block, equal programs share their words.

    *wanted*: machines, words and kind of each.
    """
    empty: tuple[int, frozenset[str]] = (0, frozenset())
    states = {(empty,) * pio.blocks}
    for machines, _, kind in wanted:
        after = set()
        for state in states:
            for at, (used, kinds) in enumerate(state):
                loaded = kinds | {kind}
                words = sum(pio.programs[one][1] for one in loaded)
                if used + machines <= pio.machines and words <= pio.words:
                    rest = (*state[:at], (used + machines, loaded), *state[at + 1 :])
                    after.add(tuple(sorted(rest, key=lambda one: (one[0], sorted(one[1])))))
        states = after
    return bool(states)


def _exhausted(chip: Chip, uses: Iterable[PinUse], asked: str, limit: int) -> Clash:
    return Clash(
        rule="chip-exhausted",
        severity=Severity.ERROR,
        message=f"{asked} are asked of {chip.name}, which has {limit}",
        uses=tuple(uses),
        why=("free pins do not add to what is inside the chip",),
        resource=chip.name,
        movable=False,
    )


# --- the robot's controllers ----------------------------------------------------------------

_KINDS: Mapping[Function, str] = {
    Function.INPUT: "input",
    Function.OUTPUT: "output",
    Function.PWM: "pwm",
    Function.SERVO: "servo",
    Function.CLOCK: "clock",
    Function.LED_STRING: "led-string",
    Function.IR_IN: "ir-in",
    Function.IR_OUT: "ir-out",
    Function.ANALOG: "analog",
}
_SOUNDS = frozenset({"buzzer", "speaker"})
_FOUND_BY_ASSIGNMENT = frozenset({"line-missing", "pin-collision"})
"""Rules that the assignment engine has told already."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Companion:
    """A controller with its uses."""

    name: ControllerName
    controller: Controller
    chip: Chip
    uses: tuple[PinUse, ...] = field(default=())


def check_controllers(wiring: Wiring) -> Iterator[Finding]:
    """Return what the controllers of a robot cannot do, and what their links bring along."""
    for name, controller, chip in wiring.controllers():
        if chip is not None:
            uses = (*_uses(wiring, name, chip), *_inhibit(controller, chip))
            one = _Companion(name=name, controller=controller, chip=chip, uses=uses)
            yield from _program(wiring, one)
            yield from _port(wiring, one)
            yield from _switch_nowhere(one)
        yield from _named(name, controller, chip)
    yield from _alike(wiring)
    yield from _touched(wiring)


def _uses(wiring: Wiring, name: ControllerName, chip: Chip) -> Iterator[PinUse]:
    for one in wiring.on_controller(name):
        claim = one.claim
        if one.assignment is None:
            continue
        if isinstance(claim, SignalClaim) and one.assignment.lines:
            yield _use(one, claim, str(one.assignment.lines[0].line))
        elif isinstance(claim, BlockClaim) and one.assignment.bus is not None:
            yield from _of_block(one, claim, one.assignment, chip)


def _use(one: Wired, claim: SignalClaim, pin: str) -> PinUse:
    kind = _KINDS[claim.function]
    if claim.function is Function.PWM and claim.drives in _SOUNDS:
        kind = "tone"
    return PinUse(
        text=one.text,
        kind=kind,
        pin=pin,
        frequency=claim.frequency,
        pull=claim.pull,
        contact=kind == "input" and contact(claim),
        volts=arriving(claim) or Millivolt(0),
        active=claim.active,
        loaded=claim.drives == "led" or (claim.current or 0) > 1,
        place=one.place,
        instance=one.instance,
        wired=one,
    )


def _of_block(
    one: Wired, claim: BlockClaim, assignment: Assignment, chip: Chip
) -> Iterator[PinUse]:
    """Yield the pins of a companion's block, or the block alone where it has none."""
    block = str(assignment.bus)
    use = PinUse(
        text=one.text,
        kind=_block_kind(chip, block),
        bus=block,
        volts=claim.volts,
        place=one.place,
        instance=one.instance,
        wired=one,
    )
    if not assignment.lines:
        yield use
    for line in assignment.lines:
        yield replace(
            use,
            text=f"{line.signal} of {one.text}",
            pin=str(line.line),
            signal=line.signal,
            pull=Pull.NONE if claim.pull_up_ohm is None else Pull.UP,
            outside=claim.pull_up_ohm is not None,
        )


def _block_kind(chip: Chip, block: str) -> str:
    """
    Return what *block* is on *chip*: its functions say so, else its name without the number.

    A timer that is claimed as a block counts the steps of a wheel.
    """
    own = {one.kind for pin in chip.pins.values() for one in pin.functions if one.bus == block}
    if own:
        kind = min(own)
        return "encoder" if kind == "pwm" else kind
    word = block.rstrip("0123456789")
    return "radio" if word in {"wifi", "bluetooth"} else word


def _inhibit(controller: Controller, chip: Chip) -> Iterator[PinUse]:
    switch = controller.inhibit
    if switch is not None and chip.find_pin(switch.pin) is not None:
        yield PinUse(
            text="the inhibit switch",
            kind="input",
            pin=switch.pin,
            pull=Pull.UP if switch.active == "low" else Pull.DOWN,
            contact=True,
            place=Place(origin=switch.origin, label=f"inhibit of {controller.name}"),
        )


def _switch_nowhere(one: _Companion) -> Iterator[Finding]:
    """Yield where the switch that is to stop things hangs on a pin that the chip has not."""
    switch, chip = one.controller.inhibit, one.chip
    if switch is None or chip.find_pin(switch.pin) is not None:
        return
    free = [pin for pin in chip.pins.values() if pin.input and pin.reserved is None]
    taken = {chip.find_pin(use.pin) for use in one.uses if use.pin is not None}
    plain = sorted((pin for pin in free if pin not in taken), key=_awkward)
    yield finding(
        "line-missing",
        Severity.ERROR,
        f"{one.name}: {chip.name} has no pin {switch.pin}, where its inhibit switch is",
        places=[Place(origin=switch.origin, label=f"inhibit of {one.name}")],
        why=f"its pins: {', '.join(pin.name for pin in free)}",
        repair=[
            f"controllers: {{{one.name}: {{inhibit: {{pin: {pin.name}}}}}}}" for pin in plain[:1]
        ],
        resource=f"{one.name} pin {switch.pin}",
    )


def _program(wiring: Wiring, one: _Companion) -> Iterator[Finding]:
    setting = ChipSetting(
        logic=logic_of(wiring, one.controller, one.chip),
        link=_kind_of_link(one.controller),
        octal=one.controller.octal_memory,
    )
    for clash in clashes(one.chip, one.uses, setting):
        if clash.rule in _FOUND_BY_ASSIGNMENT:
            continue
        yield finding(
            clash.rule,
            clash.severity,
            clash.message.replace(f"of {one.chip.name}", f"of {one.name}"),
            places=[use.place for use in clash.uses if use.place is not None]
            or [_place(one.name, one.controller)],
            why=[*clash.why, f"the chip of {one.name} is {one.chip.name}"],
            repair=_moves(one, clash, setting),
            plugins=[use.instance for use in clash.uses if use.instance is not None],
            resource=f"{one.name} {clash.resource}".strip(),
        )


def _kind_of_link(controller: Controller) -> str | None:
    link = controller.link or ""
    if link == "usb":
        return link
    return "uart" if link.lower().startswith(("uart", "serial")) else None


def _moves(one: _Companion, clash: Clash, setting: ChipSetting) -> list[str]:
    """Return another pin for one of the claims of *clash*, or what to leave out."""
    named = [use for use in clash.uses if use.instance is not None]
    if clash.movable:
        for use in reversed(named):
            others = tuple(each for each in one.uses if each is not use)
            before = len(clashes(one.chip, others, setting))
            for pin in sorted(one.chip.pins.values(), key=_awkward):
                if any(each.pin and one.chip.find_pin(each.pin) is pin for each in one.uses):
                    continue
                moved = replace(use, pin=pin.name)
                if len(clashes(one.chip, (*others, moved), setting)) == before:
                    return [_move(one, use, pin), *_keys(clash)]
    switch = one.controller.inhibit
    turned = next((keys for keys in clash.repair if "active: low" in keys), None)
    if not named and switch is not None and turned is not None:
        return [f"controllers: {{{one.name}: {{inhibit: {{active: low}}}}}}"]
    if clash.repair:
        return _keys(clash)
    if not named and switch is not None:
        return [f"controllers: {{{one.name}: {{inhibit: {{pin: …}}}}}}   another pin"]
    return [f"robokit-plan disable {use.instance}" for use in named[-1:]]


def _move(one: _Companion, use: PinUse, pin: ChipPin) -> str:
    """Return what to type so that *use* sits on *pin*."""
    if use.wired is None or not isinstance(use.wired.claim, BlockClaim):
        return f"wiring: {{{use.text}: {{pin: {pin.name}}}}}"
    pins = {
        str(each.signal): pin.name if each is use else str(each.pin)
        for each in one.uses
        if each.wired is use.wired
    }
    return use.wired.typed(
        f"pins: {{{', '.join(f'{signal}: {at}' for signal, at in pins.items())}}}"
    )


def _awkward(pin: ChipPin) -> bool:
    """Return whether a pin is better left for those who ask for it."""
    words = (pin.strap, pin.debug, pin.module_use, pin.reserved_if, pin.moves_at_boot, pin.header)
    return any(words) or pin.host_link or pin.max_current is not None


def _keys(clash: Clash) -> list[str]:
    """Return the further ways out of *clash* as somebody types them."""
    claims = [use.wired for use in clash.uses if use.wired is not None]
    return [claims[0].typed(keys) for keys in clash.repair] if claims else []


def _place(name: ControllerName, controller: Controller) -> Place:
    return Place(origin=controller.origin, label=f"controller {name}")


def _port(wiring: Wiring, one: _Companion) -> Iterator[Finding]:
    """Yield where opening the port resets a companion that moves something."""
    if one.controller.link != "usb" or not one.chip.reset_on_open:
        return
    driving = [use for use in one.uses if use.kind in _DRIVING]
    if not driving:
        return
    moving = {
        each.text
        for each in wiring.on_controller(one.name)
        if getattr(each.claim, "hazard", Hazard.NONE) is not Hazard.NONE
    }
    yield finding(
        "port-reset",
        Severity.NOTE,
        f"{one.name} starts anew whenever its port is opened",
        places=[
            _place(one.name, one.controller),
            *(use.place for use in driving if use.place is not None and use.text in moving),
        ],
        why=[
            "its pins float for about a second and its first commands are lost",
            "what hangs on them needs a safe state in hardware, and the program waits",
        ],
        repair="open the port once and keep it open; a capacitor of 10 uF at its reset pin also "
        "holds it",
        plugins=[use.instance for use in driving if use.instance is not None],
        resource=one.name,
    )


def _named(name: ControllerName, controller: Controller, chip: Chip | None) -> Iterator[Finding]:
    if controller.link != "usb":
        return
    usual = () if chip is None else chip.usb_ids
    boot = () if chip is None else chip.usb_boot_ids
    if controller.usb_id is None:
        yield finding(
            "link-unnamed",
            Severity.WARNING,
            f"nothing tells {name} from other serial devices on USB",
            places=[_place(name, controller)],
            why="device numbers change with the order of plugging in; the path by id does not",
            repair=f'controllers: {{{name}: {{usb-id: "{usual[0] if usual else "2e8a:000a"}"}}}}   '
            "as lsusb shows it",
            resource=name,
        )
    elif controller.usb_id.casefold() in {one.casefold() for one in boot} - {
        one.casefold() for one in usual
    }:
        yield finding(
            "usb-id-wrong",
            Severity.WARNING,
            f"{controller.usb_id} is {name} in its boot loader, not with its program running",
            places=[_place(name, controller)],
            why="the number changes between the two",
            repair=f'controllers: {{{name}: {{usb-id: "{usual[0]}"}}}}'
            if usual
            else "lsusb   while its program runs",
            resource=name,
        )


def _touched(wiring: Wiring) -> Iterator[Finding]:
    """Yield companions whose port is opened at the rate that means: enter the boot loader."""
    for name, controller, chip in wiring.controllers():
        if chip is None or not chip.touch_1200 or controller.link != "usb":
            continue
        if controller.baud == _TOUCH_BAUD:
            yield finding(
                "boot-loader-entered",
                Severity.ERROR,
                f"the board opens {name} at {_TOUCH_BAUD} baud, which puts it into its boot loader",
                places=[_place(name, controller)],
                why="its program stops, and it comes back as another device",
                repair=f"controllers: {{{name}: {{baud: 115200}}}}",
                resource=name,
            )


def _alike(wiring: Wiring) -> Iterator[Finding]:
    """Yield companions that their USB numbers do not tell apart."""
    groups: dict[str, list[tuple[ControllerName, Controller]]] = defaultdict(list)
    for name, controller, _ in wiring.controllers():
        if controller.link == "usb" and controller.usb_id is not None:
            groups[controller.usb_id.casefold()].append((name, controller))
    for usb_id, ones in sorted(groups.items()):
        nameless = [name for name, one in ones if one.usb_serial is None]
        if len(ones) < 2 or not nameless:
            continue
        names = [str(name) for name, _ in ones]
        yield finding(
            "link-ambiguous",
            Severity.ERROR,
            f"{' and '.join(names)} have one USB number, {usb_id}, and not all a serial number",
            places=[_place(name, one) for name, one in ones],
            why="commands for one may reach the other",
            repair=[f'controllers: {{{name}: {{usb-serial: "…"}}}}' for name in nameless]
            + ["udevadm info /dev/ttyACM0   shows it; clones without one need the path by port"],
            resource=usb_id,
        )
