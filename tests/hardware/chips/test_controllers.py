"""Companions: the published cases of every chip, and what a robot's files bring about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge.facts import read_controllers
from robokit_plan.hardware.chips.clashes import ChipSetting, Clash, PinUse, clashes
from robokit_plan.model import Active, Hertz, Millivolt, Pull
from tests import plain_yaml
from tests.hardware.electric import findings, planned, severity

FILE = Path(__file__).parents[2] / "cases" / "facts" / "controllers.yaml"
CHIPS = read_controllers()


def _cases() -> Iterator[Any]:
    """Yield chip, setting and case of every rule."""
    for chip in plain_yaml.load(FILE.read_text("utf-8")):
        for rule in chip["rules"]:
            for case in rule["cases"]:
                where = case.get("chip", chip["chip"])
                setting = ChipSetting(
                    link=case.get("link", rule.get("link")),
                    radio=rule.get("radio", False),
                    octal=case.get("octal"),
                )
                name = f"{where} {rule['rule']}: {', '.join(case['claims'])}"
                yield pytest.param(where, setting, case, id=name)


def use(text: str, rank: int) -> PinUse:
    """Return a use from its short form (head of the case file)."""
    words = text.split()
    pin, kind, *rest = words
    fields: dict[str, Any] = {}
    named: list[str] = []
    at = 0
    while at < len(rest):
        word = rest[at]
        if word in {"pull", "active"}:
            at += 1
            fields[word] = (Pull if word == "pull" else Active)(rest[at])
        elif word in {"outside", "contact", "loaded"}:
            fields[word] = True
        elif word.endswith("Hz"):
            fields["frequency"] = Hertz(int(word[:-2]))
        elif word == "5V":
            fields["volts"] = Millivolt(5000)
        else:
            named.append(word)
        at += 1
    if named:
        fields["bus"], fields["signal"] = named
    return PinUse(text=f"use{rank}", kind=kind, pin=None if pin == "any" else pin, **fields)


@pytest.mark.parametrize(("chip", "setting", "case"), list(_cases()))
def test_published_case(chip: str, setting: ChipSetting, case: Mapping[str, Any]) -> None:
    """The gravest clash is the one that the case names; a case that is ok has none."""
    uses = [use(text, rank) for rank, text in enumerate(case["uses"])]
    found = clashes(CHIPS[chip], uses, setting)
    told = f"{found[0].severity.value} {found[0].rule}" if found else "ok"
    assert told == case["expect"], found
    if found:
        assert found[0].why


def test_every_chip_and_rule_of_the_facts_has_a_case() -> None:
    """What the facts call a rule of a chip is shown, or stands here with its reason."""
    shown = {
        (chip["chip"], rule["rule"])
        for chip in plain_yaml.load(FILE.read_text("utf-8"))
        for rule in chip["rules"]
    }
    elsewhere = {
        ("atmega328p", "dtr-reset"),  # test_port_reset
        ("atmega328p", "level-to-host"),  # tests/hardware/electrical/test_levels.py
        ("atmega328p", "i2c-target-pullups"),  # tests/hardware/electrical/test_levels.py
        ("atmega32u4", "i2c-target-pullups"),  # tests/hardware/electrical/test_levels.py
        ("atmega32u4", "no-dtr-reset"),  # test_port_reset; no manifest says a USB baud rate
        ("esp32", "boot-noise"),  # test_boot_log_pin
        ("rp2350a", "usb-not-uart"),  # as rp2040
    }
    facts = {(chip.id, rule.name) for chip in CHIPS.values() for rule in chip.rules}
    assert facts == shown | elsewhere


# --- whole robots ---------------------------------------------------------------------------


def robot(chip: str, more: str = "", link: str = 'link: usb, usb-id: "2e8a:000a"') -> str:
    """Return a robot file's part with one companion."""
    return (
        "supplies: {main-5v: {volts: 5.1, max-ma: 3000, feeds: board}}\n"
        f"controllers: {{fin-mcu: {{chip: {chip}, {link}, supply: main-5v{more}}}}}\n"
        "roles: {hull-mcu: fin-mcu}\n"
    )


