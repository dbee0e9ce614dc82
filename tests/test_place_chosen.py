"""
Whole robots whose claims list places, or take any: the place that is no error is chosen.

Each class has a robot that can be built, since one place is right, and one that cannot, since none is.
The repairs of the second kind keep to the claim's own list.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest

from robokit_plan.model import Plan, Severity
from tests.hardware.electric import MAIN, RPI4, RPI5, planned


class Case(NamedTuple):
    """
    Parts of two robots that differ in a list.

    `good` and `bad`: hardware of one plugin; `rule`: of the bad one's error; `places`: claim ->
    resource in the good one. `source`: why the places differ.
    """

    good: str
    bad: str
    rule: str
    places: dict[str, str]
    source: str
    board: str = RPI4
    chip: str = ""
    robot: str = ""


def _signals(text: str, names: str) -> str:
    return "{signals: {" + ", ".join(f"{name}: {{{text}}}" for name in names) + "}}"


def _tones(count: int) -> str:
    """Return PWM outputs of *count* different frequencies."""
    return (
        "{signals: {"
        + ", ".join(
            f"t{at}: {{controller: mcu, function: pwm, pin: any, hz: {100 * (at + 1)}}}"
            for at in range(count)
        )
        + "}}"
    )


_MOTOR = "function: output, active: high, drives: motor-driver, hazard: motion, current-ma: 2"
_CASES = {
    "hazard at reset": Case(
        good=f"{{signals: {{enable: {{{_MOTOR}, gpio: [4, 17]}}}}}}",
        bad=f"{{signals: {{enable: {{{_MOTOR}, gpio: [4, 5]}}}}}}",
        rule="boot-energised",
        places={"enable": "gpio17"},
        source="BCM2711 ARM Peripherals, table 94: gpio0 to gpio8 are pulled up at reset",
    ),
    "hazard at reset, the good line held by another": Case(
        good=f"{{signals: {{enable: {{{_MOTOR}, gpio: [4, 17]}}, "
        "lid: {function: input, gpio: [17, 27]}}}",
        bad=f"{{signals: {{enable: {{{_MOTOR}, gpio: [4, 17]}}, "
        "lid: {function: input, gpio: 17}}}",
        rule="boot-energised",
        places={"enable": "gpio17", "lid": "gpio27"},
        source="as above",
    ),
    "level": Case(
        good="{signals: {sense: {function: input, gpio: [GPIO4_D2, GPIO3_C0]}}}",
        bad="{signals: {sense: {function: input, gpio: [GPIO4_D2, GPIO4_D4]}}}",
        rule="level-too-high",
        places={"sense": "GPIO3_C0"},
        source="RK3399 board schematics: the bank of GPIO4_D has 3.0 V, GPIO3_C0 3.3 V",
        board="radxa,rockpi4b",
    ),
    "converter beside the radio": Case(
        good="{signals: {depth: {controller: mcu, function: analog, pin: [25, 26, 32]}}, "
        "blocks: {air: {controller: mcu, block: wifi}}}",
        bad="{signals: {depth: {controller: mcu, function: analog, pin: [25, 26]}}, "
        "blocks: {air: {controller: mcu, block: wifi}}}",
        rule="converter-blocked",
        places={"depth": "mcu pin gpio32"},
        source="ESP-IDF, ADC: ADC2 is used by the radio; gpio25 and 26 are of ADC2, 32 of ADC1",
        chip="esp32",
    ),
    "missing pull": Case(
        good="{signals: {lid: {controller: mcu, function: input, pull: up, pin: [34, 35, 33]}}}",
        bad="{signals: {lid: {controller: mcu, function: input, pull: up, pin: [34, 35]}}}",
        rule="pull-missing",
        places={"lid": "mcu pin gpio33"},
        source="ESP32 data sheet, IO_MUX: gpio34 to 39 have no pull",
        chip="esp32",
    ),
    "flash strap": Case(
        good="{blocks: {bus: {controller: mcu, block: i2c0, pins: {sda: 21, scl: 22}}}, "
        "signals: {lid: {controller: mcu, function: input, pull: up, pin: any}}}",
        bad="{blocks: {bus: {controller: mcu, block: i2c0, pull-up-ohm: 4700, "
        "pins: {sda: 12, scl: 22}}}}",
        rule="boot-strap",
        places={},
        source="ESP32 data sheet, strapping pins: gpio12 high sets the flash to 1.8 V",
        chip="esp32",
    ),
    "slices": Case(
        good=_tones(8),
        bad=_tones(9),
        rule="slice-collision",
        places={"t0": "mcu pin gpio0", "t1": "mcu pin gpio2", "t7": "mcu pin gpio14"},
        source="RP2040 data sheet, PWM: eight slices, two outputs of each share a frequency",
        chip="rp2040",
    ),
    "a timer that keeps the servos": Case(
        good="{signals: {arm: {controller: mcu, function: servo, pin: any}, "
        "lamp: {controller: mcu, function: pwm, hz: 490, pin: [9, 10, 3]}}}",
        bad="{signals: {arm: {controller: mcu, function: servo, pin: any}, "
        "lamp: {controller: mcu, function: pwm, hz: 490, pin: [9, 10]}}}",
        rule="timer-collision",
        places={"lamp": "mcu pin D3"},
        source="ATmega328P data sheet: OC1A, OC1B are of timer 1, which the servo library takes",
        chip="atmega328p",
    ),
    "a serial port at an input-only pin": Case(
        good="{blocks: {gps: {controller: mcu, block: uart1, pins: {tx: [34, 17, 4], rx: 35}}}}",
        bad="{blocks: {gps: {controller: mcu, block: uart1, pins: {tx: [34, 36], rx: 35}}}}",
        rule="function-missing",
        places={"gps": "mcu uart1"},
        source="ESP32 data sheet, IO_MUX: gpio34 to 39 are inputs only",
        chip="esp32",
    ),
    "a bus at the flash strap": Case(
        good="{blocks: {bus: {controller: mcu, block: i2c0, pins: {sda: [12, 21], scl: 22}}}}",
        bad="{blocks: {bus: {controller: mcu, block: i2c0, pins: {sda: 12, scl: 22}}}}",
        rule="boot-strap",
        places={"bus": "mcu i2c0"},
        source="ESP32 data sheet: gpio12 high at reset sets the flash to 1.8 V; UM10204: a free "
        "bus is high",
        chip="esp32",
    ),
    "a serial line that idles high at the flash strap": Case(
        good="{blocks: {gps: {controller: mcu, block: uart1, pins: {tx: any, rx: any}}}}",
        bad="{blocks: {gps: {controller: mcu, block: uart1, pins: {tx: 4, rx: 12}}}}",
        rule="boot-strap",
        places={"gps": "mcu uart1"},
        source="as above; a serial line is high while nobody sends (common practice, no source)",
        chip="esp32",
    ),
    "pins of the module's flash": Case(
        good="{blocks: {bus: {controller: mcu, block: spi2, "
        "pins: {sclk: any, mosi: any, miso: any, cs: any}}}}",
        bad="{blocks: {bus: {controller: mcu, block: spi2, "
        "pins: {sclk: 6, mosi: 13, miso: 14, cs: 15}}}}",
        rule="pin-reserved",
        places={"bus": "mcu spi2"},
        source="ESP-IDF, GPIO: gpio6 to 11 are wired to the module's flash",
        chip="esp32",
    ),
    "any pins of a chip without a matrix": Case(
        good="{blocks: {gps: {controller: mcu, block: uart1, pins: {tx: any, rx: any}}}, "
        "signals: {a: {controller: mcu, function: output, pin: 4}}}",
        bad="{blocks: {gps: {controller: mcu, block: uart1, pins: {tx: 4, rx: 6}}}}",
        rule="function-missing",
        places={"gps": "mcu uart1"},
        source="RP2040 data sheet, table 2: UART1 TX at gpio4, 8, 20, 24, RX at gpio5, 9, 21, 25",
        chip="rp2040",
    ),
    "state machines": Case(
        good=_signals("function: led-string, leds: 2, gpio: any, shifter: true", "abcde"),
        bad=_signals("function: led-string, leds: 2, gpio: [5, 6, 12, 13, 16]", "abcde"),
        rule="state-machines-exhausted",
        places={"e": "gpio10"},
        source="RP1 peripherals: one PIO with four state machines; SPI0 sends by gpio10",
        board=RPI5,
    ),
}


def _planned(case: Case, hardware: str, folder: Path) -> Plan:
    robot = MAIN + case.robot
    if case.chip:
        robot += f'controllers: {{mcu: {{chip: {case.chip}, link: usb, usb-id: "0bda:2838"}}}}\n'
    return planned(folder, {"kit": hardware}, board=case.board, robot=robot)


def _errors(plan: Plan) -> list[str]:
    return [one.rule for one in plan.findings if one.severity is Severity.ERROR]


@pytest.mark.parametrize("name", _CASES)
def test_the_right_place_of_a_list_is_chosen(name: str, tmp_path: Path) -> None:
    """No error, and the place that the source says is right."""
    case = _CASES[name]
    plan = _planned(case, case.good, tmp_path)
    assert _errors(plan) == []
    placed = {str(one.claim): str(one.resource) for one in plan.assignments}
    assert {claim: placed[claim] for claim in case.places} == case.places


@pytest.mark.parametrize("name", _CASES)
def test_where_no_place_is_right_the_error_stays(name: str, tmp_path: Path) -> None:
    """The error of the rule alone, and no repair that leaves the list."""
    case = _CASES[name]
    plan = _planned(case, case.bad, tmp_path)
    assert set(_errors(plan)) == {case.rule}
    listed = "gpio: [" in case.bad or "pin: [" in case.bad
    for one in plan.findings:
        if one.severity is Severity.ERROR and listed:
            assert not any(text.startswith("wiring:") for text in one.repair), one.repair


def test_no_more_errors_than_there_must_be(tmp_path: Path) -> None:
    """Nine frequencies on eight slices: two outputs collide, and no more."""
    case = _CASES["slices"]
    assert _errors(_planned(case, case.bad, tmp_path)) == [case.rule]


def test_a_controllers_bus_is_none_of_the_boards(tmp_path: Path) -> None:
    """Serial ports of a controller take no line of the board's ports of the same name."""
    hardware = (
        "{blocks: {a: {controller: mcu, block: [uart0, uart1], pins: {tx: any, rx: any}}, "
        "b: {controller: mcu, block: uart1, pins: {tx: any, rx: any}}}, "
        "signals: {lid: {function: input, gpio: 14}, leak: {function: input, gpio: 15}}}"
    )
    case = _CASES["slices"]
    plan = planned(
        tmp_path,
        {"kit": hardware},
        robot=f'{MAIN}controllers: {{mcu: {{chip: {case.chip}, link: usb, usb-id: "0bda:2838"}}}}\n',
        bare=True,
    )
    assert _errors(plan) == []
    buses = {str(one.claim): one.bus for one in plan.assignments if one.section == "blocks"}
    assert buses == {"a": "uart0", "b": "uart1"}


