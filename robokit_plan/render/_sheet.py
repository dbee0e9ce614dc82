"""Who is at which header position, and what is still free: the values behind every wiring sheet."""

from __future__ import annotations

import re
from collections import defaultdict
from enum import Enum
from itertools import islice

from robokit_plan.model import (
    Assignment,
    Board,
    Direction,
    LineName,
    LineUse,
    Pin,
    PinId,
    PinKind,
    Plan,
    dataclass,
    volt_text,
)

_FUNCTION = re.compile(r"\w+ of \w+", re.ASCII)


def is_wired(one: Assignment, use: LineUse) -> bool:
    """
    Whether a wire goes to *use*.

    A string of LEDs on a bus has one wire: the bus takes its other lines, which stay empty. So
    does a stream that goes one way alone: the line of the other way has no direction.
    """
    if one.section == "i2s" and use.direction is None:
        return all(each.direction is None for each in one.lines)
    return not one.function.startswith("led-string") or use.signal == one.claim


def is_behind(one: Assignment) -> bool:
    """Whether its wires end at a multiplexer, not at the header."""
    return one.section == "i2c" and " behind " in one.resource


class State(Enum):
    """State of use of a position; the value is the word that is shown."""

    FREE = "free"
    USED = "used"
    SHARED = "shared"
    """A bus line or a line that its users agreed to share."""
    KEPT = "kept"
    """The board or its stock image uses it."""
    CONFLICT = "conflict"
    OTHER = ""
    """Power, ground and what is never assigned."""


@dataclass(frozen=True, kw_only=True, slots=True)
class User:
    """One claim on one line."""

    assignment: Assignment
    use: LineUse

    @property
    def claim(self) -> str:
        """Instance and claim."""
        return f"{self.assignment.instance}.{self.assignment.claim}"

    @property
    def label(self) -> str:
        """Claim and, where the claim has several lines, which of them."""
        if not is_wired(self.assignment, self.use):
            return f"{self.claim} takes it, no wire"
        # Not more than two are looked at: each line of a claim asks this.
        ends = (use for use in self.assignment.lines if is_wired(self.assignment, use))
        many = len([*islice(ends, 2)]) > 1 or self.use.signal != self.assignment.claim
        return f"{self.claim} {self.use.signal}" if many else self.claim


@dataclass(frozen=True, kw_only=True, slots=True)
class Position:
    """One header position and what it carries on this robot."""

    pin: Pin
    line: LineName | None
    state: State
    users: tuple[User, ...]
    remark: str = ""

    @property
    def kind_text(self) -> str:
        """What the position is where it has no line."""
        if self.line is not None:
            return str(self.line)
        return self.pin.rail or self.pin.kind.value


def level_text(one: Assignment, use: LineUse, board: Board) -> str:
    """
    Return the level of a wire: of the board's line, and of the other side where that differs.

    "?": the facts do not know it for sure; what the builder measured is judged by the checks.
    """
    line = board.lines.get(use.line) if one.on_board else None
    pin = None if line is None else next(pin for pin in board.pins if pin.id == line.pin)
    if pin is None or pin.logic is None:
        here = "?" if pin is not None else ""
    else:
        here = volt_text(pin.logic) + ("" if pin.confirmed else " ?")
    there = "" if one.level is None else volt_text(one.level)
    if not there or (pin is not None and pin.logic == one.level):
        return here
    by = f" by {one.converter}" if one.converter else ""
    way = "from" if use.direction is Direction.IN else "to"
    return f"{here} {way} {there}{by}" if here else there


def current_text(one: Assignment) -> str:
    """Return the current through the line of *one* where its manifest says it."""
    return "" if one.current is None else f"{one.current} mA"


def direction_text(use: LineUse) -> str:
    """Return which way a line goes, seen from the board; empty where nobody said."""
    return "" if use.direction is None else use.direction.value


