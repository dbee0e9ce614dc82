"""Nets, parts list and the sheet with both ends: views of one table of wires."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.app.session import open_session
from robokit_plan.edge.facts import read_board
from robokit_plan.hardware import assign
from robokit_plan.model import BoardId, End, FittedPart, Wires
from robokit_plan.planner import hardware_problem, instances_of
from robokit_plan.render import (
    render_nets,
    render_parts_csv,
    render_parts_text,
    render_wiring_csv,
    render_wiring_svg,
    render_wiring_text,
)
from tests.hardware.loom.test_wires import raft
from tests.render.plans import HERON

GOLDEN = Path(__file__).parents[1] / "golden"
BOARD = read_board("raspberrypi,4-model-b")
_PROBLEM = open_session(Path(__file__).parents[2] / "sample_robot").problem
_INSTANCES = instances_of(_PROBLEM.robot, None, _PROBLEM.manifests)
_ANSWER = assign(hardware_problem(_PROBLEM, _INSTANCES))
PLAN = replace(
    HERON, board=BoardId(BOARD.id), profile=None, assignments=_ANSWER.assignments + _ANSWER.links
)
OUTPUTS: dict[str, Callable[[], str]] = {
    "raft-sheet.txt": lambda: render_wiring_text(PLAN, BOARD, raft(), width=100),
    "raft-positions.txt": lambda: render_wiring_text(PLAN, BOARD, raft(), by="position", width=140),
    "raft-sheet.csv": lambda: render_wiring_csv(PLAN, BOARD, raft()),
    "raft-sheet.svg": lambda: render_wiring_svg(PLAN, BOARD, raft()),
    "raft-nets.csv": lambda: render_nets(raft()),
    "raft-parts.txt": lambda: render_parts_text(PLAN, raft(), width=100),
}


@pytest.mark.parametrize("name", OUTPUTS)
def test_output_is_as_reviewed(name: str) -> None:
    path = GOLDEN / name
    made = OUTPUTS[name]()
    if os.environ.get("ROBOKIT_GOLDEN") == "write":
        path.write_bytes(made.encode())
    assert made == path.read_bytes().decode()


def _table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_sheet_and_nets_tell_the_same_of_each_wire() -> None:
    """Whoever holds the sheet and whoever holds the nets connect the same pins."""
    net_of = {(row["part"], row["pin"]): row["net"] for row in _table(render_nets(raft()))}
    rows = [row for row in _table(render_wiring_csv(PLAN, BOARD, raft())) if row["kind"]]
    told = [row for row in rows if row["kind"] != "plug"]
    assert len(told) == len([one for one in raft().wires if one.kind.value != "plug"])
    for row in told:
        assert net_of[row["part"], row["part-pin"].lstrip("'")] == row["net"]
        assert net_of[row["far-part"], row["far-pin"].lstrip("'")] == row["far-net"]
        assert (row["net"] != row["far-net"]) == bool(row["through"])


def test_every_wire_of_the_sheet_is_in_the_text() -> None:
    text = " ".join(OUTPUTS["raft-sheet.txt"]().split())
    for part in raft().parts:
        if part.kind in {"part", "controller"}:
            assert f"{part.name}:" in text
    for one in raft().components:
        if one.kind == "resistor":
            assert one.value in text


def test_what_is_to_be_bought_is_counted() -> None:
    rows = {
        (row["what"], row["value or type"]): row for row in _table(render_parts_csv(PLAN, raft()))
    }
    assert rows["16 bit ADC", "ADS1115"]["count"] == "4"
    assert rows["fuse", "15 A"]["for"] == "pack-a.F1"
    assert rows["resistor", "1.8 kohm"]["count"] == "1"
    # thruster: count 2, 2.5 mm2 and 400 mm each, one conductor of each colour
    assert rows["wire RD", "2.5 mm2, 0.8 m"]["count"] == "2"


def test_no_cell_is_a_formula() -> None:
    evil = '=HYPERLINK("x")'
    wires = Wires(
        parts=(
            FittedPart(name=evil, kind="part", type=evil, what=evil, open_pins=((evil, evil),)),
        ),
        wires=tuple(
            replace(one, near=End(part=evil, pin=evil), near_net=evil) for one in raft().wires[:3]
        ),
    )
    for text in (
        render_nets(wires),
        render_parts_csv(PLAN, wires),
        render_wiring_csv(PLAN, BOARD, wires),
    ):
        for row in csv.reader(io.StringIO(text)):
            assert not [cell for cell in row if cell.startswith(("=", "@", "|", "%"))]
