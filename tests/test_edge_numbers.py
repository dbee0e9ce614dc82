"""Numbers on the edge of the schemas, a few of them; ``python -m tests.bench.edge_numbers`` tries all."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest

from tests.edge_numbers import (
    QUICK,
    Where,
    base,
    cases,
    drive,
    lay_out,
    some_commands,
    untried,
    with_numbers,
)


def test_every_numeric_key_of_the_schemas_is_tried() -> None:
    """A new key has a place in the base, or is told here."""
    assert untried() == set()


def test_the_base_can_be_built_and_locked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the edges would be hidden behind other errors."""
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    lay_out(tmp_path / "odd", with_numbers(base(), {}))
    assert drive(tmp_path / "odd", QUICK) == []
    assert (tmp_path / "odd/pylock.odd.toml").is_file()


@pytest.mark.parametrize("first", [0, 5_000])
def test_no_number_breaks_a_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, first: int
) -> None:
    """Singles, then pairs that the schemas allow."""
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    robot = tmp_path / "odd"
    for number, numbers in enumerate(islice(cases(7), first, first + 8)):
        lay_out(robot, with_numbers(base(), numbers))
        assert drive(robot, some_commands(number)) == [], numbers


PULL_UP: tuple[str, Where] = (
    "plugins/sense/manifest.yaml",
    ("hardware", "i2c", "bare", "pull-up-ohm"),
)
PIN: tuple[str, Where] = "robot.yaml", ("controllers", "mcu", "inhibit", "pin")


def test_what_was_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pull-ups that make less than one ohm together divided by zero; -0.0 was a pin's name."""
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    robot = tmp_path / "odd"
    for numbers in ({PULL_UP: "1"}, {PIN: "-0.0"}):
        lay_out(robot, with_numbers(base(), numbers))
        assert drive(robot) == []
