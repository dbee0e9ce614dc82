"""Header positions of supply and ground: the nearest one, as long as its contact bears it."""

from __future__ import annotations

from collections import defaultdict

from robokit_plan.hardware.electrical.circuit import Wiring
from robokit_plan.model import (
    BOARD_PART,
    GROUND_NET,
    Does,
    End,
    Milliamp,
    Millivolt,
    Pin,
    PinKind,
    SupplyName,
)

_USB_MA = 500
"""What a USB 2.0 port gives (USB 2.0 section 7.2.1, from memory)."""


class Places:
    """
    Gives each wire of supply and ground a header position.

    Positions are chosen by how near they are to the part's own lines, and by nothing that another
    plugin does, as long as the contacts bear it: so a switch of one plugin moves no other's wire.
    """

    def __init__(self, wiring: Wiring) -> None:
        self._wiring = wiring
        self._order = {pin.id: at for at, pin in enumerate(wiring.board.pins)}
        self._drawn: dict[str, int] = defaultdict(int)

    def rail_of(self, name: str) -> str | None:
        """Return the board's own name of a header rail: ``3V3``, ``5V`` or as it is; None: none."""
        rails = {
            pin.rail: pin.rail_max or 0
            for pin in self._wiring.board.pins
            if pin.kind is PinKind.POWER and pin.rail is not None
        }
        if name in rails:
            return name
        fitting = sorted((rails[one], one) for one in rails if one.endswith(name))
        if name not in {"3V3", "5V"} or not fitting:
            return None
        # Where there are two 5 V rails the stronger one is there only while enough comes in
        # (VMAN_BB ch08, as in electrical/power.py).
        supply = self._wiring.board_supply()
        strong = supply is not None and (supply.max_current or 0) > _USB_MA
        return fitting[-1 if strong else 0][1]

    def volts(self, rail: str) -> Millivolt:
        """Return the voltage of a header rail."""
        if rail.endswith("3V3"):
            return Millivolt(3300)
        supply = self._wiring.board_supply()
        # The header's 5 V is what feeds the board, but for what its inlet loses.
        near = supply is not None and 4000 <= supply.volts <= 5500
        return supply.volts if supply is not None and near else Millivolt(5000)

    def power(self, rail: str, near: Pin | None, current: Milliamp | None) -> End | None:
        """Return a position of *rail* for a part that draws *current*; None: there is none."""
        pins = [pin for pin in self._wiring.board.pins if pin.rail == rail]
        if not pins:
            return None
        draws = current or 0
        fit = [
            pin
            for pin in pins
            if pin.rail_max is None or self._drawn[str(pin.id)] + draws <= pin.rail_max
        ]
        pin = min(fit or pins, key=lambda one: self._distance(one, near))
        self._drawn[str(pin.id)] += draws
        return End(part=BOARD_PART, pin=str(pin.id), does=Does.FEEDS, level=self.volts(rail))

    def ground(self, near: Pin | None) -> End:
        """Return the ground position nearest to *near*."""
        pins = [pin for pin in self._wiring.board.pins if pin.kind is PinKind.GROUND]
        if not pins:
            return End(part=BOARD_PART, pin=GROUND_NET, does=Does.GROUND)
        pin = min(pins, key=lambda one: self._distance(one, near))
        return End(part=BOARD_PART, pin=str(pin.id), does=Does.GROUND)

    def _distance(self, pin: Pin, near: Pin | None) -> tuple[int, int, int]:
        if near is None:
            return 0, self._order[pin.id], 0
        here, there = str(pin.id).rpartition("_")[0], str(near.id).rpartition("_")[0]
        rows = abs(self._order[pin.id] // 2 - self._order[near.id] // 2)
        return int(here != there), rows, self._order[pin.id]


def supply_net(wiring: Wiring, name: str, places: Places) -> str:
    """Return the net of a supply: the header's own 5 V where it feeds the board there."""
    supply = wiring.robot.supplies.get(SupplyName(name))
    if supply is not None and supply.by == "header" and "board" in supply.feeds:
        return places.rail_of("5V") or name
    return name
