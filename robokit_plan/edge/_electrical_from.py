"""Typed limits of electricity and of the I2C bus from the mappings of the data files."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from robokit_plan.model import (
    Cell,
    Electrical,
    Hazard,
    HazardFact,
    I2cFacts,
    I2cMode,
    I2cRange,
    LaserClass,
    LoadLevel,
    Milliamp,
    Millivolt,
    RadioBand,
    Severity,
)

Entry = Mapping[str, Any]


def electrical_from(data: Entry) -> Electrical:
    """Return the limits in *data*."""
    supply, back, led = data["supply"], data["back_power"], data["led_string"]
    return Electrical(
        supply_nominal=Millivolt(supply["nominal_mv"]),
        undervoltage=Millivolt(supply["detect_mv"]),
        camera=Milliamp(supply["camera_ma"]),
        display=Milliamp(supply["display_ma"]),
        reserve_percent=supply["reserve_percent"],
        back_power=(Millivolt(back["least_mv"]), Millivolt(back["greatest_mv"])),
        back_power_supply=Milliamp(back["supply_ma"]),
        led_full=Milliamp(led["full_ma"]),
        led_typical=Milliamp(led["typical_ma"]),
        led_idle=Milliamp(led["idle_ma"]),
        led_header_warn=Milliamp(led["header_warn_ma"]),
        led_package={name: Milliamp(ma) for name, ma in led["per_package_ma"].items()},
        servo_stall={name: Milliamp(one["ma"]) for name, one in data["servo_stall"].items()},
        loads={name: _load(one) for name, one in data["loads"].items()},
        needs_driver=tuple(data["needs_driver"]),
        boot_threshold=Millivolt(data["boot"]["threshold_mv"]),
        efficiency_percent=data["battery"]["efficiency_percent"],
        cells={name: _cell(one) for name, one in data["battery"]["chemistries"].items()},
        copper_nano_ohm_metre=data["wire"]["nano_ohm_metre"],
        drop_warn_percent=data["wire"]["drop_warn_percent"],
        wire_bears=tuple(
            # Keys of a map are text where it was kept as JSON.
            sorted((int(size), Milliamp(one)) for size, one in data["wire"]["bears_ma"].items())
        ),
        lasers=tuple(
            LaserClass(
                name=one["class"],
                meaning=one["meaning"],
                limit_uw=one.get("limit_uw"),
                severity=Severity(one["severity"]),
                source=one["source"],
            )
            for one in data["laser"]["classes"]
        ),
        radio_bands=tuple(
            RadioBand(
                region=one["region"],
                band_khz=(one["band_khz"][0], one["band_khz"][1]),
                power_uw=one["power_uw"],
                limit=one["limit"],
                source=one["source"],
            )
            for one in data["radio_limits"]
        ),
        mains_ac=Millivolt(data["mains"]["ac_mv"]),
        mains_dc=Millivolt(data["mains"]["dc_mv"]),
        hazards={
            Hazard(name): HazardFact(
                caution=one["caution"], checks=tuple(one["checks"]), source=one["source"]
            )
            for name, one in data["hazards"].items()
        },
    )


def i2c_from(data: Entry) -> I2cFacts:
    """Return what *data* says about the bus."""
    space = data["address_space"]["seven_bit"]
    estimate = data["pullup"]["cb_estimate"]
    return I2cFacts(
        first=space["usable_first"],
        last=space["usable_last"],
        reserved=tuple(
            I2cRange(
                first=one["first"],
                last=one["last"],
                meaning=one["meaning"],
                source=one["source"],
            )
            for one in data["reserved"]
        ),
        modes=tuple(_mode(one) for one in data["speed_modes"]),
        device_pf=estimate["per_device_pf"],
        cable_pf_per_metre=estimate["cable_pf_per_m"],
    )


def _load(entry: Entry) -> LoadLevel:
    high, low = entry.get("high_mv"), entry.get("low_mv")
    return LoadLevel(
        high_percent=entry.get("high_percent"),
        low_percent=entry.get("low_percent"),
        high=None if high is None else Millivolt(high),
        low=None if low is None else Millivolt(low),
        source=entry["source"],
    )


def _cell(entry: Entry) -> Cell:
    return Cell(
        full=Millivolt(entry["full_mv"]),
        nominal=Millivolt(entry["nominal_mv"]),
        empty=Millivolt(entry["empty_mv"]),
        lithium=entry["lithium"],
        rechargeable=entry.get("rechargeable", True),
        source=entry["source"],
    )


def _mode(entry: Entry) -> I2cMode:
    sink, low = entry.get("iol_ma"), entry.get("vol_max_v")
    return I2cMode(
        name=entry["mode"],
        khz=entry["khz"],
        rise_ns=entry.get("tr_max_ns"),
        capacitance_pf=entry.get("cb_max_pf"),
        sink=None if sink is None else Milliamp(sink),
        low_max=None if low is None else Millivolt(round(low * 1000)),
        source=entry["source"],
    )
