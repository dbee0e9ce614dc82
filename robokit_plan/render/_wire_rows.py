"""How one wire reads: the words that every view of the table of wires shares."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import (
    BOARD_PART,
    Active,
    Board,
    Component,
    End,
    FittedPart,
    PinId,
    PinKind,
    Pull,
    Wire,
    WireKind,
    Wires,
    current_text,
    volt_text,
)

from ._wires import WireKey

SUPPLY_COLOUR, GROUND_COLOUR = "RD", "BK"


def mm2_text(hundredths: int) -> str:
    """
    Return a cross-section.

    >>> mm2_text(250), mm2_text(75)
    ('2.5 mm2', '0.75 mm2')
    """
    return f"{hundredths / 100:g} mm2"


def colour_of(wire: Wire, colours: Mapping[WireKey, str]) -> str:
    """Return the suggested colour in the letters of IEC 60757; "" where no wire is drawn."""
    match wire.kind:
        case WireKind.SUPPLY:
            return SUPPLY_COLOUR
        case WireKind.GROUND:
            return GROUND_COLOUR
        case WireKind.SIGNAL if wire.instance is not None and wire.claim is not None:
            return colours.get((wire.instance, wire.claim, wire.signal), "")
        case _:
            return ""


def wire_text(wire: Wire, colours: Mapping[WireKey, str]) -> str:
    """Return colour and cross-section of a wire as far as anybody said them."""
    parts = [colour_of(wire, colours), "" if wire.size is None else mm2_text(wire.size)]
    return " ".join(part for part in parts if part)


def end_text(end: End, wire: Wire, board: Board) -> str:
    """Return where a wire goes, in words: a header position with what it is, a part's pin."""
    if end.part != BOARD_PART:
        return end.text
    pin = next((one for one in board.pins if str(one.id) == end.pin), None)
    if pin is None:
        return f"{BOARD_PART} {end.pin}"
    if pin.kind is PinKind.GROUND:
        what = "ground"
    else:
        what = wire.far_net if wire.kind is WireKind.SIGNAL else (pin.rail or wire.far_net)
    return f"position {end.pin} ({what})"


def between_text(wire: Wire, components: Mapping[str, Component]) -> str:
    """Return what a wire passes, each by the end of its name, with its value."""
    found = []
    for name in wire.between:
        one = components.get(name)
        short = name.rpartition(".")[2]
        if one is None:
            found.append(short)
        elif one.kind == "shifter":
            found.append(f"{short}: shifter {one.value}".rstrip())
        else:
            to_ground = any(net == "GND" for net, _ in one.ends)
            found.append(f"{short} {one.value}{' to ground' if to_ground else ''}")
    return ", ".join(found)


def level_of(wire: Wire) -> str:
    """Return the level on the part's side."""
    return "" if wire.level is None else volt_text(wire.level)


def current_of(wire: Wire) -> str:
    """Return the current, of all parts of that kind together."""
    return "" if wire.current is None else current_text(wire.current)


def way_of(wire: Wire) -> str:
    """Return which way the wire goes, seen from the part."""
    return "" if wire.direction is None else wire.direction.value


def remark_of(wire: Wire) -> str:
    """Return what else a person must know of a wire."""
    said = []
    if wire.pull is not None and wire.pull is not Pull.NONE:
        said.append(f"pull {wire.pull.value}")
    if wire.active is Active.LOW:
        said.append("active low")
    if wire.length_mm is not None:
        said.append(f"{wire.length_mm} mm long")
    if wire.count > 1:
        said.append(f"{wire.count} of them")
    if wire.note:
        said.append(wire.note)
    return ", ".join(said)


def part_text(part: FittedPart) -> str:
    """Return a part's name with its number and what it is."""
    what = ", ".join(one for one in (part.type, part.what) if one)
    return f"{part.name}: {what}" if what else part.name


def open_text(part: FittedPart) -> str:
    """Return the pins of a part that this robot says nothing about; "" where there are none."""
    names = [pin for pin, _ in part.open_pins]
    return ", ".join(names)


def supplied_positions(wires: Wires) -> dict[PinId, tuple[str, ...]]:
    """Return header position of supply or ground -> parts that a wire joins to it, sorted."""
    found: dict[PinId, set[str]] = {}
    for wire in wires.wires:
        if wire.kind in {WireKind.SUPPLY, WireKind.GROUND, WireKind.STRAP}:
            for end, other in ((wire.far, wire.near), (wire.near, wire.far)):
                if end.part == BOARD_PART and other.part != BOARD_PART:
                    found.setdefault(PinId(end.pin), set()).add(other.part)
    return {pin: tuple(sorted(found[pin])) for pin in sorted(found)}
