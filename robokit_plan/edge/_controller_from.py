"""Typed controller chips from the mappings of the data files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from robokit_plan.model import (
    Chip,
    ChipFunction,
    ChipPin,
    ChipPio,
    ChipRule,
    ChipTimer,
    Milliamp,
    Millivolt,
    Pull,
)

Entry = Mapping[str, Any]


def chip_from(entry: Entry) -> Chip:
    """Return the chip that *entry* describes."""
    usb: Entry = entry["usb"]
    ids: Entry = entry.get("usb_ids", {})
    libraries: Entry = entry.get("libraries", {})
    limits: Entry = entry["limits"]
    logic = entry["logic_mv"]
    return Chip(
        id=entry["chip"],
        name=entry["name"],
        aliases=tuple(entry["aliases"]),
        logic=None if logic is None else Millivolt(logic),
        tolerates_5v=entry["tolerates_5v"]["value"],
        pins={
            name: _pin(name, pin, pull=entry["pull_at_reset"])
            for name, pin in entry["pins"].items()
        },
        matrix=entry["matrix"],
        timers=tuple(_timer(timer) for timer in entry["timers"]),
        counts={name: count for name, count in entry["counts"].items() if name != "source"},
        servo_timer=libraries.get("servo"),
        servos_per_timer=libraries.get("servo_max"),
        tone_timer=libraries.get("tone"),
        clock_timers=tuple(libraries.get("clock", ())),
        wifi_blocks=tuple(entry.get("wifi_blocks", ())),
        radio=tuple(entry.get("radio", {}).get("kinds", ())),
        pio=_pio(entry.get("pio")),
        native_usb=usb["kind"] == "native",
        host_uart=usb["host_uart"],
        reset_on_open=usb["reset_on_open"],
        touch_1200=usb["touch_1200"],
        usb_ids=tuple(ids.get("run", ())),
        usb_boot_ids=tuple(ids.get("boot_loader", ())),
        pull_at_reset=_pull(entry["pull_at_reset"]),
        only_pull=_pull(entry["only_pull"]["value"]) if "only_pull" in entry else None,
        pin_limit=_ma(limits["pin_ma"]),
        pin_absolute=_ma(limits["pin_abs_ma"]),
        total_limit=_ma(limits["total_ma"]),
        rules=rules_from(entry["rules"]),
        source=limits["source"],
    )


def rules_from(entries: Iterable[Entry]) -> tuple[ChipRule, ...]:
    """Return the rules in *entries*, in their order."""
    return tuple(
        ChipRule(
            name=one["rule"],
            text=one["text"],
            source=one["source"],
            tells=tuple(one.get("tells", ())),
        )
        for one in entries
    )


def _pin(name: str, entry: Entry, *, pull: str | None) -> ChipPin:
    strap: Entry = entry.get("strap", {})
    return ChipPin(
        name=name,
        aliases=tuple(entry.get("aliases", ())),
        functions=tuple(
            ChipFunction(kind=one["kind"], bus=one["bus"], signal=one["signal"], alt=one.get("alt"))
            for one in entry.get("functions", ())
        ),
        input=entry.get("input", True),
        output=entry.get("output", True),
        internal_pull=entry.get("internal_pull", True),
        pull_at_reset=_pull(entry.get("pull", pull)),
        reserved=entry.get("reserved"),
        reserved_if=entry.get("reserved_if"),
        strap=strap.get("effect"),
        strap_pull=_pull(strap.get("pull")),
        moves_at_boot=entry.get("moves_at_boot"),
        module_use=entry.get("module_use"),
        host_link=entry.get("host_link", False),
        debug=entry.get("debug"),
        max_current=_ma(entry.get("max_ma")),
        can_source=entry.get("can_source", True),
        tolerates_5v=entry.get("tolerates_5v"),
        header=entry.get("header"),
        package=entry.get("package"),
        source=entry["source"],
    )


def _pio(entry: Entry | None) -> ChipPio | None:
    if entry is None:
        return None
    return ChipPio(
        blocks=entry["blocks"],
        machines=entry["machines"],
        words=entry["words"],
        programs={kind: (one["machines"], one["words"]) for kind, one in entry["programs"].items()},
        source=entry["source"],
    )


def _timer(entry: Entry) -> ChipTimer:
    return ChipTimer(
        name=entry["timer"],
        bits=entry["bits"],
        pins=tuple(entry["pins"]),
        used_by=tuple(entry["used_by"]),
        source=entry["source"],
    )


def _pull(text: str | None) -> Pull | None:
    return None if text is None else Pull(text)


def _ma(value: int | None) -> Milliamp | None:
    return None if value is None else Milliamp(value)
