"""What lines do between power-on and the first program."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import (
    Active,
    Chip,
    ChipPin,
    ControllerName,
    Finding,
    FirmwareState,
    Function,
    Hazard,
    Line,
    LineName,
    Millivolt,
    Ohm,
    OneWireClaim,
    Pull,
    Severity,
    SignalClaim,
    finding,
    ohm_text,
)

from .circuit import DANGEROUS, Wired, Wiring, line_listed, pin_listed
from .levels import level_of

_QUIET = frozenset({Function.INPUT, Function.IR_IN, Function.SERVO, Function.LED_STRING})
"""Functions whose other side does nothing at a steady level: servos and strings wait for pulses."""
_HEAVY = frozenset(
    {"relay-module", "relay-coil", "motor-driver", "motor", "solenoid", "heater", "laser"}
)
"""Loads that nobody wants to see switch by chance."""
_USUAL_PULL = (Ohm(33_000), Ohm(100_000))
"""Range of internal pulls where none is published (common practice, no source)."""


def resistor_for(pull_min: Ohm, threshold: Millivolt, supply: Millivolt) -> Ohm:
    """
    Return the largest external resistor that holds a line against its internal pull, ohm.

    Rounded down.

    Source:
        facts/electrical.yaml check boot_pull, R = R_pull_min Vth / (Vio - Vth)
    """
    return Ohm(pull_min * threshold // (supply - threshold))


def energised(active: Active, pull: Pull | None) -> bool | None:
    """
    Return whether a load that is on at *active* is on while *pull* alone decides; None: unknown.

    Source:
        facts/electrical.yaml check boot_pull
    """
    if pull is None or pull is Pull.NONE:
        return None
    return (pull is Pull.UP) == (active is Active.HIGH)


def check_boot_state(wiring: Wiring) -> Iterator[Finding]:
    """Return what moves, shines or stops the boot before a program runs."""
    for one in wiring.on_board():
        if one.assignment is None:
            continue
        for use in one.assignment.lines:
            line = wiring.board.lines.get(use.line)
            if line is not None:
                yield from _board_line(wiring, one, line)
    for name, _, chip in wiring.controllers():
        if chip is None:
            continue
        for one in wiring.on_controller(name):
            if one.assignment is not None and one.assignment.lines:
                pin = chip.find_pin(str(one.assignment.lines[0].line))
                if pin is not None:
                    yield from _controller_pin(one, name, chip, pin)


def _hazard(one: Wired) -> Hazard:
    hazard: Hazard = getattr(one.claim, "hazard", Hazard.NONE)
    return hazard


def _severity(one: Wired) -> Severity | None:
    """Return how bad it is that the claim's load is on too early; None: nothing happens."""
    claim = one.claim
    if not isinstance(claim, SignalClaim) or claim.function in _QUIET:
        return None
    if _hazard(one) in DANGEROUS:
        return Severity.ERROR
    if claim.drives == "led":
        return Severity.NOTE
    return Severity.WARNING if claim.drives is not None else None


def _board_line(wiring: Wiring, one: Wired, line: Line) -> Iterator[Finding]:
    if line.boot_strap:
        yield from _board_strap(wiring, one, line)
    severity = _severity(one)
    claim = one.claim
    if severity is None or not isinstance(claim, SignalClaim):
        return
    if line.moves_at_boot:
        heavy = claim.drives in _HEAVY
        yield _toggles(wiring, one, line, Severity.ERROR if heavy else severity)
        return
    pull = Pull.UP if line.external_pull_up is not None else line.pull_at_reset
    held = claim.pull is (Pull.DOWN if claim.active is Active.HIGH else Pull.UP)
    state = energised(claim.active, pull)
    if state and not (held and line.external_pull_up is None):
        yield _energised(wiring, one, claim, line, severity)
    elif (told := wiring.problem.firmware.get(line.name)) is not None and energised(
        claim.active, told.holds
    ):
        if not (held and told.function != "op"):
            yield _told(wiring, one, claim, told, severity)
    elif state is None and not held and _hazard(one) in DANGEROUS:
        yield _undefined(one, wiring.at(line.name), claim, line.name, line.name)


def _toggles(wiring: Wiring, one: Wired, line: Line, severity: Severity) -> Finding:
    return finding(
        "boot-toggles",
        severity,
        f"{wiring.at(line.name)} moves while the board starts, and {one.text} "
        f"{_what(one)} hangs on it",
        places=[one.place],
        why=line.special[0] if line.special else "the board itself drives it before any program",
        repair=_other_line(wiring, one),
        plugins=[one.instance],
        resource=line.name,
    )


