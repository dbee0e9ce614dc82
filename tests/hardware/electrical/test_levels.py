"""Levels: lines below 3.3 V, lines that nobody knows, 5 V on either side of a line."""

from __future__ import annotations

from pathlib import Path

import pytest

from robokit_plan.hardware.electrical.levels import Level, divided, divider_for, judged
from robokit_plan.model import Millivolt, Ohm, Severity
from tests.hardware.electric import MAIN, RPI4, findings, planned, severity

ROCK4 = "radxa,rock-4se"
ROCK5 = "radxa,rock-5b"
ORANGE = "xunlong,orangepi-5"
BONE = "ti,am335x-bone-black"

PUBLISHED = [
    # (board, hardware, rule, expected); claims and results of facts/boards_other.yaml, rule named
    # level_3v0 (RK3399_DS, VDOC_RX, FORUM_RX 1493)
    (ROCK4, "{uart: {gps: {port: uart4}}}", "level-too-high", "error"),
    (ROCK4, "{uart: {gps: {port: uart4, shifter: true}}}", "level-too-high", "ok"),
    (
        ROCK4,
        "{i2c: {m: {address: 0x40, bus: i2c7, pull-up-ohm: 4700}}}",
        "level-too-high",
        "warning",
    ),
    (ROCK4, "{i2c: {m: {address: 0x40, bus: i2c7}}}", "level-too-high", "ok"),
    (ROCK4, "{signals: {b: {function: input, gpio: GPIO3_C0, pull: up}}}", "level-too-high", "ok"),
    # level_unconfirmed (rk3399_audio_domain, rk3588_fixed_domain_pins, rk3588s_levels)
    (ROCK4, "{i2s: {mic: {direction: in}}}", "level-unknown", "error"),
    (ROCK5, "{signals: {b: {function: output, gpio: GPIO3_A0}}}", "level-unknown", "ok"),
    (ORANGE, "{spi: {radio: {bus: any, select: any}}}", "level-unknown", "warning"),
    (ROCK5, "{signals: {p: {function: pwm, header: [32]}}}", "level-unknown", "ok"),
    (ROCK5, "{signals: {p: {function: output, header: [18]}}}", "level-unknown", "error"),
    (ROCK5, "{signals: {p: {function: output, header: [28]}}}", "level-unknown", "error"),
    # no_drive_unpowered (VMAN_BB ch07, ch08; RK3399_DS)
    (
        BONE,
        "{uart: {d: {port: uart4}}, power: {load: {supply: pack, peak-ma: 50}}}",
        "unpowered-drive",
        "error",
    ),
    (
        BONE,
        "{uart: {d: {port: uart4}}, power: {load: {supply: 3V3, peak-ma: 50}}}",
        "unpowered-drive",
        "ok",
    ),
    (
        ROCK4,
        "{uart: {d: {port: uart4}}, power: {load: {supply: pack, peak-ma: 50}}}",
        "unpowered-drive",
        "warning",
    ),
    (RPI4, "{uart: {d: {}}, power: {load: {supply: pack, peak-ma: 50}}}", "unpowered-drive", "ok"),
]
PACK = "supplies: {pack: {volts: 7.4, max-ma: 5000}}\n"


@pytest.mark.parametrize(("board", "hardware", "rule", "expected"), PUBLISHED)
def test_published_case(
    board: str, hardware: str, rule: str, expected: str, tmp_path: Path
) -> None:
    """Boards whose lines are not plain 3.3 V."""
    plan = planned(tmp_path, {"part": hardware}, board=board, robot=PACK)
    assert severity(plan, rule) == expected


def test_measured_level_settles_what_is_unknown(tmp_path: Path) -> None:
    """The lower value counts until the builder has measured (level_unconfirmed)."""
    hardware = {"b": "{signals: {b: {function: input, header: [18]}}}"}
    plan = planned(tmp_path / "", hardware, board=ROCK5, robot="")
    (found,) = findings(plan, "level-unknown")
    line = str(found.resource)
    for volts, high in ((3.3, "ok"), (1.8, "error")):
        folder = tmp_path / str(volts)
        folder.mkdir()
        plan = planned(folder, hardware, board=ROCK5, robot=f"measured: {{{line}: {volts}}}\n")
        assert severity(plan, "level-unknown") == "ok"
        assert severity(plan, "level-too-high") == high


