"""Boards plugged onto the header: what they take, whether they fit, what tells them apart."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from robokit_plan.hardware.problem import BootClaim
from robokit_plan.model import AddOn, Board, BusName, Finding, Place, Severity, finding, listed

from .circuit import Wiring

ID_ADDRESSES = (0x50, 0x51, 0x52, 0x53)
"""Where identification memories may sit: plain, stackable, and two for supplies (HAT_GUIDE)."""


def add_on_claims(board: Board, add_ons: Iterable[AddOn]) -> tuple[BootClaim, ...]:
    """Return what *add_ons* hold before any plugin asks; they have no say in where."""
    pins = {pin.id: pin for pin in board.pins}
    return tuple(
        BootClaim(
            by=f"add-on board {one.name}",
            lines={
                line: None
                for position in one.positions
                if position in pins
                for line in pins[position].lines
            },
            buses=tuple(BusName(block) for block in one.blocks),
            origin=one.origin,
        )
        for one in add_ons
    )


def check_add_ons(wiring: Wiring) -> Iterator[Finding]:
    """Return add-on boards that do not fit the header, or that nobody can tell apart."""
    for one in wiring.robot.add_ons:
        yield from _fits(wiring.board, one)
    yield from _identified(wiring)


def _place(one: AddOn) -> Place:
    return Place(origin=one.origin, label=f"add-on board {one.name}")


def _fits(board: Board, one: AddOn) -> Iterator[Finding]:
    known = {str(pin.id) for pin in board.pins}
    rows = [name for name in known if name.isdecimal()]
    lost = [position for position in one.positions if position not in known]
    if not lost and (one.size is None or one.size <= len(rows)):
        return
    yield finding(
        "add-on-misfit",
        Severity.ERROR,
        f"add-on board {one.name} does not fit the header of {board.id}",
        places=[_place(one)],
        why=f"it wants position {lost[0]}, which the header does not have"
        if lost
        else f"its socket has {one.size} positions, the header {len(rows)} in one connector"
        if rows
        else "its positions are counted in one row, the header's by connector",
        repair=f"take {one.name} out of add-ons in robot.yaml",
        resource=one.name,
    )


def _identified(wiring: Wiring) -> Iterator[Finding]:
    by_address: dict[int, list[AddOn]] = defaultdict(list)
    for one in wiring.robot.add_ons:
        if one.id_eeprom is not None:
            by_address[one.id_eeprom].append(one)
    kept = {name for name, line in wiring.board.lines.items() if line.reserved == "id-eeprom"}
    buses = {
        outlet.bus
        for outlet in wiring.board.outlets
        if outlet.kind == "i2c" and set(outlet.lines.values()) <= kept
    }
    for address, ones in sorted(by_address.items()):
        devices = [
            each
            for each in wiring.on_board()
            if each.assignment is not None
            and each.assignment.bus in buses
            and each.assignment.address == address
        ]
        if len(ones) + len(devices) < 2:
            continue
        free = next((each for each in ID_ADDRESSES if each not in by_address), None)
        names = [f"add-on board {one.name}" for one in ones] + [one.text for one in devices]
        yield finding(
            "id-eeprom-collision",
            Severity.ERROR if devices else Severity.WARNING,
            f"{listed(names)} answer to 0x{address:02x} on the bus that tells add-on boards apart",
            places=[*map(_place, ones), *(one.place for one in devices)],
            why="the firmware reads one memory there, so that neither is recognised; 0x51 is for "
            "boards that stack, 0x52 and 0x53 for those that feed",
            repair=[f"add-ons: {{{ones[-1].name}: {{id-eeprom: 0x{free:02x}}}}}   once it is moved"]
            if free is not None
            else [],
            plugins=[one.instance for one in devices],
            resource=f"0x{address:02x}",
        )