def signals(**pins: str) -> dict[str, str]:
    """Return one plugin with signals on the companion: name -> the rest of the claim."""
    inside = ", ".join(f"{name}: {{controller: hull-mcu, {rest}}}" for name, rest in pins.items())
    return {"fins": f"{{signals: {{{inside}}}}}"}


def test_servo_library_takes_the_timer(tmp_path: Path) -> None:
    """Servo on timer 1 removes PWM from D9 and D10 (SERVO_DOC); D5 has timer 0."""
    plan = planned(
        tmp_path,
        signals(fin="function: servo, pin: D4", pump="function: pwm, pin: D9"),
        robot=robot("atmega328p"),
    )
    (found,) = findings(plan, "timer-collision")
    assert found.message == "fins.fin and fins.pump both need timer1 of fin-mcu"
    assert found.repair == ("wiring: {fins.pump: {pin: D3}}",)
    assert found.plugins == ("fins",)


def test_repair_of_slice_collision_is_free_of_it(tmp_path: Path) -> None:
    """GPIO n and n + 16 carry one waveform (ESPHOME_RP2040)."""
    plugins = signals(a="function: pwm, pin: 0", b="function: pwm, pin: 16")
    plan = planned(tmp_path, plugins, robot=robot("rp2040"))
    (found,) = findings(plan, "slice-collision")
    (tmp_path / "again").mkdir()
    plan = planned(tmp_path / "again", plugins, robot=robot("rp2040") + found.repair[0] + "\n")
    assert severity(plan, "slice-collision") == "ok"


def test_port_reset(tmp_path: Path) -> None:
    """Opening the port resets boards with a bridge (DTR), not those with USB on the chip."""
    for chip, expected in (("atmega328p", "note"), ("atmega32u4", "ok"), ("rp2040", "ok")):
        folder = tmp_path / chip
        folder.mkdir()
        plan = planned(
            folder, signals(fin="function: servo, pin: any, hazard: motion"), robot=robot(chip)
        )
        assert severity(plan, "port-reset") == expected


def test_boot_log_pin(tmp_path: Path) -> None:
    """GPIO1 sends the boot log (ESP_IDF); no motor hangs on it."""
    claim = "function: output, pin: gpio1, drives: motor-driver, hazard: motion"
    plan = planned(tmp_path, signals(motor=claim), robot=robot("esp32"))
    assert severity(plan, "boot-toggles") == "error"
    assert severity(plan, "host-link-taken") == "error"


@pytest.mark.parametrize(
    ("active", "expected"),
    [("low", "error"), ("high", "ok")],  # RP2040 inputs have a pull-down at reset: from memory
)
def test_pull_at_reset_of_a_companion(active: str, expected: str, tmp_path: Path) -> None:
    """A pull-down at reset switches an active-low load on."""
    claim = f"function: output, pin: 2, active: {active}, drives: motor-driver, hazard: motion"
    plan = planned(tmp_path, signals(motor=claim), robot=robot("rp2040"))
    assert severity(plan, "boot-energised") == expected


def test_floating_pin_of_a_companion(tmp_path: Path) -> None:
    """All pins of an ATmega float until its sketch runs (ATMEGA_DS, from memory)."""
    claim = "function: output, pin: D4, drives: motor-driver, hazard: motion"
    plan = planned(tmp_path, signals(motor=claim), robot=robot("atmega328p"))
    assert severity(plan, "boot-undefined") == "warning"


def test_five_volt_on_a_companion(tmp_path: Path) -> None:
    """RP2040: 3.3 V maximum GPIO input (BOARD_RP2040)."""
    plan = planned(
        tmp_path, signals(echo="function: input, pin: 2, volts: 5"), robot=robot("rp2040")
    )
    (found,) = findings(plan, "level-too-high")
    assert found.message == "fins.echo puts 5 V on pin gpio2 of fin-mcu, which bears 3.3 V"


def test_links(tmp_path: Path) -> None:
    """A link needs a number that tells it from others (link rules by-id, clone-serial)."""
    text = (
        "controllers:\n"
        '  a: {chip: atmega32u4, link: usb, usb-id: "2341:8036"}\n'
        '  b: {chip: atmega32u4, link: usb, usb-id: "2341:8036"}\n'
        '  c: {chip: atmega32u4, link: usb, usb-id: "2341:0036"}\n'
        "  d: {chip: rp2040, link: usb}\n"
    )
    plan = planned(tmp_path, {"idle": "{}"}, robot=text)
    (alike,) = findings(plan, "link-ambiguous")
    assert alike.message.startswith("a and b have one USB number")
    (boot,) = findings(plan, "usb-id-wrong")
    assert boot.resource == "c"
    (nameless,) = findings(plan, "link-unnamed")
    assert nameless.resource == "d"


