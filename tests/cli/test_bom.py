"""`report --format cyclonedx`: from the lock file alone."""

from __future__ import annotations

import json
from hashlib import sha256
from pathlib import Path

from tests.cli.conftest import Command


def test_it_needs_a_lock_file(dinghy: Path, command: Command) -> None:
    ran = command("report", "--format", "cyclonedx")
    assert ran.status == 2
    assert "there is no lock file pylock.dinghy.toml" in ran.err
    assert "robokit-plan lock" in ran.err


def test_it_asks_nobody_and_says_which_lock_file_it_is_of(dinghy: Path, command: Command) -> None:
    """The same lock file gives the same bytes, whatever became of the robot file since."""
    command("lock")
    assert command("report", "--format", "cyclonedx").status == 0
    first = (dinghy / "dinghy.cdx.json").read_bytes()
    lock = sha256((dinghy / "pylock.dinghy.toml").read_bytes()).hexdigest()
    told = json.loads(first)["metadata"]["component"]
    assert told["name"] == "dinghy"
    assert {"name": "robokit-plan:lock-sha256", "value": lock} in told["properties"]
    ran = command("report", "--format", "cyclonedx", "--out", "-")
    assert ran.out.encode() == first


def test_a_format_that_nobody_knows(dinghy: Path, command: Command) -> None:
    ran = command("report", "--format", "spdx")
    assert (ran.status, "formats: html, cyclonedx" in ran.err) == (2, True)