def positions_of(plan: Plan, board: Board) -> list[Position]:
    """Return every header position of *board* in the order of its header."""
    users: dict[LineName, list[User]] = defaultdict(list)
    for one in plan.assignments:
        if one.on_board and not is_behind(one):
            for use in one.lines:
                users[use.line].append(User(assignment=one, use=use))
    kept: dict[PinId, str] = {}
    for claim in board.default_claims:
        for pin in claim.pins:
            freed = f", freed by {claim.freed_by}" if claim.freed_by else ""
            kept.setdefault(pin, f"{claim.by}{freed}")
    return [_position(pin, board, users, kept.get(pin.id)) for pin in board.pins]


def _position(
    pin: Pin, board: Board, users: dict[LineName, list[User]], kept: str | None
) -> Position:
    here = [user for line in pin.lines for user in users.get(line, ())]
    line = here[0].use.line if here else (pin.lines[0] if pin.lines else None)
    found = None if line is None else board.lines.get(line)
    remark = kept or ""
    if not remark and found is not None:
        remark = "; ".join(one for one in found.special if not _FUNCTION.fullmatch(one))
    if here:
        state = _state(here)
    elif pin.kind is not PinKind.GPIO:
        state, remark = State.OTHER, pin.note
    elif kept or (found is not None and not found.usable):
        state = State.KEPT
    else:
        state = State.FREE
    return Position(
        pin=pin,
        line=line,
        state=state,
        users=tuple(sorted(here, key=lambda one: (one.claim, one.use.signal))),
        remark=remark,
    )


def _state(users: list[User]) -> State:
    if all(user.use.shared for user in users):
        return State.SHARED
    return State.USED if len({user.claim for user in users}) == 1 else State.CONFLICT


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenBus:
    """
    A bus that still takes a device.

    `signals`: signal -> header position, those that the bus cannot do without. `addresses`: taken,
    where it is an I2C bus in use.
    """

    bus: str
    kind: str
    signals: tuple[tuple[str, str], ...]
    in_use: bool
    addresses: tuple[int, ...] = ()


# What a bus cannot do without; all of its lines where its kind is not listed. One select will do.
_NEEDED = {"uart": {"tx", "rx"}, "spi": {"sclk", "mosi", "miso", "cs0"}}


def open_buses(plan: Plan, board: Board) -> list[OpenBus]:
    """
    Return the I2C buses in use, then every bus whose lines are free; one way per bus and channel.

    A bus in use that takes no further device (a UART, an I2S stream) is left out.
    """
    free = {place.line for place in positions_of(plan, board) if place.state is State.FREE}
    used: dict[str, list[Assignment]] = defaultdict(list)
    for one in plan.assignments:
        if one.bus is not None:
            used[str(one.bus)].append(one)
    found: dict[tuple[str, ...], OpenBus] = {}
    for outlet in board.outlets:
        name = str(outlet.bus)
        wanted = _NEEDED.get(outlet.kind, set(outlet.lines))
        lines = {signal: line for signal, line in outlet.lines.items() if signal in wanted}
        signals = tuple((signal, str(board.pin_of(lines[signal]) or "?")) for signal in lines)
        key = (name, *(sorted(lines) if outlet.kind in {"pwm", "clock"} else ()))
        holders = used.get(name, [])
        if holders and outlet.kind == "i2c":
            if {use.line for one in holders for use in one.lines} & set(lines.values()):
                taken = {one.address for one in holders if one.address is not None}
                found[key] = OpenBus(
                    bus=name,
                    kind=outlet.kind,
                    signals=signals,
                    in_use=True,
                    addresses=tuple(sorted(taken)),
                )
        elif holders and outlet.kind not in {"pwm", "clock"}:
            continue
        elif key not in found and outlet.complete and lines and set(lines.values()) <= free:
            found[key] = OpenBus(bus=name, kind=outlet.kind, signals=signals, in_use=False)
    return sorted(
        found.values(),
        key=lambda one: (not one.in_use, one.kind, _natural(one.bus), one.signals),
    )


def _natural(name: str) -> tuple[object, ...]:
    return tuple(
        (int(part), "") if part.isdecimal() else (-1, part)
        for part in re.split(r"(\d+)", name)
        if part
    )
