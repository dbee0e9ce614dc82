"""The worked examples of the electrical facts (tests/cases/facts/electrical.yaml), one by one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

from robokit_plan.edge.facts import read_board, read_electrical
from robokit_plan.hardware.electrical.batteries import discharge_limit, fuse_for
from robokit_plan.hardware.electrical.boot_state import resistor_for
from robokit_plan.hardware.electrical.currents import led_current, series_ohm, wire_drop
from robokit_plan.hardware.electrical.hazards import laser_class
from robokit_plan.hardware.electrical.levels import Level, divided, judged, margin
from robokit_plan.hardware.electrical.loads import converter_current, led_string_current, servo_peak
from robokit_plan.hardware.electrical.power import path_limit, run_minutes
from robokit_plan.model import Battery, LoadLevel, MilliampHour, Millivolt, Ohm, Origin, WireSize
from tests.hardware.electric import RPI3, RPI4, findings, planned, rail, severity

FACTS = yaml.safe_load(
    (Path(__file__).parents[2] / "cases" / "facts" / "electrical.yaml").read_text("utf-8")
)
CHECKS: Mapping[str, Mapping[str, Any]] = {one["id"]: one for one in FACTS["checks"]}
FAMILY_BOARD = {"bcm283x": RPI3, "bcm2711": RPI4}


def examples(check: str) -> list[Any]:
    """Return the examples of *check* that give something."""
    return [
        pytest.param(one["given"], one["result"], id=str(one["given"]))
        for one in CHECKS[check]["examples"]
    ]


def mv(volts: float) -> Millivolt:
    return Millivolt(round(volts * 1000))


@pytest.mark.parametrize(("given", "result"), examples("pin_current"))
def test_pin_current(given: dict[str, Any], result: dict[str, Any], tmp_path: Path) -> None:
    """I = (VOH - Vf) / R; the finding depends on the SoC family."""
    if "r_min_ohm" in result:
        least = series_ohm(mv(given["voh_v"]), mv(given["vf_v"]), given["target_ma"])
        assert least - 1 < result["r_min_ohm"] <= least
        return
    micro = led_current(mv(given["voh_v"]), mv(given["vf_v"]), Ohm(given["r_ohm"]))
    assert micro / 1000 == pytest.approx(result["ma"], abs=0.006)
    for family, board in FAMILY_BOARD.items():
        folder = tmp_path / family
        folder.mkdir()
        ma = -(-micro // 1000)
        plan = planned(
            folder,
            {"lamp": f"{{signals: {{led: {{function: output, drives: led, current-ma: {ma}}}}}}}"},
            board=board,
            robot="",
        )
        assert severity(plan, "line-overload") == result[family]


@pytest.mark.parametrize(("given", "result"), examples("gpio_total"))
def test_gpio_total(given: dict[str, Any], result: dict[str, Any], tmp_path: Path) -> None:
    """All lines of the header together give 50 mA at most."""
    signals = ", ".join(
        f"s{at}: {{function: output, current-ma: {given['ma_each']}}}"
        for at in range(given["pins"])
    )
    plan = planned(tmp_path, {"lamps": f"{{signals: {{{signals}}}}}"}, board=RPI3, robot="")
    expected = "ok" if result.get("finding") == "ok" else "error"
    assert severity(plan, "gpio-total-overload") == expected
    if expected == "error":
        (found,) = findings(plan, "gpio-total-overload")
        assert f"{result['total_ma']} mA together" in found.message


@pytest.mark.parametrize(
    ("claim", "rule", "expected"),
    [
        ("{function: output, drives: relay-coil, current-ma: 70}", "direct-load", "error"),
        ("{function: output, drives: relay-module, current-ma: 5}", "line-overload", "warning"),
        ("{function: output, drives: relay-module, current-ma: 2}", "line-overload", "ok"),
        ("{function: output, drives: motor, current-ma: 2}", "direct-load", "error"),
        ("{function: output, drives: motor-driver, current-ma: 2}", "direct-load", "ok"),
        ("{function: output, drives: solenoid}", "direct-load", "error"),
        ("{function: pwm, drives: speaker}", "direct-load", "error"),
        ("{function: output, drives: heater, current-ma: 2}", "direct-load", "ok"),
    ],
)
def test_direct_load(claim: str, rule: str, expected: str, tmp_path: Path) -> None:
    """Electrical facts, check direct_load: no coil, motor or speaker hangs on a pin itself."""
    plan = planned(tmp_path, {"lid": f"{{signals: {{drive: {claim}}}}}"}, robot="")
    assert severity(plan, rule) == expected


@pytest.mark.parametrize(("given", "result"), examples("rail_5v"))
def test_rail_5v(given: dict[str, Any], result: dict[str, Any], tmp_path: Path) -> None:
    """What the supply has left after board, USB, cameras, screen and claims."""
    assert read_board(given["board"]).peak_current == given["board_peak_ma"]
    parts = [
        f'usb: {{stick: {{id: "0781:5567", ma: {given["usb_ma"]}}}}}',
        f"power: {{load: {{supply: 5V, peak-ma: {given['claims_ma']}}}}}",
    ]
    if given["cameras"]:
        parts.append("camera: {eye: {connector: any}}")
    if given["hdmi"]:
        parts.append("audio: {sound: {via: hdmi}}")
    plan = planned(
        tmp_path,
        {"all": f"{{{', '.join(parts)}}}"},
        board=given["board"],
        robot="supplies: {main-5v: "
        f"{{volts: 5.1, max-ma: {given['supply_ma']}, feeds: board}}}}\n",
    )
    main = rail(plan, "main-5v")
    assert main.limit is not None
    assert main.limit - main.peak == result["left_ma"]
    assert severity(plan, "rail-overload") == ("error" if result["finding"] == "error" else "ok")
    assert severity(plan, "rail-tight") == ("warning" if result["finding"] == "warning" else "ok")


@pytest.mark.parametrize(("given", "result"), examples("usb_budget"))
def test_usb_budget(given: dict[str, Any], result: dict[str, Any], tmp_path: Path) -> None:
    """All USB ports share one limit, which on one family depends on the supply."""
    supply = given.get("supply_a", 3) * 1000
    plan = planned(
        tmp_path,
        {"disk": f'{{usb: {{disk: {{id: "0781:5567", ma: {given["usb_ma"]}}}}}}}'},
        board=given["board"],
        robot=f"supplies: {{main-5v: {{volts: 5.1, max-ma: {supply}, feeds: board}}}}\n",
    )
    assert severity(plan, "usb-overload") == result["finding"]
    if result["finding"] == "error":
        (found,) = findings(plan, "usb-overload")
        assert f"gives {result['limit_ma']} mA" in found.message


@pytest.mark.parametrize(("given", "result"), examples("undervoltage"))
def test_undervoltage(given: dict[str, Any], result: dict[str, Any]) -> None:
    """R_max = (V_supply - V_detect) / I, and the drop along a wire of a handbook gauge."""
    current = round(given["i_a"] * 1000)
    if "wire" in given:
        # 20 AWG is 0.518 mm2 (ASTM B258 table: from memory), 33.3 mohm/m.
        size = WireSize(hundredth_mm2=52, length_mm=round(given["length_m"] * 1000))
        drop = wire_drop(size, current, read_electrical().copper_nano_ohm_metre)
        assert drop == pytest.approx(result["drop_mv"], rel=0.01)
        return
    mohm = path_limit(mv(given["v_supply"]), mv(given["v_detect"]), current)
    assert mohm <= result["r_max_mohm"] < mohm + 1


@pytest.mark.parametrize(("given", "result"), examples("led_string"))
def test_led_string(given: dict[str, Any], result: dict[str, Any]) -> None:
    """N x I_led x brightness / 255 + N x I_idle, rounded up."""
    current = led_string_current(
        given["n"], given["i_led_ma"], given["brightness"], given["idle_ma"]
    )
    wanted: float = result["max_ma"] if "max_ma" in result else result["typical_ma"]
    assert current - 1 < wanted <= current


def test_led_string_without_current_counts_its_package(tmp_path: Path) -> None:
    """WS2812B-2020: 3 x 12 mA (vendor page); a dark LED draws 1 mA more (WLED_IDLE)."""
    claim = "{function: led-string, gpio: 10, leds: 12, part: WS2812B-2020, supply: 5V, volts: 5, shifter: true}"
    plan = planned(tmp_path, {"lamp": f"{{signals: {{data: {claim}}}}}"})
    assert rail(plan, "5V").peak == 432 + 12


@pytest.mark.parametrize(("given", "result"), examples("servo"))
def test_servo(given: dict[str, Any], result: dict[str, Any]) -> None:
    """Servos that may stall together, never less than half of all."""
    stalls = tuple(one["stall_ma"] for one in given["servos"])
    facts = read_electrical().servo_stall
    assert {one["class"]: one["stall_ma"] for one in given["servos"]}.items() <= facts.items()
    wanted = result.get("plan_ma", result["peak_ma"])
    assert servo_peak(stalls, given["simultaneous"]) == wanted


@pytest.mark.parametrize(("given", "result"), examples("level_5v_in"))
def test_level_5v_in(given: dict[str, Any], result: dict[str, Any], tmp_path: Path) -> None:
    """5 V into a line: none, a divider that is a little too high, one that fits."""
    level, key = mv(given["v_src"]), ""
    if "r1_ohm" in given:
        level = divided(level, Ohm(given["r1_ohm"]), Ohm(given["r2_ohm"]))
        key = f", divider-ohm: [{given['r1_ohm']}, {given['r2_ohm']}]"
    assert level / 1000 == pytest.approx(result["v_pin"], abs=0.0011)
    plan = planned(
        tmp_path, {"echo": f"{{signals: {{echo: {{function: input, volts: 5{key}}}}}}}"}, robot=""
    )
    assert severity(plan, "level-too-high") == result["finding"].split(",")[0]


LOADS = {
    "WS2812B at 5.0 V": ("led-string", 5.0),
    "WS2812B at 4.5 V": ("led-string", 4.5),
    "TTL level input (VIH 2.0, 74HCT/AHCT)": ("ttl", 5.0),
    "ATmega328P GPIO at 5 V": ("atmega", 5.0),
    "5 V CMOS 0.7 VDD": ("cmos", 5.0),
}


@pytest.mark.parametrize(("given", "result"), examples("level_3v3_out"))
def test_level_3v3_out(given: dict[str, Any], result: dict[str, Any]) -> None:
    """VOH must reach what the input surely reads as high."""
    kind, supply = LOADS[given["load"]]
    load: LoadLevel = read_electrical().loads[kind]
    assert load.high_min(mv(supply)) == mv(given["vih_v"])
    assert margin(mv(given["voh_v"]), load, mv(supply)) == mv(result["margin_v"])


@pytest.mark.parametrize("given", CHECKS["boot_pull"]["resistor_examples"], ids=str)
def test_boot_resistor(given: dict[str, Any]) -> None:
    """R = R_pull_min Vth / (3.3 V - Vth)."""
    if "check" in given:
        pull = 33_000 if "33 kohm" in given["check"] else 1800
        level = divided(Millivolt(3300), Ohm(pull), Ohm(10_000))
        assert level / 1000 == pytest.approx(given["v_pin"], abs=0.0011)
        return
    family = next(b for f, b in FAMILY_BOARD.items() if f == given["family"])
    pulls = read_board(family).family.pull_ohm
    assert pulls is not None
    assert pulls[0] == given["r_pull_min_kohm"] * 1000
    resistor = resistor_for(pulls[0], mv(given["vth_v"]), Millivolt(3300))
    assert resistor == given["r_pulldown_max_kohm"] * 1000


BOOT = [
    # (line, active, drives, hazard, expected severity); source: the examples of check boot_pull
    (4, "high", "motor-driver", "motion", "error"),
    (17, "high", "motor-driver", "motion", "ok"),
    (17, "low", "relay-module", "none", "warning"),
    (17, "low", "relay-module", "mains", "error"),
    (5, "low", "relay-module", "none", "ok"),
    (2, "high", "motor-driver", "motion", "error"),
]


@pytest.mark.parametrize(("line", "active", "drives", "hazard", "expected"), BOOT)
def test_boot_pull(
    line: int, active: str, drives: str, hazard: str, expected: str, tmp_path: Path
) -> None:
    """A pull at reset that equals the active level switches the load on before any program."""
    claim = (
        f"{{function: output, gpio: {line}, active: {active}, drives: {drives}, hazard: {hazard}}}"
    )
    plan = planned(tmp_path, {"drive": f"{{signals: {{enable: {claim}}}}}"}, robot="")
    assert severity(plan, "boot-energised") == expected


def test_declared_resistor_holds_the_line(tmp_path: Path) -> None:
    """A pull-down beside the line wins against the internal pull-up, never against 1.8 kohm."""
    for line, expected in ((4, "ok"), (2, "error")):
        folder = tmp_path / str(line)
        folder.mkdir()
        claim = (
            f"{{function: output, gpio: {line}, pull: down, drives: motor-driver, hazard: motion}}"
        )
        plan = planned(folder, {"drive": f"{{signals: {{enable: {claim}}}}}"}, robot="")
        assert severity(plan, "boot-energised") == expected


@pytest.mark.parametrize(
    ("line", "drives", "hazard", "expected"),
    [
        (14, "motor-driver", "motion", "error"),  # check boot_uart_noise
        (0, "relay-module", "none", "error"),  # check boot_uart_noise
        (17, "motor-driver", "motion", "ok"),
        (14, "led", "none", "note"),
    ],
)
def test_boot_noise(line: int, drives: str, hazard: str, expected: str, tmp_path: Path) -> None:
    """Lines that the board itself toggles while it starts carry no load that acts."""
    claim = f"{{function: output, gpio: {line}, drives: {drives}, hazard: {hazard}}}"
    plan = planned(tmp_path, {"drive": f"{{signals: {{enable: {claim}}}}}"}, robot="")
    assert severity(plan, "boot-toggles") == expected


@pytest.mark.parametrize(
    ("volts", "current", "wrong", "weak"),
    [
        (5.3, 3000, "error", "ok"),  # check backpower: 5 V plus or minus 5 percent
        (5.1, 2000, "ok", "warning"),  # below 2500 mA, and below what the maker asks for
        (5.1, 3000, "ok", "ok"),
        (4.7, 3000, "error", "ok"),
    ],
)
def test_back_power(volts: float, current: int, wrong: str, weak: str, tmp_path: Path) -> None:
    """A supply of the board has the right voltage and enough current."""
    plan = planned(
        tmp_path,
        {"idle": "{}"},
        robot=f"supplies: {{main-5v: {{volts: {volts}, max-ma: {current}, feeds: board}}}}\n",
    )
    assert severity(plan, "board-supply-wrong") == wrong
    assert severity(plan, "board-supply-weak") == weak


@pytest.mark.parametrize(("given", "result"), examples("rail_3v3"))
def test_rail_3v3(given: dict[str, Any], result: dict[str, Any], tmp_path: Path) -> None:
    """50 mA is published for the header's 3.3 V."""
    loads = ", ".join(
        f"m{at}: {{supply: 3V3, peak-ma: {ma}}}" for at, ma in enumerate(given["modules_ma"])
    )
    plan = planned(tmp_path, {"all": f"{{power: {{{loads}}}}}"})
    assert rail(plan, "3V3").peak == result["total_ma"]
    assert severity(plan, "rail-3v3-overload") == result["finding"]


