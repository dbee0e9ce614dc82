"""What flows through single lines and single wires."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import (
    Finding,
    Function,
    Milliamp,
    Millivolt,
    Ohm,
    PowerClaim,
    Severity,
    SignalClaim,
    SupplyName,
    WireSize,
    current_text,
    dataclass,
    drop_text,
    finding,
    ohm_text,
    volt_text,
)

from .circuit import Wired, Wiring
from .power import Budget

OUTPUTS = frozenset(
    {
        Function.OUTPUT,
        Function.PWM,
        Function.SERVO,
        Function.CLOCK,
        Function.LED_STRING,
        Function.IR_OUT,
    }
)
"""Functions whose line drives the other side."""

_STAGE = {"motor": "motor-driver", "relay-coil": "relay-module"}
"""Loads that are never driven directly -> the word for the stage that belongs between."""
_SWITCHED = frozenset({"solenoid", "heater", "laser", "speaker"})
"""Loads without such a word: a small declared current says that a stage is there."""
_INDUCTIVE = frozenset({"motor", "relay-coil", "solenoid"})
_LED_FORWARD = Millivolt(2000)
"""A red LED (from memory)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Limits:
    """What one pin may carry, and who says so."""

    most: Milliamp | None
    assumed: bool
    design: Milliamp | None
    of: str


