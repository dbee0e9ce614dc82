"""Typed boards and parts from the mappings of the data files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fnmatch import fnmatchcase
from typing import Any

from robokit_plan.model import (
    Board,
    BoardId,
    BootVocabulary,
    BusName,
    BusOutlet,
    BusyController,
    DefaultClaim,
    DmaChannels,
    Family,
    Line,
    LineFunction,
    LineName,
    Milliamp,
    Millivolt,
    Ohm,
    Part,
    Pin,
    PinId,
    PinKind,
    Pull,
    Severity,
    Straps,
)

Entry = Mapping[str, Any]


def board_from(
    entry: Entry, *, family: Entry, header: Entry, boot: Mapping[str, BootVocabulary]
) -> Board:
    """Return the board that *entry* describes on its family and header."""
    pins = tuple(_pin(PinId(name), pin, family) for name, pin in header["pins"].items())
    place = {line: pin.id for pin in pins for line in pin.lines}
    outlets = tuple(_outlets(entry, family, place))
    console: Entry = entry.get("console") or {}
    audio: Entry | None = entry["analog_audio"]
    cameras: Entry | None = entry["cameras"]
    return Board(
        id=BoardId(entry["board"]),
        compatible=tuple(entry["compatible"]),
        family=_family(family),
        pins=pins,
        lines=_lines(entry["board"], family, header, place, outlets),
        outlets=outlets,
        default_claims=tuple(
            _default_claim(claim, entry["source"]) for claim in entry["default_claims"]
        ),
        busy=tuple(_busy(one) for one in entry["busy"]),
        cameras=None if cameras is None else tuple(cameras["names"]),
        header_uart=_bus(entry["header_uart"]),
        bluetooth_uart=_bus(entry["bluetooth_uart"]),
        console_uart=_bus(console.get("uart")),
        console_pins=tuple(PinId(pin) for pin in console.get("pins", ())),
        console_always=bool(console.get("always", False)),
        analog_audio_block=None if audio is None else _bus(audio.get("block")),
        analog_audio=None if audio is None else audio["present"],
        supply_current=_ma(entry["supply_ma"]),
        usb_total=_ma(entry["usb_total_ma"]),
        bare_current=_ma(entry["bare_ma"]),
        peak_current=_ma(entry["peak_ma"]),
        header_feed_mw=(entry["facts"].get("header_feed") or {}).get("max_mw"),
        header_feed=_mv((entry["facts"].get("header_feed") or {}).get("max_mv")),
        memory_sizes_mb=tuple((entry["memory_mb"] or {}).get("sizes", ())),
        cores=entry["cores"]["count"],
        isa=entry["cores"]["isa"],
        kernel_trees={
            name: tuple(found) for name, found in entry["kernel_trees"].items() if name != "source"
        },
        boot=boot,
        devices=_devices(entry["board"], family),
        facts=dict(entry["facts"]),
        source=entry["source"],
    )


def _pin(name: PinId, pin: Entry, family: Entry) -> Pin:
    kind = PinKind(pin["kind"])
    is_gpio = kind is PinKind.GPIO
    # A header that names the level, even as unknown, overrules the family.
    logic = pin["logic_mv"] if "logic_mv" in pin else family["logic_mv"] if is_gpio else None
    maximum = pin["max_mv"] if "max_mv" in pin else family["max_mv"] if is_gpio else None
    lines = (pin["line"], *pin.get("also", ())) if "line" in pin else ()
    return Pin(
        id=name,
        kind=kind,
        lines=tuple(LineName(line) for line in lines),
        rail=pin.get("rail"),
        rail_max=_ma(pin.get("max_ma")),
        logic=_mv(logic),
        maximum=_mv(maximum),
        confirmed=pin.get("confirmed", True),
        adc=pin.get("adc"),
        note=pin.get("note", pin.get("signal", "")),
    )


def _lines(
    board: str,
    family: Entry,
    header: Entry,
    place: Mapping[LineName, PinId],
    outlets: Iterable[BusOutlet],
) -> dict[LineName, Line]:
    """Return the lines of this header, in the family's order."""
    uses: dict[LineName, list[str]] = {}
    for outlet in outlets:
        if outlet.complete:
            for signal, line in outlet.lines.items():
                uses.setdefault(line, []).append(f"{signal} of {outlet.bus}")
    facts: dict[str, list[Entry]] = {}
    for fact in family["line_facts"]:
        if any(fnmatchcase(board, pattern) for pattern in fact.get("boards", ("*",))):
            for line in fact["lines"]:
                facts.setdefault(line, []).append(fact)
    return {
        LineName(name): _line(
            LineName(name),
            entry,
            pin=place[LineName(name)],
            mark=header["pins"][place[LineName(name)]],
            chip=family["chip_label"],
            facts=facts.get(name, ()),
            uses=uses.get(LineName(name), ()),
        )
        for name, entry in family["lines"].items()
        if LineName(name) in place
    }


