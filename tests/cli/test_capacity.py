"""What the robot file says of its own board does not follow it to another one."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.conftest import Command


def test_another_board_has_its_own_memory(dinghy: Path, command: Command) -> None:
    """1024 MB: DOC_REV, the table of revision codes; --board says what if it were another one."""
    robot = dinghy / "robot.yaml"
    robot.write_text(robot.read_text("utf-8") + "system: {memory-mb: 4096, card-gb: 8}\n", "utf-8")

    def budgets(*more: str) -> tuple[list[int], int]:
        found = json.loads(command("check", "--json", *more).out)["budgets"]
        return found["memory_mb"]["sizes"], found["card"]["room"]

    assert budgets() == ([4096], 7_600_000_000)
    assert budgets("--board", "raspberrypi,3-model-b") == ([1024], 7_600_000_000)
