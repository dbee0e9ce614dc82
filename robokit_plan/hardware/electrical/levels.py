"""Voltages of signals: what drives a line too high, and what does not reach high enough."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import (
    BlockClaim,
    Chip,
    ChipPin,
    Controller,
    ControllerName,
    Finding,
    Function,
    I2cClaim,
    I2sClaim,
    InstanceName,
    LineName,
    LineUse,
    LoadLevel,
    Millivolt,
    Ohm,
    OneWireClaim,
    Place,
    PowerClaim,
    Pull,
    Severity,
    SignalClaim,
    SpiClaim,
    UartClaim,
    dataclass,
    finding,
    listed,
    volt_text,
)

from .circuit import Wired, Wiring
from .currents import OUTPUTS

TOLERANCE_PERCENT = 5
"""A level this little above a line's own is a warning: supplies vary by as much (HAT_GUIDE)."""
_PULL_UP_PERCENT = 10
"""Through a pull-up resistor only microamperes flow; so much above the limit is a warning."""
_FIVE_VOLT = Millivolt(5000)
_INPUTS = frozenset({None, "motor-driver"})
"""What is driven where the other side is a logic input, unless it says a voltage above 3.3 V."""
_ABOVE_SUPPLY = Millivolt(300)
"""An input of most CMOS parts bears so much above its supply (common practice, no source)."""
_PUBLISHED_AT = Millivolt(3300)
"""Supply at which families publish what their inputs read."""
_UPPER_OHM = Ohm(10_000)
_E12 = (1000, 1200, 1500, 1800, 2200, 2700, 3300, 3900, 4700, 5600, 6800, 8200)
_LOWER = tuple(sorted((*(one // 10 for one in _E12), *_E12, *(10 * one for one in _E12))))
"""Preferred values (IEC 60063), lower arm."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """What one line is built for, mV; None: not known."""

    logic: Millivolt | None
    maximum: Millivolt | None
    confirmed: bool = True

    @property
    def most(self) -> Millivolt | None:
        """Return the highest level that it bears; its own where no other is published."""
        return self.logic if self.maximum is None else self.maximum


def divided(source: Millivolt, upper: Ohm, lower: Ohm) -> Millivolt:
    """
    Return the level behind a divider, mV, rounded up.

    Source:
        facts/electrical.yaml check level_5v_in, V_pin = V R2 / (R1 + R2)
    """
    return Millivolt(-(-source * lower // (upper + lower)))


def divider_for(source: Millivolt, most: Millivolt) -> tuple[Ohm, Ohm]:
    """Return the divider of preferred values that comes nearest to *most* mV from below."""
    fitting = [one for one in _LOWER if divided(source, _UPPER_OHM, Ohm(one)) <= most]
    return _UPPER_OHM, Ohm(fitting[-1] if fitting else _LOWER[0])


def judged(level: Millivolt, line: Level, *, through_pull_up: bool = False) -> Severity | None:
    """
    Return how bad *level* is on *line*; None: it is borne, or nothing is known about the line.

    Args:
        level: What reaches the line, mV.
        line: What it is built for.
        through_pull_up: Only a resistor lifts it, no output drives it.
    """
    if line.most is None or level <= line.most:
        return None
    bearable = line.most
    if line.logic is not None:
        bearable = Millivolt(max(bearable, line.logic * (100 + TOLERANCE_PERCENT) // 100))
    if through_pull_up:
        bearable = Millivolt(max(bearable, line.most * (100 + _PULL_UP_PERCENT) // 100))
    return Severity.WARNING if level <= bearable else Severity.ERROR


def margin(high: Millivolt, load: LoadLevel, supply: Millivolt) -> int | None:
    """
    Return by how much *high* mV exceeds what *load* surely reads as high; negative: it falls short.

    Source:
        facts/electrical.yaml check level_3v3_out, VOH >= VIH_min
    """
    wanted = load.high_min(supply)
    return None if wanted is None else high - wanted


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """What an input surely reads as low up to, and as high from, mV."""

    low: Millivolt
    high: Millivolt

    def judged(self, level: Millivolt) -> Severity | None:
        """
        Return how bad *level* is as a high level; None: it is surely read.

        An error where it is nearer to a low one: inputs switch between the two bounds.
        """
        if level >= self.high:
            return None
        return Severity.WARNING if 2 * level >= self.low + self.high else Severity.ERROR


def reading_of(wiring: Wiring, logic: Millivolt, kind: str = "cmos") -> Reading | None:
    """Return what an input of *kind* with a supply of *logic* mV reads; None: not known."""
    load = wiring.problem.electrical.loads[kind]
    low, high = load.low_max(logic), load.high_min(logic)
    return None if low is None or high is None else Reading(low=low, high=high)


def _board_reading(wiring: Wiring, level: Level) -> Reading | None:
    """Return what a line of the board reads: what its family publishes, else by its supply."""
    family = wiring.board.family
    if level.logic is None:
        return None
    if level.logic == _PUBLISHED_AT and family.low_max and family.high_min:
        return Reading(low=family.low_max, high=family.high_min)
    return reading_of(wiring, level.logic)


def check_levels(wiring: Wiring) -> Iterator[Finding]:
    """Return what does not fit in voltage."""
    yield from _unknown(wiring)
    for one in wiring.on_board():
        yield from _board_claim(wiring, one)
    yield from _pull_ups(wiring)
    yield from _unpowered(wiring)
    for name, controller, chip in wiring.controllers():
        if chip is not None:
            yield from _link(wiring, name, controller, chip)
            logic = logic_of(wiring, controller, chip)
            for one in wiring.on_controller(name):
                if logic is None or getattr(one.claim, "shifter", False):
                    continue
                if isinstance(one.claim, SignalClaim):
                    yield from _controller_pin(wiring, one, one.claim, chip, logic)


def level_of(wiring: Wiring, line: LineName) -> Level:
    """Return what *line* is built for; a measurement of the builder settles what is unknown."""
    pin = wiring.pin_of(line)
    measured = wiring.measured.get(line)
    if pin is None:
        return Level(logic=measured, maximum=None)
    if measured is not None and (pin.logic is None or not pin.confirmed):
        return Level(logic=measured, maximum=Millivolt(measured * (100 + TOLERANCE_PERCENT) // 100))
    return Level(logic=pin.logic, maximum=pin.maximum, confirmed=pin.confirmed)


# --- unknown levels -------------------------------------------------------------------------


def _unknown(wiring: Wiring) -> Iterator[Finding]:
    """Yield one finding a domain for the lines in use whose level the facts do not tell."""
    found: dict[tuple[int, str], dict[LineName, list[Place]]] = {}
    users: dict[tuple[int, str], set[InstanceName]] = {}
    for use, place, instance in _uses(wiring):
        level = level_of(wiring, use.line)
        if level.logic is not None and level.confirmed:
            continue
        hint = level.logic or level.maximum
        severity = Severity.WARNING if level.confirmed and hint is not None else Severity.ERROR
        known = wiring.board.lines.get(use.line)
        key = (severity.rank, "" if known is None or known.domain is None else known.domain)
        found.setdefault(key, {}).setdefault(use.line, []).append(place)
        users.setdefault(key, set()).add(instance)
    instances = {one.instance for one in wiring.wired}
    for key, lines in sorted(found.items()):
        rank, domain = key
        names = sorted(lines, key=str)
        hints = sorted({str(_hint(wiring, name)) for name in names})
        yield finding(
            "level-unknown",
            next(one for one in Severity if one.rank == rank),
            f"nobody knows the level of {', '.join(wiring.at(name) for name in names)}",
            places=[place for places in lines.values() for place in places],
            why=[
                "sources disagree or are silent; a wrong guess destroys one side",
                *(f"it may be as low as {one}" for one in hints if one),
                *(
                    [f"one supply, {domain}, makes the level of all of them"]
                    if domain and names[1:]
                    else []
                ),
            ],
            repair=f"measured: {{{names[0] if domain else ': …, '.join(names)}: …}}   in "
            "robot.yaml, volts as measured at the free position, before anything is wired to it",
            plugins=users[key] & instances,
            resource=names[0],
        )


def _hint(wiring: Wiring, line: LineName) -> str:
    level = level_of(wiring, line)
    hint = level.logic or level.maximum
    return "" if hint is None else volt_text(hint)


def _uses(wiring: Wiring) -> Iterator[tuple[LineUse, Place, InstanceName]]:
    for one in wiring.on_board():
        if one.assignment is not None:
            for use in one.assignment.lines:
                yield use, one.place, one.instance
    for link in wiring.links:
        controller = wiring.robot.controllers.get(ControllerName(link.instance))
        if controller is not None:
            for use in link.lines:
                yield (
                    use,
                    Place(origin=controller.origin, label=f"link of {link.instance}"),
                    link.instance,
                )


# --- claims on the board --------------------------------------------------------------------


def _board_claim(wiring: Wiring, one: Wired) -> Iterator[Finding]:
    if one.assignment is None or not one.assignment.lines:
        return
    uses = {use.signal: use.line for use in one.assignment.lines}
    claim = one.claim
    match claim:
        case SignalClaim():
            line = one.assignment.lines[0].line
            if claim.function in OUTPUTS:
                yield from _output(wiring, one, claim, line)
            elif not contact(claim):
                yield from _input(wiring, one, line, claim.volts, arriving(claim))
            elif claim.pull is Pull.DOWN:
                # A contact to the header's 3.3 V: that rail is what reaches the line.
                yield from _input(wiring, one, line, Millivolt(3300), Millivolt(3300))
        case UartClaim():
            yield from _uart(wiring, one, claim, uses)
        case SpiClaim():
            back = uses.get("miso")
            if back is not None:
                yield from _input(wiring, one, back, claim.volts, claim.volts)
            out = uses.get("mosi") or uses.get("sclk")
            if out is not None:
                yield from _too_low(wiring, one, out, claim.volts, "cmos")
                yield from _too_much(wiring, one, out, claim.volts)
        case BlockClaim():
            # Which way its signals run is not said: each may be driven from outside.
            for use in one.assignment.lines:
                yield from _input(wiring, one, use.line, claim.volts, claim.volts)
        case I2cClaim() if claim.behind is None:
            yield from _i2c(wiring, one, claim, uses)
        case I2sClaim():
            back = uses.get("din") if claim.direction != "out" else None
            if back is None and claim.clock == "device":
                back = uses.get("clk")
            if back is not None:
                yield from _input(wiring, one, back, claim.volts, claim.volts)
            out = uses.get("dout") if claim.direction != "in" else None
            if out is None and claim.clock == "board":
                out = uses.get("clk")
            if out is not None:
                yield from _too_low(wiring, one, out, claim.volts, "cmos")
                yield from _too_much(wiring, one, out, claim.volts)
        case OneWireClaim():
            line = one.assignment.lines[0].line
            yield from _input(wiring, one, line, claim.volts, claim.volts, pull_up=True)
        case _:
            pass


def contact(claim: SignalClaim) -> bool:
    """Return whether a bare switch hangs there: the pull and the other end make the level."""
    return claim.pull is not Pull.NONE and claim.volts == Millivolt(3300) and not claim.part


def arriving(claim: SignalClaim | UartClaim) -> Millivolt | None:
    """Return the level behind divider or shifter; None: a shifter makes it the line's own."""
    if claim.shifter:
        return None
    if claim.divider_ohm is not None:
        return divided(claim.volts, *claim.divider_ohm)
    return claim.volts


def _input(
    wiring: Wiring,
    one: Wired,
    line: LineName,
    source: Millivolt,
    arrives: Millivolt | None,
    *,
    pull_up: bool = False,
) -> Iterator[Finding]:
    if arrives is None:
        return
    level = level_of(wiring, line)
    if level.logic is None or not level.confirmed:
        return  # nobody knows its level, which is an error of its own
    severity = judged(arrives, level, through_pull_up=pull_up)
    if severity is None or level.most is None:
        yield from _unread(wiring, one, line, source, arrives)
        return
    divided_down = arrives != source
    way = "pulls" if pull_up else "puts"
    ratio = getattr(one.claim, "divider_ohm", None)
    yield finding(
        "level-too-high",
        severity,
        f"{one.text} {way} {volt_text(arrives)} on {wiring.at(line)}, which bears "
        f"{volt_text(level.most)}",
        places=[one.place],
        why=f"{volt_text(source)} x {ratio[1]} / ({ratio[0]} + {ratio[1]})"
        if divided_down and ratio
        else "a level above its supply flows into the chip through its protection, and can "
        "destroy it",
        repair=_lower(one, source, level.most, pull_up=pull_up),
        plugins=[one.instance],
        resource=line,
    )


def _unread(
    wiring: Wiring, one: Wired, line: LineName, source: Millivolt, arrives: Millivolt
) -> Iterator[Finding]:
    """Yield where what arrives may not be read as high by the board."""
    level = level_of(wiring, line)
    reading = _board_reading(wiring, level)
    severity = None if reading is None else reading.judged(arrives)
    if reading is None or severity is None or level.logic is None:
        return
    ratio = getattr(one.claim, "divider_ohm", None)
    yield finding(
        "level-too-low",
        severity,
        f"{one.text} puts {volt_text(arrives)} on {wiring.at(line)}, which surely reads high from "
        f"{volt_text(reading.high)} on",
        places=[one.place],
        why=f"{volt_text(source)} x {ratio[1]} / ({ratio[0]} + {ratio[1]})"
        if ratio
        else f"at {volt_text(level.logic)} a level below {volt_text(reading.low)} is surely low, "
        "and what lies between may be either",
        repair=_higher(one, source, level.logic, reading),
        plugins=[one.instance],
        resource=line,
    )


def _higher(one: Wired, source: Millivolt, logic: Millivolt, reading: Reading) -> list[str]:
    if not isinstance(one.claim, SignalClaim | UartClaim):
        return [
            one.typed(
                f"volts: {_volts(logic)}",
                f"with a level shifter, or a module for {volt_text(logic)}",
            )
        ]
    shifter = one.typed("shifter: true", "with a level shifter fitted")
    if one.claim.divider_ohm is None:
        return [shifter]
    upper, lower = divider_for(source, logic)
    better = divided(source, upper, lower) >= reading.high
    return [*([one.typed(f"divider-ohm: [{upper}, {lower}]")] if better else []), shifter]


def _lower(one: Wired, source: Millivolt, most: Millivolt, *, pull_up: bool) -> list[str]:
    if pull_up:
        return [one.typed(f"volts: {_volts(most)}", f"with the pull-up moved to {volt_text(most)}")]
    has_keys = isinstance(one.claim, SignalClaim | UartClaim)
    upper, lower = divider_for(source, most)
    found = (
        [
            one.typed(f"divider-ohm: [{upper}, {lower}]"),
            one.typed("shifter: true", "with a level shifter fitted"),
        ]
        if has_keys
        else [
            one.typed(
                f"volts: {_volts(most)}",
                f"with a level shifter, or a module for {volt_text(most)}",
            )
        ]
    )
    if source >= _FIVE_VOLT:
        found.append(
            one.typed(
                "volts: 3.3", "if its data sheet says so: some parts fed with 5 V still give 3.3 V"
            )
        )
    return found


def _volts(level: int) -> str:
    return f"{level / 1000:g}"


def _output(wiring: Wiring, one: Wired, claim: SignalClaim, line: LineName) -> Iterator[Finding]:
    if claim.shifter:
        return
    if claim.function is Function.LED_STRING:
        supply = _fed_with(wiring, claim)
        yield from _too_low(wiring, one, line, Millivolt(max(supply, claim.volts)), "led-string")
    elif claim.drives in _INPUTS or claim.volts > Millivolt(3300):
        yield from _too_low(wiring, one, line, claim.volts, "cmos")
        yield from _too_much(wiring, one, line, claim.volts)


def _fed_with(wiring: Wiring, claim: SignalClaim) -> Millivolt:
    """Return the voltage that a string is fed with, mV."""
    if claim.supply is None:
        return claim.volts
    supply = wiring.supply(claim.supply)
    if supply is not None:
        return supply.volts
    if wiring.supply_name(claim.supply) == "3V3":
        return Millivolt(3300)
    board = wiring.board_supply()
    return _FIVE_VOLT if board is None else board.volts


def _too_low(
    wiring: Wiring, one: Wired, line: LineName, supply: Millivolt, kind: str
) -> Iterator[Finding]:
    """Yield where the line's high level may not be read as high on the other side."""
    level, reading = level_of(wiring, line), reading_of(wiring, supply, kind)
    load = wiring.problem.electrical.loads[kind]
    if level.logic is None or reading is None or not level.confirmed:
        return
    ratio = one.claim.divider_ohm if isinstance(one.claim, SignalClaim) else None
    given = level.logic if ratio is None else divided(level.logic, *ratio)
    severity = reading.judged(given)
    if severity is None:
        return
    keys = isinstance(one.claim, SignalClaim | UartClaim)
    yield finding(
        "level-too-low",
        severity,
        f"{one.text} wants {volt_text(reading.high)} for a high level, {wiring.at(line)} "
        f"gives {volt_text(given)}",
        places=[one.place],
        why=f"at {volt_text(supply)} such an input surely reads high from "
        f"{load.high_percent or 0} percent of its supply on: it may work on the bench and fail "
        "when warm",
        repair=[
            one.typed("shifter: true", "with a buffer that takes TTL levels (74HCT, 74AHCT) fitted")
            if keys
            else one.typed(f"volts: {_volts(level.logic)}", "with a level shifter fitted"),
            *(
                ["or feed the string with 4.5 V: a diode in the supply of its first LED"]
                if kind == "led-string"
                else []
            ),
        ],
        plugins=[one.instance],
        resource=line,
    )


def _too_much(wiring: Wiring, one: Wired, line: LineName, supply: Millivolt) -> Iterator[Finding]:
    """Yield where the line's high level is more than the other side is built for."""
    level = level_of(wiring, line)
    ratio = one.claim.divider_ohm if isinstance(one.claim, SignalClaim) else None
    if level.logic is None or not level.confirmed:
        return
    given = level.logic if ratio is None else divided(level.logic, *ratio)
    if given * 100 <= supply * (100 + TOLERANCE_PERCENT):
        return
    upper, lower = divider_for(level.logic, supply)
    signal = isinstance(one.claim, SignalClaim)
    yield finding(
        "level-too-high",
        Severity.WARNING if given <= supply + _ABOVE_SUPPLY else Severity.ERROR,
        f"{wiring.at(line)} puts {volt_text(given)} on {one.text}, which is built for "
        f"{volt_text(supply)}",
        places=[one.place],
        why="a level above its supply flows into the chip through its protection, and can "
        "destroy it",
        repair=[
            *([one.typed(f"divider-ohm: [{upper}, {lower}]")] if signal else []),
            one.typed("shifter: true", "with a level shifter fitted")
            if isinstance(one.claim, SignalClaim | UartClaim)
            else one.typed(f"volts: {_volts(level.logic)}", "with a level shifter fitted"),
        ],
        plugins=[one.instance],
        resource=line,
    )


def _uart(
    wiring: Wiring, one: Wired, claim: UartClaim, uses: dict[str, LineName]
) -> Iterator[Finding]:
    receive, send = uses.get("rx"), uses.get("tx")
    if receive is not None:
        yield from _input(wiring, one, receive, claim.volts, arriving(claim))
    if send is not None and not claim.shifter:
        yield from _too_low(wiring, one, send, claim.volts, "cmos")
        yield from _too_much(wiring, one, send, claim.volts)


def _i2c(
    wiring: Wiring, one: Wired, claim: I2cClaim, uses: dict[str, LineName]
) -> Iterator[Finding]:
    line = uses.get("sda")
    if line is None:
        return
    if claim.pull_up_ohm is not None and _lift(wiring, claim, line) is not None:
        return  # told once for all modules of the bus
    yield from _too_low(wiring, one, line, claim.volts, "i2c")
    known = wiring.board.lines.get(line)
    if claim.pull_up_ohm is not None and known is not None and known.external_pull_up is None:
        # Nothing but the module's pull-ups makes the high level.
        yield from _unread(wiring, one, line, claim.volts, claim.volts)
    if known is not None and known.external_pull_up is not None:
        # The board's own pull-ups lift the bus, whatever hangs on it.
        yield from _too_much(wiring, one, line, claim.volts)


def _lift(wiring: Wiring, claim: I2cClaim, line: LineName) -> Severity | None:
    """Return how bad the level is to which the module's pull-ups lift *line*."""
    return judged(claim.volts, level_of(wiring, line), through_pull_up=True)


def _pull_ups(wiring: Wiring) -> Iterator[Finding]:
    """Yield one finding a bus for all modules whose pull-ups lift it too high."""
    lifting: dict[tuple[LineName, Millivolt], list[Wired]] = {}
    for one in wiring.on_board():
        claim = one.claim
        if not isinstance(claim, I2cClaim) or claim.behind is not None or one.assignment is None:
            continue
        for use in one.assignment.lines:
            if use.signal == "sda" and claim.pull_up_ohm is not None:
                lifting.setdefault((use.line, claim.volts), []).append(one)
    for (line, volts), ones in lifting.items():
        level = level_of(wiring, line)
        severity = judged(volts, level, through_pull_up=True)
        if severity is None or level.most is None:
            continue
        within = level.logic or level.most
        yield finding(
            "level-too-high",
            severity,
            f"the pull-ups of {listed(one.text for one in ones)} lift {wiring.at(line)} to "
            f"{volt_text(volts)}, it bears {volt_text(level.most)}",
            places=[one.place for one in ones],
            why="both lines of the bus rise to the level of the pull-ups when nobody speaks",
            repair=[
                *(
                    one.typed(
                        f"volts: {_volts(within)}",
                        f"with the module's pull-ups moved to {volt_text(within)}",
                    )
                    for one in ones
                ),
                "remove the module's pull-ups, and pull-up-ohm from its claim",
            ],
            plugins=[one.instance for one in ones],
            resource=line,
        )


# --- boards that are off -----------------------------------------------------------------------


def _unpowered(wiring: Wiring) -> Iterator[Finding]:
    """Yield what drives a line of the board from a supply that stays on when the board is off."""
    severity = wiring.board.family.driven_while_off
    board = wiring.board_supply()
    if severity is None:
        return
    own: dict[InstanceName, tuple[str, Wired]] = {}
    for one in wiring.wired:
        if isinstance(one.claim, PowerClaim):
            supply = wiring.supply(one.claim.supply)
            if supply is not None and (board is None or supply.name != board.name):
                own.setdefault(one.instance, (str(supply.name), one))
    for one in wiring.on_board():
        line = _driven(one)
        if line is None or one.instance not in own:
            continue
        supply_name, feed = own[one.instance]
        yield finding(
            "unpowered-drive",
            severity,
            f"{one.text} drives {wiring.at(line)} from {supply_name}, even while the board is off",
            places=[one.place],
            why="its pins take no level before the board has its own: current flows in backwards",
            repair=[
                one.typed("shifter: true", "with a buffer fitted that the board's 3.3 V feeds")
                if isinstance(one.claim, SignalClaim | UartClaim)
                else "a buffer that the board's 3.3 V feeds, between both",
                feed.typed("supply: 3V3", "if the part runs from it"),
            ],
            plugins=[one.instance],
            resource=line,
        )


def _driven(one: Wired) -> LineName | None:
    """Return the line that the other side drives, None where a buffer or nothing does."""
    if one.assignment is None or not one.assignment.lines:
        return None
    uses = {use.signal: use.line for use in one.assignment.lines}
    claim = one.claim
    match claim:
        case SignalClaim() if claim.function not in OUTPUTS:
            passive = claim.shifter or contact(claim)
            return None if passive else one.assignment.lines[0].line
        case UartClaim():
            return None if claim.shifter else uses.get("rx")
        case SpiClaim():
            return uses.get("miso")
        case _:
            return None


# --- controllers ----------------------------------------------------------------------------


def logic_of(wiring: Wiring, controller: Controller, chip: Chip) -> Millivolt | None:
    """Return the level of the controller's pins: what is declared, its chip's, its supply's."""
    if controller.volts is not None:
        return controller.volts
    if chip.logic is not None:
        return chip.logic
    if controller.supply is None:
        return None
    supply = wiring.supply(controller.supply)
    if supply is not None:
        return supply.volts
    return Millivolt(3300) if wiring.supply_name(controller.supply) == "3V3" else _FIVE_VOLT


def _controller_pin(
    wiring: Wiring, one: Wired, claim: SignalClaim, chip: Chip, logic: Millivolt
) -> Iterator[Finding]:
    """Yield high levels that the controller may not read, or may not be read from it."""
    if one.assignment is None or not one.assignment.lines:
        return
    pin = f"pin {one.assignment.lines[0].line} of {one.assignment.controller}"
    if claim.function in OUTPUTS:
        string = claim.function is Function.LED_STRING
        if not string and claim.drives not in _INPUTS and claim.volts <= Millivolt(3300):
            return
        supply = Millivolt(max(_fed_with(wiring, claim), claim.volts)) if string else claim.volts
        reading = reading_of(wiring, supply, "led-string" if string else "cmos")
        level = logic if claim.divider_ohm is None else divided(logic, *claim.divider_ohm)
        repair = [
            one.typed("shifter: true", "with a buffer that takes TTL levels (74HCT, 74AHCT) fitted")
        ]
        text = f"gives {volt_text(level)}"
    elif claim.function in {Function.INPUT, Function.IR_IN} and not contact(claim):
        # Chips that run at any supply are of the AVR kind; see `_link`.
        reading = reading_of(wiring, logic, "atmega" if chip.logic is None else "cmos")
        level = arriving(claim) or logic
        repair = [] if reading is None else _higher(one, claim.volts, logic, reading)
        text = f"sees {volt_text(level)}"
    else:
        return
    severity = None if reading is None else reading.judged(level)
    if reading is None or severity is None:
        return
    ratio = claim.divider_ohm
    source = logic if claim.function in OUTPUTS else claim.volts
    yield finding(
        "level-too-low",
        severity,
        f"{pin} {text} for {one.text}, a high level is surely read from "
        f"{volt_text(reading.high)} on",
        places=[one.place],
        why=f"{volt_text(source)} x {ratio[1]} / ({ratio[0]} + {ratio[1]})"
        if ratio
        else f"a level below {volt_text(reading.low)} is surely low, and what lies between may be "
        "either",
        repair=repair,
        plugins=[one.instance],
        resource=f"{one.assignment.controller} pin {one.assignment.lines[0].line}",
    )


def bears(pin: ChipPin, chip: Chip, level: Millivolt, logic: Millivolt | None) -> bool | None:
    """Return whether *pin* bears *level* as a digital input; None: not known."""
    if logic is not None and level <= logic:
        return True
    tolerant = chip.tolerates_5v if pin.tolerates_5v is None else pin.tolerates_5v
    if tolerant is None:
        return None if logic is None else False
    return tolerant and level <= Millivolt(5500)


def _link(
    wiring: Wiring, name: ControllerName, controller: Controller, chip: Chip
) -> Iterator[Finding]:
    """Yield where the level between board and controller does not fit."""
    link = next((one for one in wiring.links if str(one.instance) == str(name)), None)
    logic = logic_of(wiring, controller, chip)
    if link is None or not link.lines:
        return
    place = Place(origin=controller.origin, label=f"{name} linked by {controller.link}")
    if logic is None:
        yield finding(
            "level-unknown",
            Severity.WARNING,
            f"nobody says with what voltage {name} runs, and it is wired to the board",
            places=[place],
            why=f"the pins of a {chip.name} have the level of its supply",
            repair=[
                f"controllers: {{{name}: {{volts: 5}}}}   or 3.3, as measured at its supply pin",
                f"controllers: {{{name}: {{link: usb}}}}",
            ],
            resource=name,
        )
        return
    uses = {use.signal: use.line for use in link.lines}
    shared = "sda" in uses
    received = uses.get("rx") or uses.get("miso") or uses.get("sda")
    sent = uses.get("tx") or uses.get("mosi") or uses.get("scl")
    fix = [
        f"controllers: {{{name}: {{volts: 3.3}}}}   with a level shifter in the link",
        f"controllers: {{{name}: {{link: usb}}}}",
    ]
    if received is not None:
        level = level_of(wiring, received)
        severity = judged(logic, level)
        if severity is not None and level.most is not None:
            yield finding(
                "level-too-high",
                severity,
                f"{name} puts {volt_text(logic)} on {wiring.at(received)}, which bears "
                f"{volt_text(level.most)}",
                places=[place],
                why="its usual bus library switches on pull-ups to its own supply"
                if shared
                else "a level above its supply flows into the chip through its protection",
                repair=fix,
                resource=received,
            )
    if sent is not None:
        level = level_of(wiring, sent)
        kind = "i2c" if shared else "atmega" if chip.logic is None else "cmos"
        short = (
            None
            if level.logic is None
            else margin(level.logic, wiring.problem.electrical.loads[kind], logic)
        )
        if short is not None and short < 0 and level.logic is not None:
            yield finding(
                "level-too-low",
                Severity.WARNING,
                f"{name} wants {volt_text(level.logic - short)} for a high level, "
                f"{wiring.at(sent)} gives {volt_text(level.logic)}",
                places=[place],
                why=f"at {volt_text(logic)} it surely reads high from that level on",
                repair=fix,
                resource=sent,
            )
