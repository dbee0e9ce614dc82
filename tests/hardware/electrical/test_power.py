"""Supplies: chains, rails of the header, ports, batteries, wires, and what is not known."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.hardware.electrical.batteries import FUSES, fuse_for
from robokit_plan.hardware.electrical.currents import wire_drop
from robokit_plan.hardware.electrical.loads import converter_current
from robokit_plan.model import Millivolt, WireSize
from tests.hardware.electric import MAIN, findings, planned, rail, severity

BONE = "ti,am335x-bone-black"
CHAIN = """\
supplies:
  main-5v: {volts: 5.1, max-ma: 3000, feeds: board}
  pack:
    volts: 7.4
    max-ma: 10000
    feeds: [main-5v]
    battery: {chemistry: li-ion, cells: 2, capacity-mah: 5000, discharge-c: 10, fuse-a: 10, cut-off: true}
"""


def test_count_and_stall(tmp_path: Path) -> None:
    """A claim of two draws twice; stall current is the peak where it is declared."""
    load = "{supply: pack, count: 2, typical-ma: 900, peak-ma: 2000, stall-ma: 2600}"
    plan = planned(tmp_path, {"drive": f"{{power: {{motor: {load}}}}}"}, robot=CHAIN)
    (own,) = (one for one in rail(plan, "pack").loads if one.instance == "drive")
    assert (own.typical, own.peak) == (1800, 5200)


def test_converter_conserves_power(tmp_path: Path) -> None:
    """
    P = V I: 600 mA at 5.1 V are 3.06 W; at 7.4 V with 85 percent 486.5 mA, so 487 mA.

    At peak the pack is reckoned empty, 2 x 3.0 V: 1250 mA at 5.1 V are 6.375 W, 1250 mA at 6 V.
    """
    plan = planned(tmp_path, {"idle": "{}"}, robot=CHAIN)
    (fed,) = rail(plan, "pack").loads
    assert (fed.claim, fed.typical, fed.peak) == ("converter", 487, 1250)


def test_a_port_without_a_supply_loads_none(tmp_path: Path) -> None:
    """Where a port gets its current from is the robot file's to say; unsaid, no rail is charged."""
    plan = planned(
        tmp_path,
        {"pump": "{ports: {plug: {kind: 5V, current-ma: 400}}}"},
        robot=MAIN + "ports: [{name: P1, kind: 5V}]\n",
    )
    assert "main-5v" in {one.name for one in plan.rails}
    assert not [load for one in plan.rails for load in one.loads if load.instance == "pump"]


def test_a_companion_draws_where_it_is_plugged_in(tmp_path: Path) -> None:
    """USB feeds what hangs on it (USB 2.0, 7.2.1); a serial line feeds nobody."""
    own = "controllers: {fin: {chip: rp2040, link: usb, usb-id: '2e8a:000a'}, aft: {chip: rp2040, link: uart3}}\n"
    plan = planned(tmp_path, {"idle": "{}"}, robot=MAIN + own)
    drawing = {load.instance for one in plan.rails for load in one.loads}
    assert "fin" in drawing
    assert "aft" not in drawing


@given(
    current=st.integers(0, 20_000),
    volts=st.integers(1000, 60_000),
    source=st.integers(1000, 60_000),
    percent=st.integers(1, 100),
)
def test_converter_never_makes_power(current: int, volts: int, source: int, percent: int) -> None:
    """What goes in is never less than what comes out."""
    drawn = converter_current(current, Millivolt(volts), Millivolt(source), percent)
    assert drawn * source >= current * volts


def test_rails_that_nobody_declared(tmp_path: Path) -> None:
    """Without a supply the maker's recommendation stands for the inlet (DOC_POWER: 3 A)."""
    plan = planned(tmp_path, {"fan": "{power: {fan: {supply: 5V, peak-ma: 2000}}}"}, robot="")
    five = rail(plan, "5V")
    assert (five.limit, five.peak) == (3000, 1250 + 2000)
    (found,) = findings(plan, "rail-overload")
    assert found.repair == (
        "supplies: {main-5v: {volts: 5.1, max-ma: 4100, feeds: board}}   once one of that size is "
        "fitted",
        "robokit-plan disable fan",
    )


def test_header_five_volt_is_what_the_supply_has_left(tmp_path: Path) -> None:
    """facts/boards.yaml rail_5v_header: supply less board, USB and cameras."""
    plan = planned(tmp_path, {"fan": "{power: {fan: {supply: 5V, peak-ma: 200}}}"})
    assert rail(plan, "5V").limit == 3000 - 1250
    assert rail(plan, "main-5v").peak == 1250 + 200


