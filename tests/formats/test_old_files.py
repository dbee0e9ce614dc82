"""
Files that earlier versions wrote are read.

`tests/cases/formats/` keeps one of each kind and format; none is ever written anew.
"""

from __future__ import annotations

from pathlib import Path

from robokit_plan.formats.lock import parse_lock, render_lock
from tests.formats.test_lock import FULL
from tests.render.plans import LOCK_ORIGIN

CASES = Path(__file__).parents[1] / "cases" / "formats"


def test_a_lock_file_of_the_first_format() -> None:
    """Written on 2026-12-01, before readers and writers came of one statement; all keys in it."""
    text = (CASES / "lock-1.toml").read_text("utf-8")
    assert parse_lock(text, file=LOCK_ORIGIN.file) == FULL
    assert render_lock(FULL) == text
