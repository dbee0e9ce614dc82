"""The wiring sheet as text and as CSV."""

from __future__ import annotations

import csv
import io
import textwrap
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from robokit_plan.model import (
    BOARD_PART,
    Assignment,
    Board,
    Component,
    LineUse,
    Plan,
    Wire,
    WireKind,
    Wires,
    listed,
)

from ._cautions import caution_rows, render_cautions
from ._nets import csv_cell
from ._plain import plain
from ._sheet import (
    Position,
    State,
    User,
    current_text,
    direction_text,
    is_wired,
    level_text,
    open_buses,
    positions_of,
)
from ._table import fitted, row_lines
from ._wire_rows import (
    between_text,
    colour_of,
    current_of,
    end_text,
    level_of,
    open_text,
    part_text,
    remark_of,
    supplied_positions,
    way_of,
    wire_text,
)
from ._wires import WIRE_NOTE, WireKey, wire_colours


def render_wiring_text(
    plan: Plan,
    board: Board,
    wires: Wires | None = None,
    *,
    by: str = "plugin",
    width: int = 100,
) -> str:
    """
    Return who connects to which header position, what is free, and the cautions.

    Args:
        plan: The robot.
        board: Its board, for the header.
        wires: Both ends of every wire; None: only the board's are known.
        by: ``plugin`` or ``position``.
        width: Of the table, in characters.
    """
    places = positions_of(plan, board)
    title = f"{plain(plan.robot)}{_profile(plan)} on {plain(board.id)}"
    blocks = [title]
    if wires is not None and wires.wires and by == "plugin":
        blocks += _by_part(plan, board, wires, width)
        rows = []
    elif by == "position":
        rows = _by_position(plan, places, board, wires)
    else:
        rows = _by_plugin(plan, board)
    if not rows:
        pass
    elif len(rows) > 1:
        rows = _told(rows)
        widths = fitted(rows, width)
        blocks.append("\n".join(line for row in rows for line in row_lines(row, widths)))
        blocks.append("\n".join(textwrap.wrap(_NOTE, width)))
    else:
        blocks.append("nothing is wired")
    blocks.append(_free(plan, board, places, width))
    if caution_rows(plan):
        blocks.append(render_cautions(plan, width=width).rstrip("\n"))
    return "\n\n".join(blocks) + "\n"


_NOTE = f"direction: seen from the board, or from the companion whose pin it is; {WIRE_NOTE}"


