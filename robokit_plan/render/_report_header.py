"""The header, the carrier's ports and the companions as drawings of the page."""

from __future__ import annotations

from collections import defaultdict

from robokit_plan.model import Assignment, Board, Plan, Robot, volt_text

from ._report_html import Html, el
from ._report_plugins import plugin_link
from ._sheet import Position, State, positions_of
from ._wiring_svg import COLOURS, WORDS, headers_of, label_of, mark_of, short_label_of

_ROW = 26
_PITCH = 30
_RADIUS = 10
_CHARACTER = 7.3  # of the 12 px monospaced face, with room to spare
_MARGIN = 12


def header_drawing(plan: Plan, board: Board) -> Html:
    """Return the header as SVG; without inline styles, which the page's policy forbids."""
    headers = headers_of(positions_of(plan, board))
    left = _room([place for _, places in headers for place in places[::2]])
    right = _room([place for _, places in headers for place in places[1::2]])
    width = 2 * _MARGIN + left + right + _PITCH + 4 * _RADIUS
    axis = _MARGIN + left + 2 * _RADIUS
    parts: list[Html] = []
    top = float(2 * _RADIUS)
    for name, places in headers:
        if name:
            parts.append(_text(name, axis, top, "start", "head"))
            top += 1.5 * _ROW
        parts += _header(places, axis, top)
        top += ((len(places) + 1) // 2) * _ROW + 10
    return el(
        "svg",
        parts,
        role="img",
        class_="header",
        viewBox=f"0 0 {width:.0f} {top:.0f}",
        width=f"{width:.0f}",
        height=f"{top:.0f}",
        aria_label=f"plan view of the header of {plan.robot}; the wiring table says the same",
    )


def _room(places: list[Position]) -> float:
    return max([len(short_label_of(one)) * _CHARACTER + 8 for one in places] + [40])


def _header(places: list[Position], axis: float, top: float) -> list[Html]:
    rows = (len(places) + 1) // 2
    parts = [
        el(
            "rect",
            class_="line",
            x=f"{axis - _RADIUS - 5:.0f}",
            y=f"{top - _RADIUS - 5:.0f}",
            rx=4,
            width=_PITCH + 2 * _RADIUS + 10,
            height=(rows - 1) * _ROW + 2 * _RADIUS + 10,
        )
    ]
    for at, place in enumerate(places):
        side = at % 2
        x, y = axis + side * _PITCH, top + (at // 2) * _ROW
        parts += _pad(place, x, y, square=at == 0)
        label = short_label_of(place)
        if label and side:
            parts.append(_text(label, x + _RADIUS + 10, y + 4, "start"))
        elif label:
            parts.append(_text(label, x - _RADIUS - 10, y + 4, "end"))
    return parts


def _pad(place: Position, x: float, y: float, *, square: bool) -> list[Html]:
    fill, ink = COLOURS.get(place.state, ("none", ""))
    told = f"{place.pin.id} {place.kind_text} {place.state.value} {label_of(place)}".rstrip()
    title = el("title", told)
    if square:
        shape = el(
            "rect",
            title,
            x=f"{x - _RADIUS:.0f}",
            y=f"{y - _RADIUS:.0f}",
            width=2 * _RADIUS,
            height=2 * _RADIUS,
            fill=fill,
            stroke="currentColor",
        )
    else:
        shape = el(
            "circle", title, cx=f"{x:.0f}", cy=f"{y:.0f}", r=_RADIUS, fill=fill,
            stroke="currentColor",
        )  # fmt: skip
    number = place.pin.id.rpartition("_")[2]
    face = {"#FFFFFF": "on-dark", "#000000": "on-light"}.get(ink)
    return [
        shape,
        *map(Html, mark_of(place.state, x, y)),
        _text(number, x, y + 4, "middle", face),
    ]


def _text(words: str, x: float, y: float, place: str, face: str | None = None) -> Html:
    return el("text", words, x=f"{x:.0f}", y=f"{y:.0f}", text_anchor=place, class_=face)


def legend(plan: Plan, board: Board) -> Html:
    """Return what the fills and marks of the drawing mean, as far as they occur."""
    present = {place.state for place in positions_of(plan, board)}
    size = 2 * (_RADIUS + 4)
    rows = [
        el(
            "li",
            el(
                "svg",
                el(
                    "circle", cx=size // 2, cy=size // 2, r=_RADIUS, fill=fill,
                    stroke="currentColor",
                ),
                map(Html, mark_of(state, size / 2, size / 2)),
                class_="header",
                width=size,
                height=size,
                aria_hidden="true",
            ),
            el("span", WORDS[state]),
        )
        for state, (fill, _) in COLOURS.items()
        if state in present
    ]  # fmt: skip
    if State.FREE in present:
        rows.append(
            el(
                "li",
                el(
                    "svg",
                    el(
                        "circle", cx=size // 2, cy=size // 2, r=_RADIUS, fill="none",
                        stroke="currentColor",
                    ),
                    class_="header",
                    width=size,
                    height=size,
                    aria_hidden="true",
                ),
                el("span", "free, or power and ground"),
            )
        )  # fmt: skip
    return el("ul", rows, class_="legend")


def boxes(plan: Plan, robot: Robot) -> Html | None:
    """Return ports and companions as boxes with what hangs on each; None where there are none."""
    at_port: dict[str, list[Assignment]] = defaultdict(list)
    at_pins: dict[str, list[Assignment]] = defaultdict(list)
    for one in plan.assignments:
        if one.port is not None:
            at_port[str(one.port)].append(one)
        if one.controller is not None:
            at_pins[str(one.controller)].append(one)
    cards = []
    for port in robot.ports:
        told = [port.kind, port.bus or "", volt_text(port.volts) if port.volts else ""]
        told += [f"{signal} on {line}" for signal, line in sorted(port.lines.items())]
        told.append(f"fed by {port.supply}" if port.supply else "")
        cards.append(_box(plan, f"port {port.name}", told, at_port.get(str(port.name), [])))
    for name in sorted(robot.controllers):
        chip = robot.controllers[name]
        told = [chip.chip, f"linked by {chip.link}" if chip.link else ""]
        told.append(f"fed by {chip.supply}" if chip.supply else "")
        cards.append(_box(plan, f"controller {name}", told, at_pins.get(str(name), []), pins=True))
    return el("div", cards, class_="boxes") if cards else None


def _box(
    plan: Plan, title: str, told: list[str], held: list[Assignment], *, pins: bool = False
) -> Html:
    rows = []
    for one in held:
        where = ", ".join(
            _at_pin(one, str(use.signal), str(use.line)) if pins else use.signal
            for use in one.lines
        )
        if pins and one.on_board:
            where = str(one.resource) if one.lines else ""
        elif not pins and one.address is not None:
            where = f"0x{one.address:02x}"
        rows.append(
            el(
                "li",
                plugin_link(plan, one.instance),
                el("span", f".{one.claim}", class_="name"),
                f" {where}" if where and where != one.claim else None,
            )
        )
    return el(
        "div",
        el("h4", title),
        el("p", ", ".join(filter(None, told)), class_="quiet"),
        el("ul", rows) if rows else el("p", "free", class_="free"),
        class_="box" if rows else "box empty",
    )


def _at_pin(one: Assignment, signal: str, line: str) -> str:
    return f"at pin {line}" if signal == one.claim else f"{signal} at pin {line}"


def header_figure(plan: Plan, board: Board) -> Html:
    """Return drawing, legend, and in full the names that did not fit beside their position."""
    crowds = [
        el("li", f"position {place.pin.id}: ", el("span", label_of(place), class_="name"))
        for place in positions_of(plan, board)
        if short_label_of(place) != label_of(place)
    ]
    return el(
        "div",
        el(
            "div",
            header_drawing(plan, board),
            class_="wide",
            tabindex="0",
            role="group",
            aria_label="drawing of the header, scrolls sideways where the screen is narrow",
        ),
        legend(plan, board),
        el("ul", crowds, class_="crowd") if crowds else None,
    )
