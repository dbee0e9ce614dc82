"""Each guard of the list is there to be taken away, and each promise has one."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

ROOT = Path(__file__).parents[2]
GUARDS: list[dict[str, Any]] = yaml.safe_load(
    Path(__file__).with_name("guards.yaml").read_text("utf-8")
)
_PAGE = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("## Threats")[2].partition("\n## ")[0]
PROMISED = sorted(set(re.findall(r"`(tests/[\w/]+\.py::\w+)`", _PAGE)))


@pytest.mark.parametrize("guard", GUARDS, ids=lambda one: f"{one['file']} {one['test']}")
def test_a_guard_is_where_the_list_says(guard: dict[str, Any]) -> None:
    assert (ROOT / guard["file"]).read_text("utf-8").count(guard["take"]) == 1
    assert guard.get("put", "") != guard["take"]


@pytest.mark.parametrize("promised", PROMISED)
def test_a_promise_has_a_guard(promised: str) -> None:
    file, _, name = promised.partition("::")
    assert any(
        guard["test"].startswith(f"{file}::") and guard["test"].endswith(f"::{name}")
        for guard in GUARDS
    )