def _told(rows: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Return *rows* without columns that say nothing on this robot."""
    kept = [at for at in range(len(rows[0])) if any(row[at] for row in rows[1:])]
    return [tuple(row[at] for at in kept) for row in rows]


def _profile(plan: Plan) -> str:
    return "" if plan.profile is None else f" ({plain(plan.profile)})"


_PLUGIN_COLUMNS = (
    "claim", "what", "line", "position", "direction", "level", "current", "port", "wire",
)  # fmt: skip


def _by_plugin(plan: Plan, board: Board) -> list[tuple[str, ...]]:
    colours = wire_colours(plan)
    rows: list[tuple[str, ...]] = [_PLUGIN_COLUMNS]
    for one in sorted(plan.assignments, key=lambda one: (one.instance, one.section, one.claim)):
        name = f"{one.instance}.{one.claim}"
        port = "" if one.port is None else str(one.port)
        if not one.lines:
            rows.append((name, _what(one), "", "", "", "", current_text(one), port, ""))
        for at, use in enumerate(one.lines):
            where = use.position if one.on_board else f"on {one.controller}"
            wire = is_wired(one, use)
            signal = "" if use.signal == one.claim else f" {use.signal}"
            rows.append(
                (
                    f"{name}{signal}",
                    (_what(one) if at == 0 else "") if wire else "taken, no wire",
                    use.line,
                    where or "",
                    direction_text(use) if wire else "",
                    level_text(one, use, board) if wire else "",
                    current_text(one) if at == 0 else "",
                    port if at == 0 else "",
                    colours.get((one.instance, one.claim, use.signal), ""),
                )
            )
    return [tuple(plain(cell) for cell in row) for row in rows]


def _what(one: Assignment) -> str:
    """Return what the claim got, where lines and port do not say it."""
    if one.section in {"signals", "one-wire", "ports"}:
        return one.function or one.section
    return str(one.resource)


_PART_COLUMNS = ("pin", "goes to", "through", "level", "way", "current", "wire", "remark")
_PART_NOTE = (
    "way: seen from the part; level: on the part's side; the names of pins are those of its data "
    f"sheet where the part is known, else the usual ones; {WIRE_NOTE}"
)


def _by_part(plan: Plan, board: Board, wires: Wires, width: int) -> list[str]:
    """Return a table a part, all of one shape, then what the robot itself needs."""
    colours = wire_colours(plan)
    components = {one.name: one for one in wires.components}
    by_part: dict[str, list[Wire]] = defaultdict(list)
    for wire in wires.wires:
        by_part[wire.near.part].append(wire)
    order = list(dict.fromkeys(wire.near.part for wire in wires.wires))
    known = {one.name: one for one in wires.parts}
    tables = {
        name: [
            tuple(
                plain(cell)
                for cell in (
                    wire.near.pin,
                    end_text(wire.far, wire, board),
                    between_text(wire, components),
                    level_of(wire),
                    way_of(wire),
                    current_of(wire),
                    wire_text(wire, colours),
                    remark_of(wire),
                )
            )
            for wire in by_part[name]
        ]
        for name in order
    }
    rows = _told([_PART_COLUMNS, *(row for name in order for row in tables[name])])
    widths = fitted(rows, width - len(_INDENT))
    blocks = ["\n".join(row_lines(rows[0], widths, indent=_INDENT))]
    at = 1
    for name in order:
        part = known.get(name)
        lines = [plain(name if part is None else part_text(part))]
        for row in rows[at : at + len(tables[name])]:
            lines += row_lines(row, widths, indent=_INDENT)
        at += len(tables[name])
        left = "" if part is None else open_text(part)
        if left:
            lines += textwrap.wrap(
                plain(f"left open: {left}"),
                width,
                initial_indent=_INDENT,
                subsequent_indent=_INDENT * 2,
            )
        blocks.append("\n".join(lines))
    loose = [one for one in wires.components if not _is_passed(one, wires)]
    if loose:
        texts = [
            f"{one.name}: {one.kind} {one.value} between {listed([net for net, _ in one.ends])}"
            for one in loose
        ]
        blocks.append("\n".join(["besides", *(_INDENT + plain(text) for text in texts)]))
    blocks.append("\n".join(textwrap.wrap(_PART_NOTE, width)))
    return blocks


_INDENT = "  "


def _is_passed(one: Component, wires: Wires) -> bool:
    """Return whether a wire's own row tells of *one*."""
    return any(
        one.name in wire.between or one.name in {wire.far.part, wire.near.part}
        for wire in wires.wires
    )


def _by_position(
    plan: Plan, places: list[Position], board: Board, wires: Wires | None
) -> list[tuple[str, ...]]:
    colours = wire_colours(plan)
    supplied = {} if wires is None else supplied_positions(wires)
    rows: list[tuple[str, ...]] = [
        (
            "position", "line", "state", "who", "direction", "level", "current", "port", "wire",
            "remark",
        )
    ]  # fmt: skip
    for place in places:
        users = place.users
        rows.append(
            (
                place.pin.id,
                place.kind_text,
                place.state.value,
                listed([user.label for user in users] or list(supplied.get(place.pin.id, ()))),
                _each(direction_text(user.use) for user in users),
                _each(level_text(user.assignment, user.use, board) for user in users),
                _each(current_text(user.assignment) for user in users),
                _each(user.assignment.port or "" for user in users),
                _each(colours.get(_key(user), "") for user in users),
                place.remark,
            )
        )
    return [tuple(plain(cell) for cell in row) for row in rows]


def _key(user: User) -> WireKey:
    return (user.assignment.instance, user.assignment.claim, user.use.signal)


def _each(texts: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(text for text in texts if text))


def _free(plan: Plan, board: Board, places: list[Position], width: int) -> str:
    lines = [
        f"{place.line} ({place.pin.id})"
        for place in places
        if place.state is State.FREE and not place.remark
    ]
    rows = [("free lines", ", ".join(lines) or "none")]
    rows += [
        ("better kept" if place.state is State.FREE else "kept",
         f"{place.line} ({place.pin.id}): {place.remark}")
        for place in places
        if place.remark and place.state in {State.FREE, State.KEPT}
    ]  # fmt: skip
    for bus in open_buses(plan, board):
        where = ", ".join(f"{signal} at {position}" for signal, position in bus.signals)
        taken = ", ".join(f"0x{one:02x}" for one in bus.addresses) or "none"
        text = (
            f"{bus.bus}: {where}; addresses taken: {taken}" if bus.in_use else f"{bus.bus}: {where}"
        )
        rows.append(("open buses" if bus.in_use else "free buses", text))
    rows = [(plain(head), plain(text)) for head, text in rows]
    shown: list[tuple[str, str]] = []
    for head, text in rows:
        shown.append(("" if shown and head in {one for one, _ in shown} else head, text))
    widths = fitted(rows, width)
    widths[0] = max(len(head) for head, _ in rows)
    widths[1] = max(width - widths[0] - 2, 20)
    return "\n".join(line for row in shown for line in row_lines(row, widths))


# --- CSV --------------------------------------------------------------------------------------

CSV_COLUMNS = (
    "state", "plugin", "claim", "section", "function", "resource", "signal", "line", "position",
    "bus", "address", "select", "channel", "port", "controller", "device", "direction", "level",
    "current-ma", "wire",
)  # fmt: skip


WIRE_COLUMNS = (
    "part", "part-type", "part-pin", "kind", "far-part", "far-pin", "net", "far-net", "through",
    "way", "mm2", "length-mm", "pull", "active", "remark",
)  # fmt: skip


def render_wiring_csv(plan: Plan, board: Board, wires: Wires | None = None) -> str:
    """
    Return one row per claim and line, then the free positions; for spreadsheets.

    With *wires* each row says the part's end too, and supply, ground, straps, ports, companions
    and supplies have rows of their own. `direction` is seen from the board, `way` from the part.

    A cell that a spreadsheet would take for a formula starts with an apostrophe.

    Source:
        RFC 4180 for quoting (with LF); OWASP, "CSV Injection", for the first characters.
    """
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    columns = CSV_COLUMNS + (() if wires is None else WIRE_COLUMNS)
    writer.writerow(columns)
    colours = wire_colours(plan)
    ends = _ends_by_claim(wires)
    types = {} if wires is None else {one.name: one.type for one in wires.parts}
    for one in sorted(plan.assignments, key=lambda one: (one.instance, one.section, one.claim)):
        for use in one.lines or (None,):
            writer.writerow(
                csv_cell(cell)
                for cell in (
                    "shared" if use is not None and use.shared else "used",
                    one.instance,
                    one.claim,
                    one.section,
                    one.function,
                    one.resource,
                    "" if use is None else use.signal,
                    "" if use is None else use.line,
                    "" if use is None else use.position or "",
                    one.bus or "",
                    "" if one.address is None else f"0x{one.address:02x}",
                    "" if one.select is None else str(one.select),
                    one.channel or "",
                    one.port or "",
                    one.controller or "",
                    one.device or "",
                    *_end(one, use, board, colours),
                    *_far_cells(
                        ends.get((one.instance, one.claim, "" if use is None else use.signal)),
                        wires,
                        types,
                    ),
                )
            )
    for wire in _further(wires):
        row = dict.fromkeys(CSV_COLUMNS, "")
        row |= {
            "state": wire.kind.value,
            "plugin": str(wire.instance or ""),
            "claim": str(wire.claim or ""),
            "position": wire.far.pin if wire.far.part == BOARD_PART else "",
            "level": level_of(wire),
            "current-ma": "" if wire.current is None else str(wire.current),
            "wire": colour_of(wire, colours),
        }
        cells = (*row.values(), *_far_cells(wire, wires, types))
        writer.writerow(csv_cell(cell) for cell in cells)
    for place in positions_of(plan, board):
        if place.state in {State.FREE, State.KEPT}:
            row = dict.fromkeys(columns, "")
            row |= {"state": place.state.value, "line": str(place.line), "position": place.pin.id}
            writer.writerow(csv_cell(cell) for cell in row.values())
    return target.getvalue()


def _ends_by_claim(wires: Wires | None) -> dict[tuple[str, str, str], Wire]:
    """Return instance, claim, signal -> the wire; a claim without lines has the signal ""."""
    found: dict[tuple[str, str, str], Wire] = {}
    for wire in () if wires is None else wires.wires:
        if wire.instance is not None and wire.kind in {WireKind.SIGNAL, WireKind.PLUG}:
            signal = "" if wire.kind is WireKind.PLUG else wire.signal
            found[wire.instance, str(wire.claim), signal] = wire
    return found


def _further(wires: Wires | None) -> list[Wire]:
    """Return the wires that no claim's line stands for."""
    return [
        wire
        for wire in (() if wires is None else wires.wires)
        if wire.instance is None or wire.kind not in {WireKind.SIGNAL, WireKind.PLUG}
    ]


def _far_cells(wire: Wire | None, wires: Wires | None, types: Mapping[str, str]) -> tuple[str, ...]:
    if wires is None:
        return ()
    if wire is None:
        return ("",) * len(WIRE_COLUMNS)
    components = {one.name: one for one in wires.components}
    return (
        wire.near.part,
        types.get(wire.near.part, ""),
        wire.near.pin,
        wire.kind.value,
        wire.far.part,
        wire.far.pin,
        wire.near_net,
        wire.far_net,
        between_text(wire, components),
        way_of(wire),
        "" if wire.size is None else f"{wire.size / 100:g}",
        "" if wire.length_mm is None else str(wire.length_mm),
        "" if wire.pull is None else wire.pull.value,
        "" if wire.active is None else wire.active.value,
        remark_of(wire),
    )


def _end(
    one: Assignment, use: LineUse | None, board: Board, colours: Mapping[WireKey, str]
) -> tuple[str, str, str, str]:
    current = "" if one.current is None else str(one.current)
    if use is None or not is_wired(one, use):
        return ("", "", "" if use is not None else current, "")
    return (
        direction_text(use),
        level_text(one, use, board),
        current,
        colours[one.instance, one.claim, use.signal],
    )