def test_one_setting_serves_two_buses(tmp_path: Path) -> None:
    """
    Plain Debian's overlay for SPI switches I2S on too: claims of both, and of nothing else, fit.

    Source: Debian 13, raspi-firmware, overlays/pi4-spidev.dtbo.
    """
    both = "{spi: {radio: {part: sx1276}}, i2s: {sound: {direction: in}}}"
    for name in ("both", "other"):
        (tmp_path / name).mkdir()
    plan = planned(tmp_path / "both", {"kit": both}, image="debian")
    assert _errors(plan) == []
    assert [one.text for one in plan.boot] == ["dtoverlay=pi4-spidev"]
    other = "{spi: {radio: {part: sx1276}}, signals: {lid: {function: input, gpio: 18}}}"
    plan = planned(tmp_path / "other", {"kit": other}, image="debian")
    assert _errors(plan) == ["boot-line-collision"]


def _moves(plan: Plan) -> dict[str, str]:
    """Return the first place that each claim is told by a repair."""
    found: dict[str, str] = {}
    for one in plan.findings:
        for text in one.repair:
            if one.severity is Severity.ERROR and text.startswith("wiring: {"):
                claim, _, place = text.removeprefix("wiring: {").partition(": ")
                found.setdefault(claim, place.partition("}, or")[0].removesuffix("}"))
    return found