def test_companion_that_never_stops(tmp_path: Path) -> None:
    """Firmware must stop motors when the host is silent (link rule watchdog, from memory)."""
    fin = signals(fin="function: servo, pin: any, hazard: motion")
    for more, expected in (("", "warning"), (", host-timeout-ms: 500", "ok")):
        folder = tmp_path / (expected)
        folder.mkdir()
        plan = planned(folder, fin, robot=robot("rp2040", more))
        assert severity(plan, "host-timeout-missing") == expected


@pytest.mark.parametrize(
    ("chip", "hardware", "rule", "expected"),
    [
        # ESP_IDF: UART0 is the bridge, wherever the matrix brings it; a second port is free.
        ("esp32", "{gps: {block: uart0, pins: {tx: 4, rx: 5}}}", "host-link-taken", "error"),
        ("esp32", "{gps: {block: uart1, pins: {tx: 4, rx: 5}}}", "host-link-taken", "ok"),
        # RP2040_SVD: USB is a controller of its own, so that uart0 stays free.
        ("rp2040", "{gps: {block: uart0, pins: {tx: 0, rx: 1}}}", "host-link-taken", "ok"),
        # PICO_SDK_IO: gpio5 is scl of i2c0, gpio2 sda of i2c1.
        ("rp2040", "{imu: {block: i2c0, pins: {sda: 2, scl: 5}}}", "function-missing", "error"),
        ("rp2040", "{imu: {block: i2c0, pins: {sda: 4, scl: 5}}}", "function-missing", "ok"),
        # ESP_IDF_S3_CAPS: two I2C controllers; the matrix adds none.
        (
            "esp32s3",
            "{a: {block: i2c0, pins: {sda: 4, scl: 5}}, b: {block: i2c1, pins: {sda: 6, scl: 7}}, "
            "c: {block: i2c2, pins: {sda: 8, scl: 9}}}",
            "chip-exhausted",
            "error",
        ),
        # ESP_IDF, effects from memory: a pull-up on gpio12 selects the wrong flash voltage.
        (
            "esp32",
            "{imu: {block: i2c0, pins: {sda: 12, scl: 14}, pull-up-ohm: 4700}}",
            "boot-strap",
            "error",
        ),
        # HAL_STM32, encoder mode from memory: the counter is the encoder's.
        (
            "stm32f411ce",
            "{wheel: {block: tim3, pins: {ch1: PA6, ch2: PA7}}}",
            "timer-collision",
            "ok",
        ),
        # No radio on this chip; ESP32 has one (from memory, product pages).
        ("rp2040", "{net: {block: wifi}}", "function-missing", "error"),
        ("esp32", "{net: {block: wifi}}", "function-missing", "ok"),
        # A block that the chip does not have at all.
        ("rp2040", "{wheel: {block: eqep0, pins: {a: 2, b: 3}}}", "function-missing", "error"),
    ],
)
def test_block_of_a_companion(
    chip: str, hardware: str, rule: str, expected: str, tmp_path: Path
) -> None:
    """Buses, radio and encoder inputs of a companion, as a manifest claims them."""
    claims = hardware.replace("{block", "{controller: hull-mcu, block")
    plan = planned(tmp_path, {"fins": f"{{blocks: {claims}}}"}, robot=robot(chip))
    assert severity(plan, rule) == expected


@pytest.mark.parametrize(("more", "expected"), [("", "ok"), (", baud: 1200", "error")])
def test_touch_at_1200_baud(more: str, expected: str, tmp_path: Path) -> None:
    """CORE_AVR: opening the port at 1200 baud enters the boot loader (facts no_dtr_reset)."""
    plan = planned(tmp_path, {"idle": "{}"}, robot=robot("atmega32u4", more))
    assert severity(plan, "boot-loader-entered") == expected