def _what(one: Wired) -> str:
    hazard = _hazard(one)
    if hazard is not Hazard.NONE:
        return f"(hazard {hazard.value})"
    drives = one.claim.drives if isinstance(one.claim, SignalClaim) else None
    return f"({drives})" if drives else ""


def _other_line(wiring: Wiring, one: Wired) -> list[str]:
    """Return a free line whose level at reset keeps the load off."""
    claim = one.claim
    if not isinstance(claim, SignalClaim):
        return []
    taken = {use.line for each in wiring.problem.assignments if each.on_board for use in each.lines}
    safe = Pull.DOWN if claim.active is Active.HIGH else Pull.UP
    kept = {
        *wiring.board.console_pins,
        *(pin for each in wiring.board.default_claims for pin in each.pins),
    }
    plain = sorted(
        (
            line
            for line in wiring.board.lines.values()
            if line.name not in taken
            and line.pin not in kept
            and line.usable
            and not line.moves_at_boot
            and not line.boot_strap
            and line.reserved is None
            and line.external_pull_up is None
            and line.pull_at_reset is safe
            and claim.function is Function.OUTPUT
            and not claim.positions
            and line_listed(claim, line.name)
        ),
        key=lambda line: (
            line.name not in claim.lines.options,
            len(line.special),
            _rank(line.name),
        ),
    )
    return [f"wiring: {{{one.text}: {line.name}}}" for line in plain[:1]]


def _rank(name: LineName) -> tuple[int, str]:
    digits = "".join(one for one in name if one.isdigit())
    return (int(digits) if digits else 0, name)


def _energised(
    wiring: Wiring, one: Wired, claim: SignalClaim, line: Line, severity: Severity
) -> Finding:
    up = claim.active is Active.HIGH
    word = "down" if up else "up"
    repair = _other_line(wiring, one)
    strong = line.external_pull_up
    if strong is None:
        family = wiring.board.family
        pulls = family.pull_ohm or _USUAL_PULL
        supply = level_of(wiring, line.name).logic or Millivolt(3300)
        threshold = wiring.problem.electrical.boot_threshold
        if not up and family.high_min is not None:
            threshold = Millivolt(max(1, supply - family.high_min))
        largest = resistor_for(pulls[0], threshold, supply)
        repair.append(
            one.typed(
                f"pull: {word}",
                f"with a resistor of at most {ohm_text(largest)} to "
                f"{'ground' if up else 'the 3.3 V position'} fitted",
            )
        )
    return finding(
        "boot-energised",
        severity,
        f"{one.text} {_what(one)} is on from power-up until a program runs".replace("  ", " "),
        places=[one.place],
        why=f"{wiring.at(line.name)} has a soldered pull-up of {ohm_text(strong)}, which no "
        "pull-down overcomes"
        if strong is not None
        else f"{wiring.at(line.name)} is pulled {'up' if up else 'down'} at reset, and the load is "
        f"active {'high' if up else 'low'}; settings of the firmware act seconds later",
        repair=repair,
        plugins=[one.instance],
        resource=line.name,
    )


def _told(
    wiring: Wiring, one: Wired, claim: SignalClaim, told: FirmwareState, severity: Severity
) -> Finding:
    """Return the finding about a load that the boot file itself switches on."""
    line = LineName("" if one.assignment is None else one.assignment.lines[0].line)
    number = line.removeprefix("gpio")
    off = "dl" if claim.active is Active.HIGH else "dh"
    return finding(
        "boot-energised",
        severity,
        f"{one.text} {_what(one)} is on from when the firmware starts until a program runs".replace(
            "  ", " "
        ),
        places=[one.place, told.origin],
        why=f"{told.text} in the boot file {'drives' if told.function == 'op' else 'pulls'} "
        f"{wiring.at(line)} {'up' if told.holds is Pull.UP else 'down'}, and the load is active "
        f"{claim.active.value}",
        repair=f"gpio={number}=op,{off}   in {told.origin.file}, "
        # Later settings of a line override earlier ones.
        + ("in its place" if told.text.startswith(f"gpio={number}=") else "below it"),
        plugins=[one.instance],
        resource=line,
    )