@pytest.mark.parametrize(
    ("inlet", "supply", "current", "expected"),
    [
        (500, "5V", 800, "error"),  # rail_limits: servo 800 mA from P9_7, 250 mA a contact
        (500, "5V", 300, "error"),  # rail_limits: usb powered, relay board from P9_5
        (2000, "5V", 300, "ok"),  # rail_limits: dc jack 5 V 2 A, relay board 300 mA from P9_5
        (2000, "3V3", 300, "error"),  # 3.3 V pins give 250 mA each
        (2000, "3V3", 200, "ok"),
    ],
)
def test_published_rail_limits(
    inlet: int, supply: str, current: int, expected: str, tmp_path: Path
) -> None:
    """Header contacts with limits of their own (VMAN_BB ch08)."""
    plan = planned(
        tmp_path,
        {"part": f"{{power: {{load: {{supply: {supply}, peak-ma: {current}}}}}}}"},
        board=BONE,
        robot=f"supplies: {{main-5v: {{volts: 5.0, max-ma: {inlet}, feeds: board}}}}\n",
    )
    found = [one for one in findings(plan, "rail-overload") if "contact" in one.message]
    assert ("error" if found else "ok") == expected


@pytest.mark.parametrize(
    ("robot", "rule", "expected"),
    [
        (MAIN, "back-feeding", "ok"),
        (
            "supplies: {a: {volts: 5.1, max-ma: 3000, feeds: board}, b: {volts: 5.1, max-ma: 3000, feeds: board}}\n",
            "back-feeding",
            "error",  # HAT_GUIDE Back Powering: an ideal diode or an either-or switch
        ),
        (
            "supplies: {a: {volts: 5.1, max-ma: 3000, feeds: joined}, b: {volts: 5.1, max-ma: 3000, feeds: joined}, "
            "joined: {volts: 5.1, max-ma: 3000, feeds: board}}\n",
            "back-feeding",
            "ok",
        ),
        (
            f"{MAIN[:-2]}, bec: {{volts: 5.0, max-ma: 3000}}}}\n"
            'controllers: {c: {chip: rp2040, link: usb, usb-id: "2e8a:000a", supply: bec}}\n',
            "back-feeding",
            "warning",  # link rule common-ground: no joined 5 V outputs
        ),
        (
            f'{MAIN}controllers: {{c: {{chip: rp2040, link: usb, usb-id: "2e8a:000a", supply: main-5v}}}}\n',
            "back-feeding",
            "ok",
        ),
        (
            "supplies: {a: {volts: 12, max-ma: 3000, feeds: b}, b: {volts: 5, max-ma: 3000, feeds: a}}\n",
            "supply-loop",
            "error",
        ),
        (CHAIN, "supply-loop", "ok"),
        ("supplies: {a: {volts: 150, max-ma: 3000}}\n", "supply-touch-unsafe", "error"),
        ("supplies: {a: {volts: 48, max-ma: 3000}}\n", "supply-touch-unsafe", "ok"),
    ],
)
def test_supplies(robot: str, rule: str, expected: str, tmp_path: Path) -> None:
    """How supplies are joined."""
    plan = planned(tmp_path, {"idle": "{}"}, robot=robot)
    assert severity(plan, rule) == expected


def test_repair_of_joined_supplies_can_be_typed(tmp_path: Path) -> None:
    """The either-or switch stands in the robot file as a supply of its own."""
    robot = (
        "supplies: {a: {volts: 5.1, max-ma: 3000, feeds: board}, "
        "b: {volts: 5.1, max-ma: 2500, feeds: board}}\n"
    )
    plan = planned(tmp_path, {"idle": "{}"}, robot=robot)
    (found,) = findings(plan, "back-feeding")
    given: dict[str, dict[str, object]] = yaml.safe_load(robot)["supplies"]
    typed = yaml.safe_load(found.repair[0].partition("   ")[0])["supplies"]
    joined = {name: {**given.get(name, {}), **typed.get(name, {})} for name in given | typed}
    (tmp_path / "again").mkdir()
    again = planned(tmp_path / "again", {"idle": "{}"}, robot=yaml.safe_dump({"supplies": joined}))
    assert severity(again, "back-feeding") == "ok"


def test_role_without_supply(tmp_path: Path) -> None:
    """A load on a role that binds to nothing hangs on no rail."""
    plugins = {"drive": "{power: {motor: {supply: drive, peak-ma: 500}}}"}
    plan = planned(tmp_path, plugins)
    assert severity(plan, "supply-unknown") == "error"
    (tmp_path / "again").mkdir()
    plan = planned(tmp_path / "again", plugins, robot=f"{MAIN}roles: {{drive: main-5v}}\n")
    assert severity(plan, "supply-unknown") == "ok"


def test_port_limit(tmp_path: Path) -> None:
    """A port with a limit of its own."""
    for current, expected in ((600, "error"), (400, "ok")):
        folder = tmp_path / str(current)
        folder.mkdir()
        plan = planned(
            folder,
            {"pump": f"{{ports: {{plug: {{kind: 5V, current-ma: {current}}}}}}}"},
            robot=f"{MAIN}ports: [{{name: P1, kind: 5V, supply: main-5v, max-ma: 500}}]\n",
        )
        assert severity(plan, "port-overload") == expected
        assert rail(plan, "main-5v").peak == 1250 + current