def series_ohm(high: Millivolt, forward: Millivolt, current: int) -> Ohm:
    """
    Return the least resistor that keeps a LED at *current* mA, rounded up.

    Source:
        facts/electrical.yaml check pin_current, I = (VOH - Vf) / R
    """
    return Ohm(-(-(high - forward) // current))


def led_current(high: Millivolt, forward: Millivolt, resistor: Ohm) -> int:
    """Return the current of a LED behind *resistor*, microampere, rounded up."""
    return -(-(high - forward) * 1000 // resistor)


def wire_drop(size: WireSize, current: int, copper_nano_ohm_metre: int) -> int:
    """
    Return what is lost along a wire and its return at *current* mA, mV, rounded up.

    Args:
        size: One conductor, one way.
        current: mA.
        copper_nano_ohm_metre: 17240 stands for 0.01724 ohm mm2/m.

    Source:
        U = 2 I rho l / A; IEC 60028 for copper (from memory)
    """
    over = 2 * current * copper_nano_ohm_metre * size.length_mm
    return -(-over // (10_000_000 * size.hundredth_mm2))


def check_currents(wiring: Wiring, rails: tuple[Budget, ...]) -> Iterator[Finding]:
    """Return what single lines and wires cannot carry."""
    yield from _board_lines(wiring)
    yield from _controller_pins(wiring)
    yield from _wires(wiring, rails)


def _signals(ones: Iterator[Wired]) -> Iterator[tuple[Wired, SignalClaim]]:
    for one in ones:
        if isinstance(one.claim, SignalClaim) and one.claim.function in OUTPUTS:
            yield one, one.claim


def _board_lines(wiring: Wiring) -> Iterator[Finding]:
    family = wiring.board.family
    total: list[tuple[Wired, int]] = []
    for one, claim in _signals(wiring.on_board()):
        if one.assignment is None or not one.assignment.lines:
            continue
        line = one.assignment.lines[0].line
        known = wiring.board.lines.get(line)
        own = None if known is None else known.max_current
        limits = _Limits(
            most=own or family.pin_limit or family.pin_limit_assumed,
            assumed=own is None and family.pin_limit is None,
            design=family.pin_design,
            of=wiring.at(line),
        )
        yield from _pin(one, claim, limits, Millivolt(3300), line)
        if claim.current is not None:
            total.append((one, claim.current))
    yield from _total(wiring, total)


def _total(wiring: Wiring, users: list[tuple[Wired, int]]) -> Iterator[Finding]:
    limit, together = wiring.board.family.total_limit, sum(current for _, current in users)
    if limit is None or together <= limit:
        return
    most = max(users, key=lambda one: (one[1], one[0].text))[0]
    yield finding(
        "gpio-total-overload",
        Severity.ERROR,
        f"the board's lines give {current_text(together)} together, "
        f"{current_text(limit)} is what they may",
        places=[one.place for one, _ in users],
        why=" + ".join(f"{one.text} {current}" for one, current in users) + " mA",
        repair=[
            most.typed("drives: motor-driver, current-ma: 1", "with a driver fitted"),
            f"robokit-plan disable {most.instance}",
        ],
        plugins=[one.instance for one, _ in users],
        resource="gpio",
    )


def _controller_pins(wiring: Wiring) -> Iterator[Finding]:
    for name, controller, chip in wiring.controllers():
        if chip is None:
            continue
        total: list[tuple[Wired, int]] = []
        for one, claim in _signals(wiring.on_controller(name)):
            if one.assignment is None or not one.assignment.lines:
                continue
            pin_name = str(one.assignment.lines[0].line)
            pin = chip.find_pin(pin_name)
            own = None if pin is None else pin.max_current
            limits = _Limits(
                most=own or chip.pin_limit or chip.pin_absolute,
                assumed=False,
                design=None,
                of=f"{name} pin {pin_name}",
            )
            level = controller.volts or chip.logic or Millivolt(3300)
            yield from _pin(one, claim, limits, level, pin_name)
            if claim.current is not None:
                total.append((one, claim.current))
        together = sum(current for _, current in total)
        if chip.total_limit is not None and together > chip.total_limit:
            yield finding(
                "gpio-total-overload",
                Severity.ERROR,
                f"the pins of {name} give {current_text(together)} together, "
                f"{current_text(chip.total_limit)} is what {chip.name} may",
                places=[one.place for one, _ in total],
                why=" + ".join(f"{one.text} {current}" for one, current in total) + " mA",
                repair=[f"robokit-plan disable {one.instance}" for one, _ in total[:1]],
                plugins=[one.instance for one, _ in total],
                resource=name,
            )


def _pin(
    one: Wired, claim: SignalClaim, limits: _Limits, level: Millivolt, line: str
) -> Iterator[Finding]:
    direct = _direct(claim, limits.most)
    if direct is not None:
        yield _direct_load(one, direct, limits, line)
        return
    current = claim.current
    if current is None or limits.most is None:
        return
    most = limits.design or limits.most
    least = ohm_text(series_ohm(level, _LED_FORWARD, most))
    resistor = (
        [
            one.typed(
                f"current-ma: {most}", f"with a series resistor of at least {least} (a red LED)"
            )
        ]
        if claim.drives == "led"
        else []
    )
    stage = [one.typed(f"current-ma: {limits.design or 1}", "with a transistor stage fitted")]
    if current > limits.most:
        yield finding(
            "line-overload",
            Severity.WARNING if limits.assumed else Severity.ERROR,
            f"{one.text} draws {current_text(current)} from {limits.of}, which bears "
            f"{current_text(limits.most)}",
            places=[one.place],
            why="no figure is published for this SoC; this is a cautious choice"
            if limits.assumed
            else "a pin has no current limiter; above its rating levels sag, then it dies",
            repair=resistor or stage,
            plugins=[one.instance],
            resource=line,
        )
    elif limits.design is not None and current > limits.design:
        yield finding(
            "line-overload",
            Severity.WARNING,
            f"{one.text} draws {current_text(current)} from {limits.of}, above the "
            f"{current_text(limits.design)} that the board was made for",
            places=[one.place],
            why=f"it bears {current_text(limits.most)} alone, but the 3.3 V supply was dimensioned "
            f"for {current_text(limits.design)} on every line",
            repair=resistor or stage,
            plugins=[one.instance],
            resource=line,
        )


def _direct(claim: SignalClaim, most: Milliamp | None) -> str | None:
    """Return the load that hangs on the pin itself, None where a stage lies between."""
    drives = claim.drives
    if drives in _STAGE:
        return drives
    if drives in _SWITCHED and (
        claim.current is None or (most is not None and claim.current > most)
    ):
        return drives
    return None


def _direct_load(one: Wired, load: str, limits: _Limits, line: str) -> Finding:
    stage = _STAGE.get(load)
    return finding(
        "direct-load",
        Severity.ERROR,
        f"{one.text} drives a {load.replace('-', ' ')} from {limits.of} directly",
        places=[one.place],
        why=[
            "it draws more than a pin may give"
            + ("" if limits.most is None else f" ({current_text(limits.most)})"),
            *(
                ["its coil answers the switch-off with a pulse of many volts"]
                if load in _INDUCTIVE
                else []
            ),
        ],
        repair=one.typed(
            f"drives: {stage or load}, current-ma: 2",
            "with a driver and a flyback diode fitted"
            if load in _INDUCTIVE
            else "with a transistor stage fitted",
        ),
        plugins=[one.instance],
        resource=line,
    )


def _wires(wiring: Wiring, rails: tuple[Budget, ...]) -> Iterator[Finding]:
    facts = wiring.problem.electrical
    volts = {rail.name: rail.rail.volts for rail in rails}
    drawn = {
        (draw.load.instance, draw.load.claim): draw.peak or None
        for rail in rails
        for draw in rail.draws
    }
    for one in wiring.wired:
        claim = one.claim
        if not isinstance(claim, PowerClaim | SignalClaim) or claim.wire is None:
            continue
        if claim.supply is None:
            continue
        name = wiring.supply_name(claim.supply)
        level = volts.get(name)
        whole = drawn.get((one.instance, str(claim.key.name)))
        # Each of several loads of one claim has a wire of its own.
        count = claim.count if isinstance(claim, PowerClaim) else 1
        current = None if whole is None else -(-whole // count)
        if level is None or current is None:
            continue
        yield from _bearing(wiring, one, claim.wire, current, name)
        drop = wire_drop(claim.wire, current, facts.copper_nano_ohm_metre)
        if drop * 100 <= facts.drop_warn_percent * level:
            continue
        wanted = -(-drop * 100 * claim.wire.hundredth_mm2 // (facts.drop_warn_percent * level))
        yield finding(
            "wire-drop",
            Severity.WARNING,
            f"the wire of {one.text} loses {drop_text(drop)} of {volt_text(level)} at "
            f"{current_text(current)}",
            places=[one.place],
            why=f"{_mm2(claim.wire.hundredth_mm2)} mm2 copper, {claim.wire.length_mm} mm out and "
            f"back; more than {facts.drop_warn_percent} percent",
            repair=one.typed(f"wire: {{mm2: {_mm2(wanted)}, length-mm: {claim.wire.length_mm}}}"),
            plugins=[one.instance],
            resource=name,
        )


def wire_bears(table: tuple[tuple[int, Milliamp], ...], hundredth_mm2: int) -> Milliamp:
    """
    Return what copper of a cross-section bears for long, mA: that of the next size below it.

    Thinner than the table goes it is in proportion to the least, which is less than it bears.

    Source:
        data/electrical.yaml wire, bears_ma (WIRE_TABLE)
    """
    below = [current for size, current in table if size <= hundredth_mm2]
    if below:
        return below[-1]
    least, current = table[0]
    return Milliamp(current * hundredth_mm2 // least)


def wire_for(table: tuple[tuple[int, Milliamp], ...], current: int) -> int | None:
    """Return the least cross-section that bears *current* mA; None: the table has none."""
    return next((size for size, bears in table if bears >= current), None)


def _bearing(
    wiring: Wiring, one: Wired, wire: WireSize, current: int, supply: str
) -> Iterator[Finding]:
    """Yield where a wire is too thin for its current, or for the fuse in front of it."""
    table = wiring.problem.electrical.wire_bears
    bears = wire_bears(table, wire.hundredth_mm2)

    def thicker(wanted: int) -> list[str]:
        size = wire_for(table, wanted)
        if size is None:
            return []
        return [one.typed(f"wire: {{mm2: {_mm2(size)}, length-mm: {wire.length_mm}}}")]

    if current > bears:
        yield finding(
            "wire-thin",
            Severity.ERROR,
            f"the wire of {one.text} carries {current_text(current)} and bears "
            f"{current_text(bears)}",
            places=[one.place],
            why=f"copper of {_mm2(wire.hundredth_mm2)} mm2 gets hotter than its insulation bears",
            repair=thicker(current),
            plugins=[one.instance],
            resource=supply,
        )
        return
    fuse = _fuse_before(wiring, supply)
    if fuse is not None and fuse[1] > bears:
        pack, blows = fuse
        yield finding(
            "fuse-above-wire",
            Severity.WARNING,
            f"the fuse of {pack} blows at {current_text(blows)}, the wire of {one.text} bears "
            f"{current_text(bears)}",
            places=[one.place],
            why="I_load < I_fuse <= I_wire: shorted at its end the wire burns before the fuse does",
            repair=[*thicker(blows), "or a fuse of its own where this wire begins"],
            plugins=[one.instance],
            resource=supply,
        )


def _fuse_before(wiring: Wiring, name: str) -> tuple[str, Milliamp] | None:
    """Return the pack whose fuse stands before *name*, and what it blows at; None: nothing does."""
    supplies = wiring.robot.supplies
    seen: set[str] = set()
    while name not in seen:
        seen.add(name)
        supply = supplies.get(SupplyName(name))
        if supply is None:
            return None
        if supply.battery is not None:
            fuse = supply.battery.fuse
            return None if fuse is None else (str(supply.name), fuse)
        # A converter limits what goes on; a branch of the same voltage does not.
        above = [
            str(other.name)
            for other in supplies.values()
            if name in other.feeds and other.volts == supply.volts
        ]
        if len(above) != 1:
            return None
        name = above[0]
    return None


def _mm2(hundredth: int) -> str:
    return f"{hundredth / 100:g}"
