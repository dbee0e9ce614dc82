"""Of the places that fit, one comes first whose level and boot suit what is wired to it."""

from __future__ import annotations

from dataclasses import replace

from robokit_plan.hardware import assign
from robokit_plan.model import Claim, LineName, Millivolt
from tests.hardware.build import board, i2c, instance, problem, signal, uart

ORANGE = "xunlong,orangepi-5"
"""Part of its header bears 1.8 V only; of the rest no level is published (facts/boards_other)."""


def _lines(claim: Claim, measured: dict[str, int] | None = None) -> set[LineName]:
    volts = {LineName(name): Millivolt(level) for name, level in (measured or {}).items()}
    made = assign(problem(ORANGE, instance("compass", claim), measured=volts)).assignments
    return {use.line for one in made for use in one.lines}


def _most(line: LineName) -> int | None:
    pins = {pin.id: pin for pin in board(ORANGE).pins}
    return pins[board(ORANGE).lines[line].pin].maximum


def test_a_bus_of_another_level_comes_last() -> None:
    """Three buses of unknown level stand before those of 1.8 V, a measured one before all."""
    assert {_most(line) for line in _lines(i2c("imu", "bno055", "any"))} == {None}
    b7 = {"GPIO4_B2": 3300, "GPIO4_B3": 3300}
    assert _lines(i2c("imu", "bno055", "any"), b7) == set(b7)
    low = dict.fromkeys(("GPIO1_B6", "GPIO1_B7"), 1800)
    assert _lines(i2c("imu", "bno055", "any"), low).isdisjoint(low)


def test_a_bus_that_is_named_is_taken_all_the_same() -> None:
    """The manifest's own order is an order."""
    taken = _lines(i2c("imu", "bno055", ["i2c3", "i2c5"]))
    assert {_most(line) for line in taken} == {1800}


def test_a_signal_keeps_off_lines_that_bear_less() -> None:
    """3.3 V from outside would flow into a pad of 1.8 V."""
    assert {_most(line) for line in _lines(signal("leak", "input"))} == {None}


def test_a_port_on_which_the_boot_loader_prints_comes_last() -> None:
    """DTB_D13: stdout-path of this board is uart2 at positions 8 and 10."""
    rock = "radxa,rock-5b"
    bare = replace(board(rock), default_claims=())
    asked = replace(problem(rock, instance("lidar", uart("scanner", "any"))), board=bare)
    (made,) = assign(asked).assignments
    assert {use.position for use in made.lines}.isdisjoint(bare.console_pins)
