"""The failures that a machine meets, each with the step that prevents or tells it, and its test."""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge.rules import read_rules
from tests import plain_yaml
from tests.render.test_script_strangers import PLAN, script_of

TESTS = Path(__file__).parent
MODES: list[Mapping[str, Any]] = plain_yaml.load(
    (TESTS / "cases" / "failure_modes_script.yaml").read_text("utf-8")
)
OURS = [
    *(f"B{number}" for number in range(6, 13)),
    *(f"C{number}" for number in range(1, 14)),
    *(f"D{number}" for number in range(1, 11)),
    *(f"E{number}" for number in range(1, 5)),
]
ANSWERS = {(mode["id"], key) for mode in MODES for key in ("shown", "why-not") if key in mode}


def pairs(key: str) -> list[Any]:
    return [
        pytest.param(one, id=f"{mode['id']} {one}") for mode in MODES for one in mode.get(key, ())
    ]


def test_each_has_its_entry() -> None:
    """In the order of the list, each with a source and either a test or why there is none."""
    assert [mode["id"] for mode in MODES] == OURS
    assert sorted(one for one, _ in ANSWERS) == sorted(OURS)
    assert all(mode["source"] and mode["what"] and mode["steps"] for mode in MODES)


@cache
def functions() -> frozenset[str]:
    """Return the functions of a script that has every step."""
    return frozenset(re.findall(r"^(\w+)\(\) \{", script_of(PLAN), re.MULTILINE))


@pytest.mark.parametrize("step", pairs("steps"))
def test_the_step_is_there(step: str) -> None:
    word, _, rule = step.partition(" ")
    assert rule in read_rules() if rule else word in functions()


@pytest.mark.parametrize("node", pairs("shown"))
def test_the_test_is_there(node: str) -> None:
    file, _, name = node.partition("::")
    tree = ast.parse((TESTS / file).read_text("utf-8"))
    assert name in {one.name for one in tree.body if isinstance(one, ast.FunctionDef)}