def _line(
    name: LineName,
    entry: Entry,
    *,
    pin: PinId,
    mark: Entry,
    chip: str | None,
    facts: Iterable[Entry],
    uses: Iterable[str],
) -> Line:
    pull = entry["pull"]
    reserved = mark.get("reserved")
    special = [fact["special"] for fact in facts if "special" in fact]
    if reserved is not None:
        special.append(f"kept for {reserved}")
    special.extend(dict.fromkeys(uses))
    return Line(
        name=name,
        pin=pin,
        functions=tuple(_function(one) for one in entry["functions"]),
        pull_at_reset=None if pull is None else Pull(pull),
        chip=entry.get("chip", chip),
        offset=entry["offset"],
        max_current=_ma(entry.get("default_drive_ma")),
        external_pull_up=_first(fact.get("external_pull_up_ohm") for fact in facts),
        default_users=tuple(entry.get("default_users", ())),
        special=tuple(special),
        usable=all(fact.get("usable", True) for fact in facts),
        domain=entry.get("domain"),
        boot_strap=any(fact.get("boot_strap", False) for fact in facts),
        moves_at_boot=any(fact.get("moves_at_boot", False) for fact in facts),
        reserved=next((fact["reserved"] for fact in facts if "reserved" in fact), None),
        source=entry["source"],
    )


def _function(entry: Entry) -> LineFunction:
    return LineFunction(
        bus=BusName(entry["bus"]),
        signal=entry["signal"],
        alt=entry.get("alt"),
        route=entry.get("route"),
    )


def _outlets(entry: Entry, family: Entry, place: Mapping[LineName, PinId]) -> Iterable[BusOutlet]:
    """
    Return the family's outlets as far as this header carries them.

    The board's own header UART comes first of its kind; an outlet with no needed line on this
    header is none.
    """
    header_uart = entry["header_uart"]
    found = []
    for one in family["outlets"]:
        lines = {signal: LineName(line) for signal, line in one["lines"].items() if line in place}
        lost = [signal for signal in one["lines"] if signal not in lines]
        missing = (*one.get("missing", ()), *(s for s in lost if s in _NEEDED[one["kind"]]))
        if not lines:
            continue
        found.append(
            BusOutlet(
                bus=BusName(one["bus"]),
                kind=one["kind"],
                route=one.get("route"),
                lines=lines,
                complete=not missing,
                missing=missing,
            )
        )
    return sorted(found, key=lambda outlet: (_KINDS.index(outlet.kind), outlet.bus != header_uart))


_KINDS = ("i2c", "spi", "uart", "can", "pwm", "i2s", "spdif", "clock")

_NEEDED: Mapping[str, tuple[str, ...]] = {
    "i2c": ("sda", "scl"),
    "spi": ("sclk", "mosi", "miso"),
    "uart": ("tx", "rx"),
    "can": ("tx", "rx"),
    "pwm": (),
    "i2s": ("clk", "fs"),
    "spdif": ("tx",),
    "clock": ("clk",),
}