@pytest.mark.parametrize(("more", "expected"), [("true", "error"), ("false", "ok")])
def test_octal_memory_of_a_module(more: str, expected: str, tmp_path: Path) -> None:
    """ESP_IDF_S3: gpio33 to gpio37 belong to octal flash or octal PSRAM (R8 class)."""
    plan = planned(
        tmp_path,
        signals(led="function: output, pin: 35"),
        robot=robot("esp32s3", f", octal-memory: {more}"),
    )
    assert severity(plan, "pin-reserved") == expected


@pytest.mark.parametrize(
    ("programs", "expected"),
    [
        # PICO_EXAMPLES: 4 + 24 instructions fit in the 32 of a block.
        ({"led-string": 4, "encoder": 2}, "ok"),
        # 9 state machines are more than 8 (PICO_SDK).
        ({"led-string": 9}, "error"),
        # Both blocks hold an encoder's 24 instructions; 16 more fit in neither.
        ({"encoder": 5, "ir-out": 1}, "error"),
        # 24 in one block, 16 + 9 in the other.
        ({"encoder": 4, "ir-out": 1, "ir-in": 1}, "ok"),
    ],
)
def test_instruction_memory_of_state_machines(programs: dict[str, int], expected: str) -> None:
    """Equal programs share their instructions in a block of 4 machines and 32 instructions."""
    uses = [
        PinUse(text=f"{kind}{n}", kind=kind, bus=f"{kind}{n}" if kind == "encoder" else None)
        for kind, count in programs.items()
        for n in range(count)
    ]
    rules = {one.rule for one in clashes(CHIPS["rp2040"], uses)}
    assert ("error" if "chip-exhausted" in rules else "ok") == expected


def clashing(chip: str, *uses: str, link: str | None = None) -> list[Clash]:
    return list(
        clashes(
            CHIPS[chip], [use(text, rank) for rank, text in enumerate(uses)], ChipSetting(link=link)
        )
    )


@pytest.mark.parametrize(
    ("chip", "pin", "rules"),
    [
        # ATmega48A/88A/168A/328P data sheet, alternate functions of port D: INT0 on PD2, INT1 on PD3.
        ("atmega328p", "D2", []),
        ("atmega328p", "D3", []),
        ("atmega328p", "D4", ["function-missing"]),
        # RP2040 data sheet, 2.19.3: each GPIO can interrupt.
        ("rp2040", "4", []),
    ],
)
def test_pins_that_interrupt(chip: str, pin: str, rules: list[str]) -> None:
    assert [one.rule for one in clashing(chip, f"{pin} interrupt")] == rules


@pytest.mark.parametrize(
    ("others", "free"),
    [
        ((), ("block: uart1",)),
        (("25 uart uart1 tx", "26 uart uart1 rx"), ("block: uart2",)),
        (("25 uart uart1 tx", "27 uart uart2 tx"), ()),
    ],
)
def test_the_serial_port_of_the_bridge_is_exchanged_for_a_free_one(
    others: tuple[str, ...], free: tuple[str, ...]
) -> None:
    """ESP32 data sheet: three serial ports at any pins; a USB bridge speaks by the first."""
    found = clashing("esp32", "32 uart uart0 tx", "33 uart uart0 rx", *others, link="usb")
    (taken,) = [one for one in found if one.rule == "host-link-taken"]
    assert taken.repair == free
    assert [one.text for one in taken.uses] == ["use0", "use1"]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("12 i2c i2c0 sda pull up outside", "its resistor is there before any program"),
        ("0 input pull up contact", "held while it starts, it changes how it starts"),
    ],
)
def test_why_a_pin_that_is_read_at_reset_is_told(text: str, why: str) -> None:
    """ESP_IDF, effects from memory: a resistor is always there, a button only while it is held."""
    (one,) = [one for one in clashing("esp32", text) if one.rule == "boot-strap"]
    assert one.why[-1] == why


def test_of_several_outputs_only_those_are_told_that_collide() -> None:
    """ESPHOME_RP2040: GPIO n and n + 16 carry one waveform; the neighbours do not."""
    found = clashing("rp2040", "0 pwm", "2 pwm", "16 pwm", "4 pwm")
    assert [(one.rule, [each.text for each in one.uses]) for one in found] == [
        ("slice-collision", ["use0", "use2"])
    ]