@pytest.mark.parametrize(
    ("hardware", "rule", "expected"),
    [
        # DOC_GPIO: a level above 3.3 V is said to destroy the pin.
        ("{uart: {d: {volts: 5}}}", "level-too-high", "error"),
        ("{uart: {d: {volts: 5}}}", "level-too-low", "warning"),
        ("{uart: {d: {volts: 5, divider-ohm: [1800, 3300]}}}", "level-too-high", "ok"),
        ("{uart: {d: {volts: 5, shifter: true}}}", "level-too-low", "ok"),
        ("{spi: {d: {volts: 5}}}", "level-too-high", "error"),
        ("{one-wire: {d: {volts: 5}}}", "level-too-high", "error"),
        ("{one-wire: {d: {}}}", "level-too-high", "ok"),
        ("{i2s: {d: {direction: in, volts: 5}}}", "level-too-high", "error"),
        # facts/i2c.yaml bus rule level: a 5 V pull-up lifts SDA and SCL above the pin limit.
        ("{i2c: {d: {address: 0x40, volts: 5, pull-up-ohm: 4700}}}", "level-too-high", "error"),
        # AVR_TWI_TABLE: 0.7 VCC on SDA and SCL.
        ("{i2c: {d: {address: 0x40, volts: 5}}}", "level-too-low", "warning"),
        (
            "{signals: {d: {function: output, volts: 5, drives: motor-driver}}}",
            "level-too-low",
            "warning",
        ),
        ("{signals: {d: {function: output, volts: 5, shifter: true}}}", "level-too-low", "ok"),
        # WS2812B_DS: VIH 0.7 VDD.
        (
            "{signals: {d: {function: led-string, gpio: 10, leds: 3, supply: 5V}}}",
            "level-too-low",
            "warning",
        ),
        (
            "{signals: {d: {function: led-string, gpio: 10, leds: 3, supply: 5V, shifter: true}}}",
            "level-too-low",
            "ok",
        ),
        (
            "{signals: {d: {function: led-string, gpio: 10, leds: 3, supply: 3V3}}}",
            "level-too-low",
            "ok",
        ),
    ],
)
def test_five_volt(hardware: str, rule: str, expected: str, tmp_path: Path) -> None:
    """5 V parts on a 3.3 V header, both directions."""
    plan = planned(tmp_path, {"part": hardware})
    assert severity(plan, rule) == expected


@pytest.mark.parametrize(
    ("chip", "link", "volts", "high", "low"),
    [
        # mcu.yaml level_to_host: 5 V TX must be shifted down; 3.3 V is above 0.6 VCC = 3.0 V.
        ("atmega328p", "uart3", ", volts: 5", "error", "ok"),
        ("atmega328p", "uart3", ", volts: 3.3", "ok", "ok"),
        # i2c_target_pullups: at 5 V its own pull-ups lift a 3.3 V bus; 0.7 VCC = 3.5 V.
        ("atmega328p", "i2c1, address: 0x20", ", volts: 5", "error", "warning"),
        ("atmega32u4", "i2c1, address: 0x20", ", volts: 5", "error", "warning"),
        ("rp2040", "uart3", "", "ok", "ok"),
        ("atmega328p", "usb", ", volts: 5", "ok", "ok"),
    ],
)
def test_link_level(chip: str, link: str, volts: str, high: str, low: str, tmp_path: Path) -> None:
    """Board and companion must agree about the level of their link."""
    robot = f"{MAIN}controllers: {{c: {{chip: {chip}, link: {link}{volts}}}}}\n"
    plan = planned(tmp_path, {"idle": "{}"}, robot=robot)
    assert severity(plan, "level-too-high") == high
    assert severity(plan, "level-too-low") == low


def test_companion_on_lines_of_three_volts(tmp_path: Path) -> None:
    """Link rule level-to-3v0-host: 3.3 V exceeds the 3.15 V of most lines of that family."""
    robot = "controllers: {c: {chip: rp2040, link: uart4}}\n"
    plan = planned(tmp_path, {"idle": "{}"}, board=ROCK4, robot=robot)
    assert severity(plan, "level-too-high") == "error"


def test_companion_of_unknown_voltage(tmp_path: Path) -> None:
    """The level of an ATmega is its supply's; where nobody says, a wired link is a question."""
    robot = "controllers: {c: {chip: atmega328p, link: uart3}}\n"
    plan = planned(tmp_path, {"idle": "{}"}, robot=robot)
    assert severity(plan, "level-unknown") == "warning"


def test_proposed_divider_fits() -> None:
    """The repair names preferred values (IEC 60063) that stay below the limit."""
    for source in (5000, 12_000, 24_000):
        for most in (1800, 3150, 3300):
            upper, lower = divider_for(Millivolt(source), Millivolt(most))
            assert divided(Millivolt(source), upper, lower) <= most
    # 5 V x 18 k / (10 k + 18 k) = 3.214 V (Kirchhoff)
    assert divider_for(Millivolt(5000), Millivolt(3300)) == (Ohm(10_000), Ohm(18_000))


def test_judgement_at_the_border() -> None:
    """At the limit it is borne; a supply's tolerance above it is a warning; more is an error."""
    line = Level(logic=Millivolt(3300), maximum=Millivolt(3300))
    assert judged(Millivolt(3300), line) is None
    assert judged(Millivolt(3465), line) is Severity.WARNING
    assert judged(Millivolt(3466), line) is Severity.ERROR
