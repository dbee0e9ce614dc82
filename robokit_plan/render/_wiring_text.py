"""The wiring sheet as text and as CSV."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Iterable, Mapping, Sequence

from robokit_plan.model import Assignment, Board, LineUse, Plan, listed

from ._cautions import caution_rows, render_cautions
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
from ._wires import WIRE_NOTE, WireKey, wire_colours


def render_wiring_text(plan: Plan, board: Board, *, by: str = "plugin", width: int = 100) -> str:
    """
    Return who connects to which header position, what is free, and the cautions.

    Args:
        plan: The robot.
        board: Its board, for the header.
        by: ``plugin`` or ``position``.
        width: Of the table, in characters.
    """
    places = positions_of(plan, board)
    title = f"{plain(plan.robot)}{_profile(plan)} on {plain(board.id)}"
    rows = _by_position(plan, places, board) if by == "position" else _by_plugin(plan, board)
    blocks = [title]
    if len(rows) > 1:
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


def _by_position(plan: Plan, places: list[Position], board: Board) -> list[tuple[str, ...]]:
    colours = wire_colours(plan)
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
                listed([user.label for user in users]),
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


def render_wiring_csv(plan: Plan, board: Board) -> str:
    """
    Return one row per claim and line, then the free positions; for spreadsheets.

    A cell that a spreadsheet would take for a formula starts with an apostrophe.

    Source:
        RFC 4180 for quoting (with LF); OWASP, "CSV Injection", for the first characters.
    """
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    colours = wire_colours(plan)
    for one in sorted(plan.assignments, key=lambda one: (one.instance, one.section, one.claim)):
        for use in one.lines or (None,):
            writer.writerow(
                _cell(cell)
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
                )
            )
    for place in positions_of(plan, board):
        if place.state in {State.FREE, State.KEPT}:
            row = dict.fromkeys(CSV_COLUMNS, "")
            row |= {"state": place.state.value, "line": str(place.line), "position": place.pin.id}
            writer.writerow(_cell(cell) for cell in row.values())
    return target.getvalue()


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


def _cell(text: str) -> str:
    shown = plain(text)
    return f"'{shown}" if shown.lstrip().startswith(("=", "+", "-", "@", "|", "%")) else shown