def test_claims_that_must_all_move_are_sent_to_different_places(tmp_path: Path) -> None:
    """Of three claims on one line two have to go; what is told for both can be typed at once."""
    one = "{signals: {line: {function: output, gpio: 17}}}"
    for name in ("before", "after"):
        (tmp_path / name).mkdir()
    plugins = dict.fromkeys(("a", "b", "c"), one)
    moves = _moves(planned(tmp_path / "before", plugins))
    assert moves["b.line"] != moves["c.line"]
    wiring = f"wiring: {{b.line: {moves['b.line']}, c.line: {moves['c.line']}}}\n"
    assert _errors(planned(tmp_path / "after", plugins, robot=MAIN + wiring)) == []


def test_errors_of_two_claims_send_them_to_different_places(tmp_path: Path) -> None:
    """Likewise where each claim is wrong by itself."""
    hardware = f"{{signals: {{x: {{{_MOTOR}, gpio: 4}}, y: {{{_MOTOR}, gpio: 5}}}}}}"
    for name in ("before", "after"):
        (tmp_path / name).mkdir()
    moves = _moves(planned(tmp_path / "before", {"kit": hardware}))
    wiring = f"wiring: {{kit.x: {moves['kit.x']}, kit.y: {moves['kit.y']}}}\n"
    assert _errors(planned(tmp_path / "after", {"kit": hardware}, robot=MAIN + wiring)) == []
