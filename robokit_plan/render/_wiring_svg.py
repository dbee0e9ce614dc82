"""
The header as a plan view: our signals' names beside the positions that carry them.

What is coloured is the state of use, never the electrical kind of a position; each state has a
shape of its own as well. Free positions stay empty.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from itertools import groupby
from xml.sax.saxutils import escape

from robokit_plan.model import Board, PinId, PinKind, Plan, Wires, counted

from ._cautions import DEFERENCE, caution_rows
from ._plain import plain
from ._sheet import Position, State, positions_of
from ._wire_rows import supplied_positions
from ._wires import WIRE_NOTE, WireKey, wire_colours

# M. Okabe and K. Ito, "Color Universal Design", 2008: fill, and black or white for the number on it
# by the greater contrast (WCAG 2.1, 1.4.3).
COLOURS = {
    State.USED: ("#0072B2", "#FFFFFF"),
    State.SHARED: ("#56B4E9", "#000000"),
    State.KEPT: ("#E69F00", "#000000"),
    State.CONFLICT: ("#D55E00", "#000000"),
}
_ROW = 26
_PITCH = 30
_RADIUS = 10
_CHARACTER = 7.3  # of the 12 px monospaced face, with room to spare
_MARGIN = 20
_BESIDE = 2  # names beside one position
_LONGEST = 44  # characters of several names there; more would be cut off on a narrow page
_Part = tuple[list[str], float]
WORDS = {
    State.USED: "used by one claim",
    State.SHARED: "shared by the claims of a bus",
    State.KEPT: "kept by the board or its image",
    State.CONFLICT: "in conflict",
}


def render_wiring_svg(plan: Plan, board: Board, wires: Wires | None = None) -> str:
    """
    Return the sheet as one SVG 1.1 document without scripts, links or foreign fonts.

    Light and dark: colours of text and lines follow the reader's scheme; fills are the same.
    """
    headers = headers_of(positions_of(plan, board))
    rows = [places for _, places in headers]
    colours = wire_colours(plan)
    supplied = {} if wires is None else supplied_positions(wires)
    beside = {
        one.pin.id: _beside(one, colours) or _supplied(one, supplied.get(one.pin.id, ()))
        for places in rows
        for one in places
    }
    left, right = (
        max([_label_width(beside[one.pin.id]) for places in rows for one in places[side::2]] + [40])
        for side in (0, 1)
    )
    width = max(2 * _MARGIN + left + right + _PITCH + 4 * _RADIUS, 640)
    axis = _MARGIN + left + 2 * _RADIUS
    parts: list[str] = []
    top = 72.0
    for name, places in headers:
        drawn, bottom = _header(name, places, beside, axis, top)
        parts += drawn
        top = bottom + 36
    legend, top = _legend(headers, top)
    parts += legend
    shared, top = _shared(headers, top, width)
    parts += shared
    cautions, top = _cautions(plan, top, width)
    parts += cautions
    title = f"{plan.robot}{'' if plan.profile is None else f' ({plan.profile})'} on {board.id}"
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {top:.0f}" '
            f'width="{width:.0f}" height="{top:.0f}" role="img" aria-labelledby="title">',
            f'<title id="title">{_text(f"header of {title}")}</title>',
            "<style>",
            "svg { color-scheme: light dark; color: #1a1a1a; background: #ffffff }",
            "text { font: 12px ui-monospace, monospace; fill: currentColor }",
            ".head { font-weight: bold }",
            ".line { stroke: currentColor; fill: none }",
            "@media (prefers-color-scheme: dark) {",
            "  svg { color: #f0f0f0; background: #1a1a1a }",
            "}",
            "</style>",
            f'<text class="head" x="{_MARGIN}" y="28">{_text(title)}</text>',
            f'<text x="{_MARGIN}" y="46">seen from above, position 1 at the square pad</text>',
            *parts,
            "</svg>",
            "",
        ]
    )


def _text(text: str) -> str:
    return escape(plain(text), {'"': "&quot;", "'": "&#39;"})


def headers_of(places: Sequence[Position]) -> list[tuple[str, list[Position]]]:
    """Return the connectors of a board: position ids such as P9_22 name theirs."""
    return [
        (name, list(group))
        for name, group in groupby(
            places, key=lambda one: one.pin.id.rpartition("_")[0] if "_" in one.pin.id else ""
        )
    ]


def label_of(place: Position) -> str:
    """Return the names of our signals at a position; "" where it is free."""
    return ", ".join(plain(user.label) for user in place.users)


def short_label_of(place: Position) -> str:
    """Return the names at a position as far as they fit beside it; the sheet lists the others."""
    label = label_of(place)
    if len(place.users) == 1 or (len(place.users) <= _BESIDE and len(label) <= _LONGEST):
        return label
    return f"{plain(place.users[0].label)} and {len(place.users) - 1} more"


def _beside(place: Position, colours: Mapping[WireKey, str]) -> str:
    """Return the names at a position and, in brackets, the colour of the wire that goes there."""
    letters = dict.fromkeys(
        colours[key]
        for user in place.users
        if (key := (user.assignment.instance, user.assignment.claim, user.use.signal)) in colours
    )
    label = short_label_of(place)
    return f"{label} [{', '.join(letters)}]" if letters else label


def _supplied(place: Position, parts: Sequence[str]) -> str:
    """Return the word of a position of supply or ground, and who hangs on it."""
    if place.pin.kind is PinKind.GROUND:
        word = "ground"
    elif place.pin.kind is PinKind.POWER:
        word = str(place.pin.rail or "supply")
    else:
        return ""
    who = ", ".join(parts[:_BESIDE])
    if len(parts) > _BESIDE or len(who) > _LONGEST:
        who = counted(len(parts), "part")
    return f"{word}: {plain(who)}" if parts else word


def _shared(headers: list[tuple[str, list[Position]]], top: float, width: float) -> _Part:
    """Return every name at the positions where not all of them fit."""
    room = int((width - 2 * _MARGIN) / _CHARACTER)
    parts = []
    for _, places in headers:
        for place in places:
            if short_label_of(place) == label_of(place):
                continue
            for line in textwrap.wrap(
                f"{place.pin.id}: {label_of(place)}", room, subsequent_indent="    "
            ):
                parts.append(
                    f'<text x="{_MARGIN}" y="{top + 8:.0f}" xml:space="preserve">'
                    f"{_text(line)}</text>"
                )
                top += 18
    return parts, top + (14 if parts else 0)


def _label_width(label: str) -> float:
    return len(label) * _CHARACTER + 8


def _header(
    name: str, places: list[Position], beside: Mapping[PinId, str], axis: float, top: float
) -> _Part:
    parts = []
    if name:
        parts.append(f'<text class="head" x="{axis:.0f}" y="{top - 20:.0f}">{_text(name)}</text>')
    rows = (len(places) + 1) // 2
    wide, high = _PITCH + 2 * _RADIUS + 10, (rows - 1) * _ROW + 2 * _RADIUS + 10
    parts.append(
        f'<rect class="line" x="{axis - _RADIUS - 5:.0f}" y="{top - _RADIUS - 5:.0f}" rx="4" '
        f'width="{wide}" height="{high}"/>'
    )
    for at, place in enumerate(places):
        side = at % 2
        x, y = axis + side * _PITCH, top + (at // 2) * _ROW
        parts += _pad(place, x, y, square=at == 0)
        label = beside[place.pin.id]
        if label:
            edge = x - _RADIUS - 10 if side == 0 else x + _RADIUS + 10
            anchor = "end" if side == 0 else "start"
            parts.append(
                f'<text x="{edge:.0f}" y="{y + 4:.0f}" text-anchor="{anchor}">{_text(label)}</text>'
            )
    return parts, top + rows * _ROW


def _pad(place: Position, x: float, y: float, *, square: bool) -> list[str]:
    """Return one position: its outline, filled by its state, with its number."""
    colours = COLOURS.get(place.state)
    fill = "none" if colours is None else colours[0]
    ink = "" if colours is None else f' style="fill: {colours[1]}"'
    told = f"{place.pin.id} {place.kind_text} {place.state.value} {label_of(place)}".rstrip()
    if square:
        shape = (
            f'<rect x="{x - _RADIUS:.0f}" y="{y - _RADIUS:.0f}" width="{2 * _RADIUS}" '
            f'height="{2 * _RADIUS}" fill="{fill}" stroke="currentColor">'
            f"<title>{_text(told)}</title></rect>"
        )
    else:
        shape = (
            f'<circle cx="{x:.0f}" cy="{y:.0f}" r="{_RADIUS}" fill="{fill}" stroke="currentColor">'
            f"<title>{_text(told)}</title></circle>"
        )
    parts = [shape, *mark_of(place.state, x, y), *_mark_of_supply(place, x, y)]
    number = place.pin.id.rpartition("_")[2]
    parts.append(
        f'<text x="{x:.0f}" y="{y + 4:.0f}" text-anchor="middle"{ink}>{_text(number)}</text>'
    )
    return parts


def _mark_of_supply(place: Position, x: float, y: float) -> list[str]:
    """Return what marks supply (an arrow) and ground (bars) on the pad's rim, without colour."""
    top = y - _RADIUS
    match place.pin.kind:
        case PinKind.GROUND:
            bars = (
                f"M {x - 6:.0f} {top - 1:.0f} h 12 M {x - 4:.0f} {top - 3:.0f} h 8 "
                f"M {x - 2:.0f} {top - 5:.0f} h 4"
            )
            return [f'<path class="line" d="{bars}"/>']
        case PinKind.POWER:
            return [
                f'<path class="line" d="M {x - 5:.0f} {top - 1:.0f} l 5 -5 l 5 5"/>',
            ]
        case _:
            return []