def test_led_string_on_the_header(tmp_path: Path) -> None:
    """Above 1 A a string wants wires of its own (assumption in the facts)."""
    for leds, expected in ((30, "warning"), (16, "ok")):
        folder = tmp_path / str(leds)
        folder.mkdir()
        claim = f"{{function: led-string, gpio: 10, leds: {leds}, supply: 5V, shifter: true}}"
        plan = planned(folder, {"lamp": f"{{signals: {{data: {claim}}}}}"})
        assert severity(plan, "led-string-heavy") == expected


def test_unknown_is_said(tmp_path: Path) -> None:
    """An undeclared current is not zero, an undeclared limit not infinite."""
    plan = planned(
        tmp_path,
        {"stick": '{usb: {stick: {id: "0781:5567"}}}'},
        robot="supplies: {main-5v: {volts: 5.1, feeds: board}}\n",
    )
    (load,) = findings(plan, "load-unknown")
    assert "stick.stick" in load.message
    assert severity(plan, "limit-unknown") == "note"


def battery(more: str = "", cells: str = "chemistry: li-ion, cells: 2") -> str:
    """Return a robot with one battery that feeds a load directly."""
    return (
        "supplies: {pack: {volts: 7.4, max-ma: 20000, battery: "
        f"{{{cells}, capacity-mah: 2000{more}}}}}}}\n"
    )


SAFE = ", discharge-c: 10, fuse-a: 7.5, cut-off: true"


@pytest.mark.parametrize(
    ("robot", "rule", "expected"),
    [
        # check battery and fuse, hazards lithium; the load is 5 A
        (battery(SAFE), "battery-overload", "ok"),
        (battery(SAFE.replace("discharge-c: 10", "discharge-c: 2")), "battery-overload", "error"),
        (battery(SAFE), "fuse-missing", "ok"),
        (battery(SAFE.replace("fuse-a: 7.5, ", "")), "fuse-missing", "warning"),
        (battery(SAFE), "fuse-mismatch", "ok"),
        (battery(SAFE.replace("7.5", "5")), "fuse-mismatch", "warning"),
        (battery(SAFE.replace("7.5", "30")), "fuse-mismatch", "warning"),
        (battery(SAFE), "cut-off-missing", "ok"),
        (battery(SAFE.replace(", cut-off: true", "")), "cut-off-missing", "warning"),
        (battery(SAFE.replace("cut-off", "protected")), "cut-off-missing", "ok"),
        (battery(", fuse-a: 7.5", "chemistry: nimh, cells: 6"), "cut-off-missing", "ok"),
        (battery(SAFE), "battery-level-wrong", "ok"),
        (battery(SAFE, "chemistry: li-po, cells: 3"), "battery-level-wrong", "warning"),
        (battery(SAFE, "chemistry: lifepo4, cells: 2"), "battery-level-wrong", "ok"),
    ],
)
def test_battery(robot: str, rule: str, expected: str, tmp_path: Path) -> None:
    """What a battery bears, and what keeps it from burning."""
    load = "{power: {motor: {supply: pack, typical-ma: 1000, peak-ma: 5000}}}"
    plan = planned(tmp_path, {"drive": load}, robot=robot)
    assert severity(plan, rule) == expected


def test_run_time(tmp_path: Path) -> None:
    """2000 mAh at 1 A last two hours."""
    load = "{power: {motor: {supply: pack, typical-ma: 1000}}}"
    plan = planned(tmp_path, {"drive": load}, robot=battery(SAFE))
    assert rail(plan, "pack").run_minutes == 120
    assert rail(plan, "pack").peak == 1000


def test_fuses_rise() -> None:
    """The series of ratings is sorted, so the first that fits is the smallest."""
    assert list(FUSES) == sorted(FUSES)
    assert fuse_for(80_000) is None


@pytest.mark.parametrize(
    ("mm2", "mohm_per_metre"),
    # ASTM B258 and the usual wire tables at 20 degrees (from memory): AWG 22, 20, 18, 14.
    [(0.326, 52.9), (0.518, 33.3), (0.823, 20.9), (2.08, 8.28)],
)
def test_wire_drop_against_a_wire_table(mm2: float, mohm_per_metre: float) -> None:
    """One ampere through one metre, out and back."""
    size = WireSize(hundredth_mm2=round(mm2 * 100), length_mm=10_000)
    assert wire_drop(size, 1000, 17_240) == pytest.approx(20 * mohm_per_metre, rel=0.02)


@pytest.mark.parametrize(("mm2", "expected"), [(0.5, "warning"), (2.5, "ok")])
def test_wire_drop(mm2: float, expected: str, tmp_path: Path) -> None:
    """
    5 A over 2 m: 690 mV in 0.5 mm2 (over 5 percent of 7.4 V), 138 mV in 2.5 mm2.

    U = 2 x 5 A x 0.01724 ohm mm2/m x 2 m / A.
    """
    load = f"{{supply: pack, peak-ma: 5000, wire: {{mm2: {mm2}, length-mm: 2000}}}}"
    plan = planned(tmp_path, {"drive": f"{{power: {{motor: {load}}}}}"}, robot=battery(SAFE))
    assert severity(plan, "wire-drop") == expected
