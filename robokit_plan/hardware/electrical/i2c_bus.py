"""I2C buses as circuits: pull-ups in parallel, speed, parts that stretch the clock."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from robokit_plan.model import (
    Board,
    BootEnable,
    BusName,
    ConfigLine,
    Finding,
    I2cClaim,
    I2cFacts,
    I2cMode,
    LineName,
    Millivolt,
    Ohm,
    Part,
    Severity,
    current_text,
    dataclass,
    find_part,
    finding,
    listed,
    ohm_text,
)

from .circuit import Wired, Wiring
from .levels import level_of

USUAL_KHZ = 100
"""At what the kernel runs a bus that nobody sets otherwise (device trees of the boards)."""
_RISE = 8473
"""ln(0.7 / 0.3) = 0.8473: rise from 0.3 to 0.7 of the supply (UM10204 section 7.1)."""
_LEAD_MM = 200
"""Wire per device where nobody says more: short leads (an assumption)."""
_PATIENT_KHZ = 10
"""At this clock the pauses of such parts fit into one period (ADAFRUIT_TROUBLE: lower the baud)."""
_BCM = frozenset({"bcm283x", "bcm2711"})
"""Families whose I2C controller bears clock stretching badly (ADAFRUIT_TROUBLE, HAT_GUIDE)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Bus:
    """One bus segment with the devices on it."""

    name: BusName
    line: LineName
    devices: tuple[tuple[Wired, I2cClaim], ...]
    soldered: Ohm | None

    @property
    def pull_ups(self) -> tuple[Ohm, ...]:
        """Return every pull-up that is known, the board's own first."""
        own = () if self.soldered is None else (self.soldered,)
        return own + tuple(
            claim.pull_up_ohm for _, claim in self.devices if claim.pull_up_ohm is not None
        )


def parallel(resistors: tuple[Ohm, ...]) -> Ohm:
    """
    Return the resistance of *resistors* side by side, ohm, rounded down, but never to nothing.

    Source:
        1/R = sum(1/R_i); facts/i2c.yaml pullup
    """
    from fractions import Fraction

    return Ohm(max(1, int(1 / sum(Fraction(1, one) for one in resistors))))