def mark_of(state: State, x: float, y: float) -> list[str]:
    """Return what tells a state apart without its colour."""
    match state:
        case State.SHARED:
            return [f'<circle class="line" cx="{x:.0f}" cy="{y:.0f}" r="{_RADIUS + 3}"/>']
        case State.KEPT:
            return [
                f'<path class="line" d="M {x - _RADIUS:.0f} {y + _RADIUS:.0f} '
                f'l {2 * _RADIUS} {-2 * _RADIUS}"/>'
            ]
        case State.CONFLICT:
            side = 2 * _RADIUS + 6
            return [
                f'<rect class="line" stroke-width="2" x="{x - side / 2:.0f}" '
                f'y="{y - side / 2:.0f}" width="{side}" height="{side}"/>'
            ]
        case _:
            return []


def _legend(headers: list[tuple[str, list[Position]]], top: float) -> _Part:
    """Return a line for each state that occurs, and what the letters are."""
    present = {place.state for _, places in headers for place in places}
    parts = []
    for state, (fill, _) in COLOURS.items():
        if state in present:
            x, y = _MARGIN + _RADIUS, top
            parts.append(
                f'<circle cx="{x}" cy="{y:.0f}" r="{_RADIUS}" fill="{fill}" stroke="currentColor"/>'
            )
            parts += mark_of(state, x, y)
            parts.append(f'<text x="{x + 22}" y="{y + 4:.0f}">{WORDS[state]}</text>')
            top += _ROW + 2
    if any(place.users for _, places in headers for place in places):
        for line in textwrap.wrap(f"[letters]: {WIRE_NOTE}", 84):
            parts.append(f'<text x="{_MARGIN}" y="{top + 4:.0f}">{_text(line)}</text>')
            top += 18
        top += 10
    return parts, top


def _cautions(plan: Plan, top: float, width: float) -> tuple[list[str], float]:
    rows = caution_rows(plan)
    if not rows:
        return [], top
    room = int((width - 2 * _MARGIN) / _CHARACTER)
    parts = []
    texts = [f"caution {hazard} ({who}): {caution}" for hazard, who, caution in rows]
    for line in (line for text in [*texts, DEFERENCE] for line in textwrap.wrap(text, room)):
        parts.append(f'<text x="{_MARGIN}" y="{top + 8:.0f}">{_text(line)}</text>')
        top += 18
    return parts, top + 12
