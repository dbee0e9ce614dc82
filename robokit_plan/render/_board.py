"""One board's header as a table or as JSON."""

from __future__ import annotations

from typing import Any

from robokit_plan.model import Board, Pin, PinKind, volt_text

from ._plain import plain
from ._table import table_text


def render_board_text(board: Board, *, width: int | None = None) -> str:
    """Return the header of *board*, a position a row, with what its line can be."""
    rows = [(str(pin.id), _what(pin), _level(pin), _functions(board, pin)) for pin in board.pins]
    heads = ("position", "line", "level", "functions, and why it is better kept free")
    rows.insert(0, heads)
    title = f"{plain(board.id)}   family {board.family.name}"
    return f"{title}\n\n{table_text(rows, width)}"


def board_object(board: Board) -> dict[str, Any]:
    """Return *board* for JSON."""
    return {
        "board": board.id,
        "compatible": list(board.compatible),
        "family": board.family.name,
        "positions": [
            {
                "position": pin.id,
                "kind": pin.kind.value,
                "lines": list(pin.lines),
                "rail": pin.rail,
                "logic-mv": pin.logic,
                "maximum-mv": pin.maximum,
                "functions": [
                    {"bus": one.bus, "signal": one.signal, "alt": one.alt, "route": one.route}
                    for name in pin.lines
                    for one in board.lines[name].functions
                ]
                if all(name in board.lines for name in pin.lines)
                else [],
            }
            for pin in board.pins
        ],
        "buses": [
            {
                "bus": one.bus,
                "kind": one.kind,
                "route": one.route,
                "lines": dict(one.lines),
                "complete": one.complete,
            }
            for one in board.outlets
        ],
        "source": board.source,
    }


def _what(pin: Pin) -> str:
    if pin.kind is PinKind.GPIO:
        return " + ".join(pin.lines)
    if pin.kind is PinKind.POWER:
        return pin.rail or "power"
    return str(pin.kind.value)


def _level(pin: Pin) -> str:
    if pin.kind not in {PinKind.GPIO, PinKind.ANALOG}:
        return ""
    if pin.logic is None:
        return "unknown"
    return volt_text(pin.logic) + ("" if pin.confirmed else " ?")


def _functions(board: Board, pin: Pin) -> str:
    words: list[str] = []
    for name in pin.lines:
        line = board.lines.get(name)
        if line is None:
            continue
        words.extend(
            f"{one.bus} {one.signal}" for one in line.functions if one.bus in _kinds(board)
        )
        if line.reserved:
            words.append(f"kept for {line.reserved}")
    return ", ".join(dict.fromkeys(words))


def _kinds(board: Board) -> frozenset[str]:
    return frozenset(one.bus for one in board.outlets)
