"""The page's table of all that a person connects, a box to tick in each row."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from robokit_plan.model import Assignment, Board, Component, Plan, Wire, Wires

from ._report_html import Html, el
from ._report_plugins import plugin_link
from ._sheet import is_wired
from ._wire_rows import (
    between_text,
    current_of,
    end_text,
    level_of,
    open_text,
    remark_of,
    way_of,
    wire_text,
)
from ._wires import WireKey, wire_colours


def wires(plan: Plan) -> Html:
    """Return the table of all that a person connects, a box to tick in each row."""
    groups: dict[str, list[Assignment]] = defaultdict(list)
    for one in plan.assignments:
        groups[str(one.instance)].append(one)
    bodies = [
        el(
            "tbody",
            el("tr", el("th", plugin_link(plan, name), colspan=3, scope="rowgroup")),
            [row for one in groups[name] for row in _wire_rows(one)],
        )
        for name in sorted(groups)
    ]
    head = [
        el("th", "done", scope="col"),
        el("th", "claim and signal", scope="col"),
        el("th", "goes to", scope="col"),
    ]
    return el(
        "table",
        el("caption", "every wire and plug of this robot, by plugin", class_="unseen"),
        el("thead", el("tr", head)),
        bodies,
        class_="wires",
    )


def wires_by_part(plan: Plan, board: Board, table: Wires) -> Html:
    """Return the table of every wire with both ends, part by part, a box to tick in each row."""
    colours = wire_colours(plan)
    components = {one.name: one for one in table.components}
    known = {one.name: one for one in table.parts}
    groups: dict[str, list[Wire]] = defaultdict(list)
    for wire in table.wires:
        groups[wire.near.part].append(wire)
    bodies = []
    for name, group in groups.items():
        part = known.get(name)
        what = "" if part is None else ", ".join(one for one in (part.type, part.what) if one)
        instance = next((one.instance for one in group if one.instance is not None), None)
        title = [name] if instance is None else [plugin_link(plan, instance), _rest(name, instance)]
        rows = [_both_ends(wire, board, colours, components) for wire in group]
        left = "" if part is None else open_text(part)
        if left:
            rows.append(
                el("tr", el("td"), el("td", f"left open: {left}", colspan=2, class_="quiet"))
            )
        heading = el("th", title, f": {what}" if what else None, colspan=3, scope="rowgroup")
        bodies.append(el("tbody", el("tr", heading), rows))
    head = [
        el("th", "done", scope="col"),
        el("th", "pin of the part", scope="col"),
        el("th", "goes to", scope="col"),
    ]
    return el(
        "table",
        el("caption", "every wire and plug of this robot, by part", class_="unseen"),
        el("thead", el("tr", head)),
        bodies,
        class_="wires",
    )


def _rest(name: str, instance: str) -> str | None:
    """Return what of a part's name follows the link to its plugin."""
    return name[len(instance) :] or None


def _both_ends(
    wire: Wire, board: Board, colours: Mapping[WireKey, str], components: Mapping[str, Component]
) -> Html:
    where = end_text(wire.far, wire, board)
    through = between_text(wire, components)
    told = [
        f"through {through}" if through else "",
        level_of(wire),
        way_of(wire),
        current_of(wire),
        wire_text(wire, colours),
        remark_of(wire),
    ]
    extra = ", ".join(one for one in told if one)
    key = f"{wire.near.text} {where}"
    box = el(
        "input",
        type="checkbox",
        class_="wire",
        data_wire=key,
        aria_label=f"done: {wire.near.text} to {where}",
    )
    return el(
        "tr",
        el("td", box),
        el("td", wire.near.pin, class_="name"),
        el("td", where, el("span", f" {extra}", class_="quiet") if extra else None),
    )


def _wire_rows(one: Assignment) -> list[Html]:
    if not one.lines:
        where = str(one.resource) if one.port is None else f"port {one.port}"
        extra = "" if where == str(one.resource) else str(one.resource)
        return [_wire_row(one, one.claim, where, extra)]
    rows = []
    for use in one.lines:
        if not one.on_board:
            where, extra = f"pin {use.line} of {one.controller}", ""
        elif use.position is not None:
            where, extra = f"position {use.position}", str(use.line)
        else:
            where, extra = str(use.line), ""
        told = [extra, "" if str(one.resource) == str(use.line) else str(one.resource)]
        if not one.on_board:
            told = []
        told.append(f"at port {one.port}" if one.port is not None else "")
        told.append("shared" if use.shared else "")
        if not is_wired(one, use):
            continue
        signal = str(one.claim) if use.signal == one.claim else f"{one.claim} {use.signal}"
        rows.append(_wire_row(one, signal, where, ", ".join(filter(None, told))))
    return rows


def _wire_row(one: Assignment, signal: str, where: str, extra: str) -> Html:
    key = f"{one.instance}.{signal} {where} {extra}"
    box = el(
        "input",
        type="checkbox",
        class_="wire",
        data_wire=key,
        aria_label=f"done: {one.instance}.{signal} to {where}",
    )
    return el(
        "tr",
        el("td", box),
        el("td", signal, class_="name"),
        el("td", where, el("span", f" {extra}", class_="quiet") if extra else None),
    )