def test_rail_3v3_above_what_is_often_quoted(tmp_path: Path) -> None:
    """Above 500 mA (unofficial) it is an error (check rail_3v3)."""
    plan = planned(tmp_path, {"all": "{power: {fan: {supply: 3V3, peak-ma: 501}}}"})
    assert severity(plan, "rail-3v3-overload") == "error"


@pytest.mark.parametrize(("given", "result"), examples("battery"))
def test_battery(given: dict[str, Any], result: dict[str, Any]) -> None:
    """t = capacity x V x eta / P, I_max = capacity x C, I = P / (V_min x eta)."""
    if "i_max_a" in result:
        battery = Battery(
            chemistry="li-ion",
            cells=2,
            capacity=MilliampHour(round(given["capacity_ah"] * 1000)),
            discharge_tenth_c=given["c"] * 10,
            origin=Origin(file="robot.yaml"),
        )
        assert discharge_limit(battery) == result["i_max_a"] * 1000
        return
    # 5 V behind a converter stands for the load: power is what the examples give.
    current = round(given["p_w"] * 1000 / 5)
    percent = round(given["eta"] * 100)
    if "i_a" in result:
        drawn = converter_current(current, mv(5), mv(given["v_min"]), percent)
        assert drawn / 1000 == pytest.approx(result["i_a"], abs=0.006)
        return
    drawn = converter_current(current, mv(5), mv(given["v_nom"]), percent)
    minutes = run_minutes(round(given["capacity_ah"] * 1000), drawn)
    assert minutes / 60 == pytest.approx(result["t_h"], abs=0.02)


