"""The nets for whoever draws the carrier board, and what is to be bought."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterator

from robokit_plan.model import (
    BOARD_PART,
    FittedPart,
    Millivolt,
    Plan,
    Wire,
    WireKind,
    Wires,
    counted,
    listed,
)

from ._plain import plain
from ._table import table_text
from ._wire_rows import colour_of, mm2_text
from ._wires import WIRE_NOTE, wire_colours

NET_COLUMNS = ("net", "part", "pin", "does", "volts", "max-volts", "type")


def csv_cell(text: str) -> str:
    """Return *text* so that no spreadsheet takes it for a formula (OWASP, "CSV Injection")."""
    shown = plain(text)
    return f"'{shown}" if shown.lstrip().startswith(("=", "+", "-", "@", "|", "%")) else shown


def render_nets(wires: Wires) -> str:
    """
    Return one row per pin: its net, what it does there, what it bears; for a carrier board.

    Pins of known parts that this robot says nothing about come last, without a net. Names do not
    move as long as the wiring does not: a net is called after the board's line, its rail, its
    supply, or the claim that it belongs to.

    Source:
        RFC 4180 for quoting (with LF)
    """
    types = {one.name: one.type for one in wires.parts}
    types |= {one.name: f"{one.kind} {one.value}".rstrip() for one in wires.components}
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow(NET_COLUMNS)
    for net, ends in wires.nets().items():
        for end in ends:
            row = (
                net, end.part, end.pin, end.does.value, _volts(end.level), _volts(end.limit),
                types.get(end.part, ""),
            )  # fmt: skip
            writer.writerow(_pin_cell(cell) for cell in row)
    for part in wires.parts:
        for pin, word in part.open_pins:
            writer.writerow(
                _pin_cell(cell) for cell in ("", part.name, pin, f"open: {word}", "", "", part.type)
            )
    return target.getvalue()


def _pin_cell(text: str) -> str:
    # A supply's pins are called + and -, alone: no spreadsheet reads a formula there.
    return text if text in {"+", "-"} else csv_cell(text)


def _volts(level: Millivolt | None) -> str:
    return "" if level is None else f"{level / 1000:g}"


_NAMED = 6
"""So many parts that a wire goes to are told by name."""
PARTS_COLUMNS = ("count", "what", "value or type", "for")


def parts_rows(plan: Plan, wires: Wires) -> list[tuple[str, str, str, str]]:
    """Return what is to be bought: parts, components, connectors, wire; count, what, value, for."""
    rows = [("1", "board", str(plan.board), str(plan.robot))]
    rows += _grouped(
        (part.what or part.kind, part.type or "not named in its manifest", part)
        for part in wires.parts
        if part.kind not in {"board", "port"}
    )
    by_value: dict[tuple[str, str], list[str]] = defaultdict(list)
    for one in wires.components:
        by_value[one.kind, one.value].append(one.name)
    rows += [
        (str(len(names)), kind, value, listed(names))
        for (kind, value), names in sorted(by_value.items())
    ]
    by_port: dict[str, list[str]] = defaultdict(list)
    for part in wires.parts:
        if part.kind == "port":
            by_port[part.what].append(part.name)
    rows += [
        (str(2 * len(names)), "connector, both halves", what, listed(names))
        for what, names in sorted(by_port.items())
    ]
    return rows + list(_wire_rows(plan, wires))


def _grouped(parts: Iterator[tuple[str, str, FittedPart]]) -> list[tuple[str, str, str, str]]:
    found: dict[tuple[str, str], list[FittedPart]] = defaultdict(list)
    for what, kind, part in parts:
        found[what, kind].append(part)
    return [
        (
            str(sum(part.count for part in group)),
            what,
            kind,
            listed([part.name for part in group]),
        )
        for (what, kind), group in sorted(found.items())
    ]


def _wire_rows(plan: Plan, wires: Wires) -> Iterator[tuple[str, str, str, str]]:
    """Yield wire by colour and cross-section: how many, and how long together."""
    colours = wire_colours(plan)
    found: dict[tuple[str, int], list[Wire]] = defaultdict(list)
    for wire in wires.wires:
        colour = colour_of(wire, colours)
        if colour:
            found[colour, wire.size or 0].append(wire)
    for (colour, size), group in sorted(found.items()):
        known = [one for one in group if one.length_mm is not None]
        length = sum((one.length_mm or 0) * one.count for one in known)
        unknown = len(group) - len(known)
        texts = [mm2_text(size)] if size else ["cross-section by its current"]
        if known:
            texts.append(f"{length / 1000:g} m")
        if unknown:
            texts.append(f"{counted(unknown, 'wire')} whose length nobody says")
        names = sorted({one.near.part for one in group if one.near.part != BOARD_PART})
        yield (
            str(sum(one.count for one in group)),
            f"wire {colour}",
            ", ".join(texts),
            listed(names),
        )


def render_parts_text(plan: Plan, wires: Wires, *, width: int = 100) -> str:
    """Return the parts list as a table."""
    rows = [tuple(plain(cell) for cell in row) for row in (PARTS_COLUMNS, *parts_rows(plan, wires))]
    profile = "" if plan.profile is None else f" ({plain(plan.profile)})"
    title = f"parts of {plain(plan.robot)}{profile} on {plain(plan.board)}"
    plugs = sum(1 for one in wires.wires if one.kind is WireKind.PLUG)
    cables = f"{counted(plugs, 'cable')} with plugs come with their parts; " if plugs else ""
    return f"{title}\n\n{table_text(rows, width)}\n{cables}{WIRE_NOTE}\n"


def render_parts_csv(plan: Plan, wires: Wires) -> str:
    """Return the parts list for a spreadsheet."""
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow(PARTS_COLUMNS)
    for row in parts_rows(plan, wires):
        writer.writerow(csv_cell(cell) for cell in row)
    return target.getvalue()
