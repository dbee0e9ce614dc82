"""What the developers' page names is there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
NAMED = sorted(
    set(re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", (ROOT / "DEVELOPERS.md").read_text("utf-8")))
)


@pytest.mark.parametrize(("file", "name"), NAMED, ids=[f"{file}::{name}" for file, name in NAMED])
def test_a_named_test_exists(file: str, name: str) -> None:
    tree = ast.parse((ROOT / file).read_text("utf-8"))
    functions = {one.name for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)}
    assert name in functions


def test_tests_are_named() -> None:
    assert len(NAMED) > 20