def least_pull_up(supply: Millivolt, mode: I2cMode) -> Ohm | None:
    """
    Return the least pull-up that a device can still pull low, ohm, rounded up.

    Source:
        UM10204 section 7.1, R_min = (VDD - VOL) / IOL
    """
    if mode.sink is None or mode.low_max is None:
        return None
    return Ohm(-(-(supply - mode.low_max) // mode.sink))


def greatest_pull_up(capacitance_pf: int, mode: I2cMode) -> Ohm | None:
    """
    Return the greatest pull-up that lifts the bus in time, ohm, rounded down.

    Source:
        UM10204 section 7.1, R_max = t_r / (0.8473 C_b)
    """
    if mode.rise_ns is None:
        return None
    return Ohm(mode.rise_ns * 1000 * 10_000 // (_RISE * capacitance_pf))


def greatest_capacitance(pull_up: Ohm, mode: I2cMode) -> int | None:
    """Return the capacitance that *pull_up* still lifts in time, pF, within the mode's limit."""
    if mode.rise_ns is None:
        return None
    by_rise = mode.rise_ns * 1000 * 10_000 // (_RISE * pull_up)
    return by_rise if mode.capacitance_pf is None else min(by_rise, mode.capacitance_pf)


def mode_for(facts: I2cFacts, khz: int) -> I2cMode:
    """Return the slowest mode that allows *khz*."""
    return next((one for one in facts.modes if khz <= one.khz), facts.modes[-1])


def capacitance(facts: I2cFacts, devices: int, length_mm: int | None = None) -> int:
    """Return an estimate for a bus, pF: pins of the board and all devices, and the wire."""
    wire = devices * _LEAD_MM if length_mm is None else length_mm
    return facts.device_pf * (devices + 1) + -(-facts.cable_pf_per_metre * wire // 1000)


def slowest_khz(wired: tuple[tuple[I2cClaim, Part | None], ...]) -> int | None:
    """Return the lowest limit among devices and their parts, kHz; None: nobody has one."""
    limits = [
        one
        for claim, part in wired
        for one in (claim.max_khz, None if part is None else part.max_khz)
        if one is not None
    ]
    return min(limits) if limits else None


def bus_speeds(board: Board, image: str, config: Iterable[ConfigLine]) -> dict[BusName, int]:
    """
    Return the clock in kHz of each I2C bus that a given boot file sets; the last word counts.

    Filters of the file are not followed: a line under one may hold.
    """
    vocabulary = board.boot.get(image)
    config = tuple(config)
    found: dict[BusName, int] = {}
    for way in () if vocabulary is None else vocabulary.enables:
        for line in config:
            hertz = _hertz(way, line)
            if hertz is not None:
                found[BusName(way.bus)] = hertz // 1000
    return found


def _hertz(way: BootEnable, line: ConfigLine) -> int | None:
    value: str | None = None
    if way.slow is not None:
        name = way.slow.text.partition("=")[0]
        value = line.value if (line.kind, line.name) == (way.slow.kind, name) else None
    elif way.slow_suffix is not None and way.words:
        overlay = way.words[0].text.partition(",")[0]
        name = way.slow_suffix.strip(",").partition("=")[0]
        if (line.kind, line.name) == (way.words[0].kind, overlay):
            value = dict(line.params).get(name)
    return int(value) if value is not None and re.fullmatch("[0-9]{1,9}", value) else None


def check_i2c(wiring: Wiring) -> Iterator[Finding]:
    """Return what is wrong with the I2C buses as circuits."""
    for bus in buses(wiring):
        khz = _speed(wiring, bus)
        yield from _pull_ups(wiring, bus, khz)
        yield from _slowest(wiring, bus, khz)
        yield from _stretching(wiring, bus)


def buses(wiring: Wiring) -> tuple[Bus, ...]:
    """Return every bus in use; a device behind a multiplexer sits on a segment of its own."""
    found: dict[BusName, list[tuple[Wired, I2cClaim]]] = {}
    lines: dict[BusName, LineName] = {}
    for one in wiring.on_board():
        made, claim = one.assignment, one.claim
        if not isinstance(claim, I2cClaim) or made is None or made.bus is None:
            continue
        if claim.behind is not None:
            continue
        found.setdefault(made.bus, []).append((one, claim))
        for use in made.lines:
            if use.signal == "sda":
                lines[made.bus] = use.line
    result = []
    for name in sorted(found):
        if name not in lines:
            continue
        line = wiring.board.lines.get(lines[name])
        result.append(
            Bus(
                name=name,
                line=lines[name],
                devices=tuple(found[name]),
                soldered=None if line is None else line.external_pull_up,
            )
        )
    return tuple(result)


def _speed(wiring: Wiring, bus: Bus) -> int:
    """Return the clock in kHz: what the robot sets, else the usual, or slower for a device."""
    if bus.name in wiring.problem.speeds:
        return wiring.problem.speeds[bus.name]
    declared = [claim.max_khz for _, claim in bus.devices if claim.max_khz is not None]
    return min([USUAL_KHZ, *declared])


def _pull_ups(wiring: Wiring, bus: Bus, khz: int) -> Iterator[Finding]:
    facts = wiring.problem.i2c
    mode = mode_for(facts, khz)
    supply = level_of(wiring, bus.line).logic
    places = [one.place for one, _ in bus.devices]
    plugins = [one.instance for one, _ in bus.devices]
    if not bus.pull_ups:
        first = bus.devices[0][0]
        yield finding(
            "pull-up-missing",
            Severity.WARNING,
            f"nobody declares a pull-up on {bus.name}, and the board has none there",
            places=places,
            why="without one the lines never rise and no device answers; most modules carry some",
            repair=[
                first.typed("pull-up-ohm: 10000", "once you have seen them on the module"),
                first.typed("pull-up-ohm: 4700", "with one fitted from each line to 3.3 V"),
            ],
            plugins=plugins,
            resource=bus.name,
        )
        return
    total = parallel(bus.pull_ups)
    least = None if supply is None else least_pull_up(supply, mode)
    greatest = greatest_pull_up(capacitance(facts, len(bus.devices)), mode)
    if least is not None and total < least and supply is not None:
        sink = -(-supply // total)
        strongest = min(
            (pair for pair in bus.devices if pair[1].pull_up_ohm is not None),
            key=lambda pair: (pair[1].pull_up_ohm or 0, pair[0].text),
            default=None,
        )
        yield finding(
            "pull-up-strong",
            Severity.WARNING,
            f"the pull-ups on {bus.name} make {ohm_text(total)} together, {ohm_text(least)} is the "
            f"least at {khz} kHz",
            places=places,
            why=f"{listed(map(ohm_text, sorted(bus.pull_ups)))} side by side: a "
            f"device would have to sink {current_text(sink)}, the standard asks for "
            f"{current_text(mode.sink or 0)} (UM10204 section 7.1)",
            repair=[
                f"remove the pull-ups of {strongest[0].text} from its module, and pull-up-ohm from "
                "its claim"
            ]
            if strongest is not None
            else [],
            plugins=plugins,
            resource=bus.name,
        )
    if greatest is not None and total > greatest:
        yield finding(
            "pull-up-weak",
            Severity.WARNING,
            f"the pull-ups on {bus.name} make {ohm_text(total)}, {ohm_text(greatest)} is the most "
            f"at {khz} kHz",
            places=places,
            why=f"some {capacitance(facts, len(bus.devices))} pF (10 pF a pin, short leads) must "
            f"rise within {mode.rise_ns} ns (UM10204 section 7.1)",
            repair=[
                bus.devices[0][0].typed(
                    "pull-up-ohm: 4700", "with one fitted from each line to 3.3 V"
                ),
            ],
            plugins=plugins,
            resource=bus.name,
        )


def _slowest(wiring: Wiring, bus: Bus, khz: int) -> Iterator[Finding]:
    known = tuple(
        (one, claim, _part(wiring, claim), _limit(claim, _part(wiring, claim)))
        for one, claim in bus.devices
    )
    limited = [(limit, one) for one, _, _, limit in known if limit is not None]
    if not limited:
        return
    slowest, who = min(limited, key=lambda pair: (pair[0], pair[1].text))
    if khz > slowest:
        yield finding(
            "i2c-speed",
            Severity.ERROR,
            f"{bus.name} runs at {khz} kHz, {who.text} bears {slowest} kHz",
            places=[one.place for one, _ in bus.devices],
            why="every device on the bus hears every clock",
            repair=[
                who.typed(f"max-khz: {slowest}", "which slows the bus"),
                f"wiring: {{{who.text}: {{bus: …}}}}   on a bus of its own",
            ],
            plugins=[one.instance for one, _ in bus.devices],
            resource=bus.name,
        )
    elif slowest < USUAL_KHZ and len(bus.devices) > 1:
        yield finding(
            "i2c-speed",
            Severity.NOTE,
            f"{bus.name} runs at {khz} kHz for all of its devices, since {who.text} bears no more",
            places=[who.place],
            why="every device on the bus hears every clock",
            repair=f"wiring: {{{who.text}: {{bus: …}}}}   on a bus of its own",
            plugins=[who.instance],
            resource=bus.name,
        )


def _part(wiring: Wiring, claim: I2cClaim) -> Part | None:
    return None if claim.part is None else find_part(wiring.problem.parts, claim.part)


def _limit(claim: I2cClaim, part: Part | None) -> int | None:
    return slowest_khz(((claim, part),))


def _stretching(wiring: Wiring, bus: Bus) -> Iterator[Finding]:
    if wiring.board.family.name not in _BCM or _speed(wiring, bus) <= _PATIENT_KHZ:
        return
    for one, claim in bus.devices:
        part = _part(wiring, claim)
        if part is None or not part.clock_stretching:
            continue
        yield finding(
            "clock-stretching",
            Severity.WARNING,
            f"{one.text} stretches the clock, which the I2C controller of this board bears badly",
            places=[one.place],
            why=f"{part.name} holds the clock low while it thinks; the controller then cuts bits "
            "short and reads wrong values",
            repair=[
                one.typed("max-khz: 10", "so that its pauses fit into one clock"),
                f"variant: {{{one.instance}: …}}   another part, or the same part by uart",
            ],
            plugins=[one.instance],
            resource=bus.name,
        )