@pytest.mark.parametrize(("given", "result"), examples("fuse"))
def test_fuse(given: dict[str, Any], result: dict[str, Any]) -> None:
    """Load < fuse <= wire."""
    load, wire = given["load_a"] * 1000, given["wire_a"] * 1000
    assert fuse_for(load, wire) == result["fuse_a"] * 1000
    assert fuse_for(wire, wire) is None


@pytest.mark.parametrize("example", FACTS["laser"], ids=str)
def test_laser_class(example: dict[str, Any]) -> None:
    """Visible continuous light by its power; else the label decides."""
    given = example["given"]
    found = laser_class(
        read_electrical(),
        round(given.get("mw", 0) * 1000),
        given["nm"],
        pulsed=given.get("pulsed", False),
    )
    expected = example["result"]
    assert (found.name if found else "label needed") == expected.split(" (")[0]


def test_every_example_is_used() -> None:
    """No check of the facts is left without a test in this file."""
    covered = {
        "pin_current", "gpio_total", "direct_load", "rail_5v", "usb_budget", "undervoltage",
        "led_string", "servo", "level_5v_in", "level_3v3_out", "boot_pull", "boot_uart_noise",
        "backpower", "rail_3v3", "battery", "fuse",
    }  # fmt: skip
    assert set(CHECKS) == covered


def test_unknown_line_is_never_judged() -> None:
    """Unknown is neither allowed nor too high: `level-unknown` says it."""
    assert judged(Millivolt(5000), Level(logic=None, maximum=None)) is None
