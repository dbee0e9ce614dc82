"""
The clock an hour and ten years off: what is planned is the same, and the next run is right.

A board without a battery for its clock starts wherever it was switched off, and one whose battery
is empty in another decade (common practice, no source).
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.skiff import PACKAGES, Skiff
from tests.edge.index_server import wheel

CHECKOUT = Path(__file__).parents[2]
AS_TYPED = """\
import sys, time
right = time.time
time.time = lambda: right() + {off_s}
from robokit_plan.cli import main
main(sys.argv[1:])
"""
HOUR_S = 3_600
TEN_YEARS_S = 3_652 * 86_400
OFF = [HOUR_S, -HOUR_S, TEN_YEARS_S, -TEN_YEARS_S]
LOCK = "pylock.skiff.toml"
Typed = Callable[..., str]


@pytest.fixture(name="typed")
def _typed(skiff: Skiff) -> Typed:
    """Return what a command says whose clock is *off_s* seconds ahead."""

    def typed(off_s: int, *words: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", AS_TYPED.format(off_s=off_s), *words],
            cwd=skiff.root,
            env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout + done.stderr

    return typed


@pytest.mark.parametrize("off_s", OFF)
def test_the_lock_file_is_the_same(skiff: Skiff, typed: Typed, off_s: int) -> None:
    """No time of this machine is in it; what the clock makes odd is said beside it."""
    typed(0, "lock")
    right = (skiff.root / LOCK).read_bytes()
    (skiff.root / LOCK).unlink()
    os.environ["ROBOKIT_PLAN_CACHE"] += "-other"  # the fixture puts the environment back
    said = typed(off_s, "lock")
    assert (skiff.root / LOCK).read_bytes() == right
    rules = [line.split()[1] for line in said.splitlines() if line.startswith("warning ")]
    odd = {TEN_YEARS_S: ["archive-expired:"], -TEN_YEARS_S: ["archive-date-odd:"]}.get(off_s, [])
    assert rules == odd, said
    assert ("the clock of this machine" in said) == bool(odd)


@pytest.mark.parametrize(
    ("first_s", "then_s"),
    [
        *((off_s, 0) for off_s in OFF),
        *(pytest.param(0, off_s, marks=pytest.mark.slow) for off_s in OFF),
    ],
)
def test_what_was_read_by_another_clock_is_not_kept_for_long(
    skiff: Skiff, typed: Typed, first_s: int, then_s: int
) -> None:
    """The next run sees what the indices have now, its clock being put right, or wrong."""
    typed(first_s, "lock")
    assert 'version = "1.0"' in (skiff.root / LOCK).read_text()
    skiff.index.add(
        "alpha",
        {f"alpha-{one}-py3-none-any.whl": wheel("alpha", one) for one in ("1.0", "1.1")},
    )
    newer = PACKAGES.replace("2.0.21-1", "2.0.21-2")
    skiff.mirror.add_suite("trixie", newer, date=time.time() - 60, valid=time.time() + 86_400)
    typed(then_s, "lock", "--upgrade")
    text = (skiff.root / LOCK).read_text()
    assert 'version = "1.1"' in text
    assert 'version = "2.0.21-2"' in text
