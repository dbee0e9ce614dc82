"""I2C buses as circuits, against the standard's formulas (tests/cases/facts/pull_ups.yaml)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.edge.facts import read_i2c
from robokit_plan.hardware.electrical.i2c_bus import (
    greatest_capacitance,
    greatest_pull_up,
    least_pull_up,
    mode_for,
    parallel,
)
from robokit_plan.model import I2cMode, Millivolt, Ohm
from tests.hardware.electric import RPI3, RPI4, RPI5, findings, planned, severity

FILE = Path(__file__).parents[2] / "cases" / "facts" / "pull_ups.yaml"
FACTS = yaml.safe_load(FILE.read_text("utf-8"))
MODES: dict[str, I2cMode] = {one.name: one for one in read_i2c().modes}


@pytest.mark.parametrize("row", FACTS["worked"], ids=str)
def test_limits(row: dict[str, Any]) -> None:
    """R_min = (VDD - VOL) / IOL rounded up, R_max = t_r / (0.8473 C_b) rounded down."""
    mode = MODES[row["mode"]]
    least = least_pull_up(Millivolt(round(row["vdd_v"] * 1000)), mode)
    greatest = greatest_pull_up(row["cb_pf"], mode)
    assert least is not None
    assert greatest is not None
    assert least - 1 < row["rp_min_ohm"] <= least
    assert greatest == pytest.approx(row["rp_max_ohm"], abs=1.01)
    assert (least <= greatest) is row["feasible"]


@pytest.mark.parametrize("row", FACTS["parallel"], ids=lambda row: row["case"])
def test_parallel(row: dict[str, Any]) -> None:
    """1 / R = sum of 1 / R_i; what a device must sink, what capacitance is still lifted."""
    total = parallel(tuple(map(Ohm, row["resistors_ohm"])))
    assert total == int(row["parallel_ohm"])
    assert 3.3 / row["parallel_ohm"] * 1000 == pytest.approx(row["sink_ma_at_3v3"] * 1, rel=0.14)
    least = least_pull_up(Millivolt(3300), MODES["fast"])
    assert least is not None
    assert (total >= least) is row["ok_standard_fast"]
    most = greatest_capacitance(total, MODES["fast"])
    assert most == pytest.approx(row["cb_max_pf_at_400khz"], abs=1.01)


@given(st.lists(st.integers(100, 100_000), min_size=1, max_size=12))
def test_parallel_is_below_each(resistors: list[int]) -> None:
    """Side by side never more than the least, and more than the least shared by all."""
    total = parallel(tuple(map(Ohm, resistors)))
    assert min(resistors) // len(resistors) <= total <= min(resistors)


def test_modes() -> None:
    """100, 400, 1000, 3400, 5000 kHz (KERNEL_I2C): the slowest mode that allows the clock."""
    names = [mode_for(read_i2c(), khz).name for khz in (10, 100, 101, 400, 1000, 3400)]
    assert names == ["standard", "standard", "fast", "fast", "fast_plus", "high_speed"]


def devices(*resistors: int, part: str = "") -> str:
    """Return one plugin with a device per pull-up on the first bus."""
    inside = ", ".join(
        f"d{at}: {{address: {0x20 + at}, pull-up-ohm: {ohm}}}" for at, ohm in enumerate(resistors)
    )
    return f"{{i2c: {{{inside}}}}}"


@pytest.mark.parametrize("row", FACTS["parallel"], ids=lambda row: row["case"])
def test_pull_ups_of_a_robot(row: dict[str, Any], tmp_path: Path) -> None:
    """The board's own 1.8 kohm and those of the modules, against what a device can sink."""
    own, *modules = row["resistors_ohm"]
    assert own == 1800
    hardware = devices(*modules) if modules else "{i2c: {d: {address: 0x20}}}"
    plan = planned(tmp_path, {"bus": hardware}, board=RPI4)
    assert severity(plan, "pull-up-strong") == ("ok" if row["ok_standard_fast"] else "warning")


def test_bus_without_pull_ups(tmp_path: Path) -> None:
    """i2c4 of that board has none of its own; a module's 10 kohm lifts some 40 pF in time."""
    for more, expected in (("", "warning"), (", pull-up-ohm: 10000", "ok")):
        folder = tmp_path / expected
        folder.mkdir()
        hardware = f"{{i2c: {{d: {{address: 0x20, bus: i2c4{more}}}}}}}"
        plan = planned(folder, {"bus": hardware})
        assert severity(plan, "pull-up-missing") == expected
        assert severity(plan, "pull-up-weak") == "ok"


def test_weak_pull_up(tmp_path: Path) -> None:
    """47 kohm at 40 pF: t_r / (0.8473 C_b) = 1000 ns / (0.8473 x 40 pF) = 29.5 kohm at most."""
    hardware = "{i2c: {d: {address: 0x20, bus: i2c4, pull-up-ohm: 47000}}}"
    plan = planned(tmp_path, {"bus": hardware})
    (found,) = findings(plan, "pull-up-weak")
    assert "29.505 kohm is the most at 100 kHz" in found.message


def test_slowest_device_sets_the_clock(tmp_path: Path) -> None:
    """Bus rule slowest_wins: a part for 10 kHz slows all; alone it slows nobody."""
    slow = "s: {address: 0x21, max-khz: 10}"
    for claims, expected in ((f"{slow}, d: {{address: 0x20}}", "note"), (slow, "ok")):
        folder = tmp_path / expected
        folder.mkdir()
        plan = planned(folder, {"bus": f"{{i2c: {{{claims}}}}}"})
        assert severity(plan, "i2c-speed") == expected


@pytest.mark.parametrize(
    ("board", "part", "expected"),
    [
        # bus rule clock_stretch_bcm: ADAFRUIT_TROUBLE names the boards and chips.
        (RPI3, "bno055", "warning"),
        (RPI4, "bno055", "warning"),
        (RPI5, "bno055", "ok"),
        (RPI4, "mpu-6050", "ok"),
    ],
)
def test_clock_stretching(board: str, part: str, expected: str, tmp_path: Path) -> None:
    """Parts that hold the clock low on a controller that bears it badly."""
    plan = planned(tmp_path, {"imu": f"{{i2c: {{imu: {{part: {part}}}}}}}"}, board=board)
    assert severity(plan, "clock-stretching") == expected


@pytest.mark.parametrize(
    ("boot", "bus", "expected"),
    [
        # overlays README: dtparam i2c_arm_baudrate, and baudrate of the overlays; default 100 kHz
        ("dtparam=i2c_arm=on,i2c_arm_baudrate=400000\n", "i2c1", "error"),
        ("dtparam=i2c_arm=on\n", "i2c1", "ok"),
        ("dtoverlay=i2c4,baudrate=400000\n", "i2c4", "error"),
        ("dtoverlay=i2c4,baudrate=100000\n", "i2c4", "ok"),
    ],
)
def test_bus_set_faster_than_a_device_bears(
    boot: str, bus: str, expected: str, tmp_path: Path
) -> None:
    """What the boot file sets counts for every device on the bus (bus rule slowest_wins)."""
    hardware = f"{{i2c: {{d: {{address: 0x20, bus: {bus}, max-khz: 100, pull-up-ohm: 4700}}}}}}"
    plan = planned(tmp_path, {"bus": hardware}, boot=boot)
    assert severity(plan, "i2c-speed") == expected