def _family(entry: Entry) -> Family:
    limits: Entry = entry["limits"]
    electrical: Entry = entry["electrical"]
    pulls = electrical.get("internal_pull_kohm")
    return Family(
        name=entry["family"],
        pwm_kind=entry["pwm_kind"],
        uart_kinds={BusName(bus): kind for bus, kind in entry["uart_kinds"].items()},
        target_only=tuple(BusName(bus) for bus in entry["target_only"]),
        i2s_clock={BusName(bus): side for bus, side in entry.get("i2s_clock", {}).items()},
        pin_limit=_ma(limits["pin_ma"]),
        pin_limit_assumed=_ma(limits.get("pin_ma_assumed")),
        pin_design=_ma(limits.get("design_ma")),
        total_limit=_ma(limits["total_ma"]),
        rail_3v3=_ma(limits.get("rail_3v3_ma")),
        rail_3v3_unofficial=_ma(limits.get("rail_3v3_unofficial_ma")),
        low_max=_from_volts(electrical.get("vil_max_v")),
        high_min=_from_volts(electrical.get("vih_min_v")),
        out_high_min=_from_volts(electrical.get("voh_min_v")),
        out_low_max=_from_volts(electrical.get("vol_max_v")),
        pull_ohm=None if pulls is None else (Ohm(pulls[0] * 1000), Ohm(pulls[1] * 1000)),
        tolerates_5v=entry["tolerates_5v"]["value"],
        driven_while_off=_severity(entry.get("driven_while_off")),
        chip_label=entry["chip_label"],
        led_string={
            back_end: tuple(LineName(line) for line in lines)
            for back_end, lines in (entry["led_string"] or {}).items()
        },
        state_machines=entry.get("state_machines"),
        dma=_dma(entry.get("dma")),
        source=entry["source"],
    )


def _severity(entry: Entry | None) -> Severity | None:
    return None if entry is None else Severity(entry["severity"])


def _dma(entry: Entry | None) -> DmaChannels | None:
    if entry is None:
        return None
    return DmaChannels(
        forbidden={one["channel"]: one["why"] for one in entry["forbidden"]},
        usual=entry["usual"],
        spare=tuple(entry["spare"]),
        source=entry["source"],
    )


def _default_claim(entry: Entry, source: str) -> DefaultClaim:
    return DefaultClaim(
        by=entry["by"],
        pins=tuple(PinId(pin) for pin in entry["pins"]),
        freed_by=entry.get("freed_by"),
        bus=_bus(entry.get("bus")),
        source=entry.get("source", source),
    )


def _busy(entry: Entry) -> BusyController:
    return BusyController(
        bus=BusName(entry["bus"]),
        route=entry.get("route"),
        devices=tuple(
            (one["device"], int(one["address"], 16) if "address" in one else None)
            for one in entry.get("devices", ())
        ),
    )


def _devices(board: str, family: Entry) -> dict[str, dict[BusName, str]]:
    """Return image -> bus -> path, as far as the family's data hold for *board*."""
    found: dict[str, dict[BusName, str]] = {}
    for one in family.get("devices", ()):
        if any(fnmatchcase(board, pattern) for pattern in one.get("boards", ("*",))):
            for image in one["images"]:
                paths = found.setdefault(image, {})
                paths.update({BusName(bus): path for bus, path in one["paths"].items()})
    return found


def part_from(entry: Entry) -> Part:
    """Return the part that *entry* describes."""
    supply = entry.get("supply_mv")
    return Part(
        name=entry["part"],
        aliases=tuple(entry.get("aliases", ())),
        kind=entry["kind"],
        bus=entry["bus"],
        addresses=tuple(entry.get("addresses", ())),
        default=entry.get("default"),
        also_answers=tuple(entry.get("also_answers", ())),
        strap=entry.get("strap") or "",
        max_khz=entry.get("max_khz"),
        baud=entry.get("baud"),
        supply=None if supply is None else (Millivolt(supply[0]), Millivolt(supply[1])),
        clock_stretching=entry.get("clock_stretching", False),
        volatile=entry.get("volatile", False),
        channels=entry.get("channels"),
        pins=tuple(entry.get("pins", {}).items()),
        straps=_straps(entry.get("straps")),
        note=entry.get("note", ""),
        source=entry["source"],
    )


def _straps(entry: Entry | None) -> Straps | None:
    if entry is None:
        return None
    return Straps(
        pins=tuple(entry["pins"]), levels=tuple(entry["levels"]), first=entry.get("first")
    )


def _bus(name: str | None) -> BusName | None:
    return None if name is None else BusName(name)


def _ma(value: int | None) -> Milliamp | None:
    return None if value is None else Milliamp(value)


def _mv(value: int | None) -> Millivolt | None:
    return None if value is None else Millivolt(value)


def _from_volts(value: float | None) -> Millivolt | None:
    return None if value is None else Millivolt(round(value * 1000))


def _first(values: Iterable[int | None]) -> Ohm | None:
    return next((Ohm(value) for value in values if value is not None), None)
