"""
Files that earlier versions wrote are read.

`tests/cases/formats/` keeps one of each kind and format; none is ever written anew.
"""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema

from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.edge.robots import parse_robot
from robokit_plan.formats.lock import parse_lock, render_lock
from robokit_plan.render import render_wiring_json
from tests.formats.test_lock import FULL
from tests.render.plans import LOCK_ORIGIN

SCHEMAS = Path(__file__).parents[2] / "schemas"
CASES = Path(__file__).parents[1] / "cases" / "formats"


def test_a_lock_file_of_the_first_format() -> None:
    """Written on 2026-12-01, before readers and writers came of one statement; all keys in it."""
    text = (CASES / "lock-1.toml").read_text("utf-8")
    assert parse_lock(text, file=LOCK_ORIGIN.file) == FULL
    assert render_lock(FULL) == text


def test_a_manifest_and_a_robot_file_of_the_first_format() -> None:
    """Read whole, and nothing in them is found fault with."""
    manifest, findings = parse_manifest(
        (CASES / "manifest-1.yaml").read_text("utf-8"), "plugins/nav-lights/manifest.yaml"
    )
    assert manifest is not None
    assert manifest.plugin == "nav-lights"
    assert not findings
    robot, findings = parse_robot((CASES / "robot-1.yaml").read_text("utf-8"), "robot.yaml")
    assert robot is not None
    assert robot.name == "heron"
    assert not findings


def test_wiring_that_a_program_reads() -> None:
    """A robot's program of then finds what it found: the same keys and values."""
    kept = json.loads((CASES / "wiring-1.json").read_text("utf-8"))
    jsonschema.validate(kept, json.loads((SCHEMAS / "wiring.schema.json").read_text("utf-8")))
    assert json.loads(render_wiring_json(FULL)) == kept
