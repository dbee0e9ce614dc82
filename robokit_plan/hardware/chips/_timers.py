"""Timers and slices of a companion's chip: who can make pulses beside whom."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

from robokit_plan.model import Chip, ChipFunction, Hertz, Severity, dataclass, frequency_text

from ._uses import SERVO_HZ, Clash, PinUse

_CLOCK_HZ = (930, 1025)
"""Frequency that a timer which keeps time makes by itself: 16 MHz / 64 / 256, within 5 percent."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Wave:
    """One use that needs a timer, with the outlets that it may take."""

    use: PinUse
    ways: tuple[ChipFunction, ...]
    frequency: Hertz | None
    owner: bool = False
    """It owns the whole timer."""


def check_waveforms(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
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
            hz = use.frequency or (SERVO_HZ if use.kind == "servo" else None)
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
        message=f"{wave.use.text} wants {timer} of {chip.name} at {frequency_text(hz)}, and that "
        "timer keeps the program's time",
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
            f"all outputs of {timer} share one frequency: {frequency_text(one.frequency or 0)} and "
            f"{frequency_text(two.frequency or 0)} are asked"
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
