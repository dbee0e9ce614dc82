"""
Whole outputs, reviewed as code.

After a change that is meant, `ROBOKIT_GOLDEN=write pytest tests/render/test_golden.py` writes them
anew; the difference is then read before it is committed.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from robokit_plan.formats.lock import render_lock
from robokit_plan.render import (
    diff_plans,
    render_diff_markdown,
    render_diff_text,
    render_script,
    render_wiring_csv,
    render_wiring_svg,
    render_wiring_text,
)
from tests.render.boards import TWENTY
from tests.render.plans import HERON, sha

GOLDEN = Path(__file__).parents[1] / "golden"
OUTPUTS: dict[str, Callable[[], str]] = {
    "heron-lock.toml": lambda: render_lock(HERON),
    "heron-install.sh": lambda: render_script(
        HERON, lock_name="pylock.heron.toml", lock_sha256=sha("lock")
    ),
    "heron-diff.txt": lambda: render_diff_text(diff_plans(None, HERON), width=100),
    "heron-diff.md": lambda: render_diff_markdown(diff_plans(None, HERON)),
    "heron-wiring.txt": lambda: render_wiring_text(HERON, TWENTY, width=100),
    "heron-wiring.csv": lambda: render_wiring_csv(HERON, TWENTY),
    "heron-wiring.svg": lambda: render_wiring_svg(HERON, TWENTY),
}


@pytest.mark.parametrize("name", OUTPUTS)
def test_output_is_as_reviewed(name: str) -> None:
    path = GOLDEN / name
    made = OUTPUTS[name]()
    if os.environ.get("ROBOKIT_GOLDEN") == "write":
        path.write_bytes(made.encode())
    assert made == path.read_bytes().decode()