def _undefined(one: Wired, where: str, claim: SignalClaim, resource: str, line: str) -> Finding:
    word = "down" if claim.active is Active.HIGH else "up"
    return finding(
        "boot-undefined",
        Severity.WARNING,
        f"nothing holds {where} until a program runs, and {one.text} {_what(one)} hangs on it",
        places=[one.place],
        why="its pull at reset is none or not known: it floats, and the load may switch on",
        repair=[one.typed(f"pull: {word}", f"with a resistor of 10 kohm fitted at {line}")],
        plugins=[one.instance],
        resource=resource,
    )


def _board_strap(wiring: Wiring, one: Wired, line: Line) -> Iterator[Finding]:
    """Yield claims that pull or drive a line which the board reads as boot configuration."""
    claim = one.claim
    from_memory = any("from memory" in word for word in (*line.special, line.source))
    if isinstance(claim, SignalClaim):
        drives = claim.function in {Function.INPUT, Function.IR_IN}
        contact = drives and claim.pull is not Pull.NONE
        hard = drives and not from_memory
    else:
        contact, hard = False, isinstance(claim, OneWireClaim)
    yield finding(
        "boot-strap",
        Severity.ERROR if hard else Severity.WARNING,
        f"{one.text} hangs on {wiring.at(line.name)}, which the board reads at reset",
        places=[one.place],
        why=[
            *(word for word in line.special[:1]),
            "a switch that is held while it starts changes how it starts"
            if contact
            else "what pulls or drives it then changes how it starts",
        ],
        repair=_other_line_for_strap(wiring, one),
        plugins=[one.instance],
        resource=line.name,
    )


def _other_line_for_strap(wiring: Wiring, one: Wired) -> list[str]:
    claim = one.claim
    if not isinstance(claim, SignalClaim | OneWireClaim) or not claim.lines.any:
        return []
    taken = {use.line for each in wiring.problem.assignments if each.on_board for use in each.lines}
    held = {pin for each in wiring.board.default_claims for pin in each.pins}
    plain = sorted(
        (
            line.name
            for line in wiring.board.lines.values()
            if line.name not in taken
            and line.usable
            and not line.boot_strap
            and not line.moves_at_boot
            and line.reserved is None
            and line.pin not in held
        ),
        key=_rank,
    )
    return [f"wiring: {{{one.text}: {name}}}" for name in plain[:1]]


# --- controllers ----------------------------------------------------------------------------


def _controller_pin(
    one: Wired, name: ControllerName, chip: Chip, pin: ChipPin
) -> Iterator[Finding]:
    severity, claim = _severity(one), one.claim
    if severity is None or not isinstance(claim, SignalClaim):
        return
    where = f"pin {pin.name} of {name}"
    if pin.moves_at_boot is not None:
        yield finding(
            "boot-toggles",
            severity,
            f"{where} moves while the {chip.name} starts, and {one.text} {_what(one)} hangs on it",
            places=[one.place],
            why=pin.moves_at_boot,
            repair=[
                f"wiring: {{{one.text}: {{pin: {other}}}}}"
                for other in _quiet_pins(chip, claim)[:1]
            ],
            plugins=[one.instance],
            resource=f"{name} pin {pin.name}",
        )
        return
    held = claim.pull is (Pull.DOWN if claim.active is Active.HIGH else Pull.UP)
    state = energised(claim.active, pin.pull_at_reset)
    if held:
        return
    if state:
        word = "down" if claim.active is Active.HIGH else "up"
        yield finding(
            "boot-energised",
            severity,
            f"{one.text} {_what(one)} is on from power-up until the firmware of {name} runs",
            places=[one.place],
            why=f"{where} is pulled {'up' if claim.active is Active.HIGH else 'down'} at reset",
            repair=[one.typed(f"pull: {word}", "with a resistor of 4.7 kohm fitted at that pin")],
            plugins=[one.instance],
            resource=f"{name} pin {pin.name}",
        )
    elif state is None and _hazard(one) in DANGEROUS:
        yield _undefined(one, where, claim, f"{name} pin {pin.name}", f"that pin of {name}")


def _quiet_pins(chip: Chip, claim: SignalClaim) -> list[str]:
    return [
        pin.name
        for pin in chip.pins.values()
        if pin.output
        and pin_listed(claim, chip, pin)
        and pin.reserved is None
        and pin.reserved_if is None
        and pin.strap is None
        and pin.moves_at_boot is None
        and pin.module_use is None
        and pin.debug is None
        and not pin.host_link
    ]
