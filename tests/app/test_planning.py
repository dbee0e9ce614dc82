"""What the command line adds to a plan: unknown boards, a Debian part without a mirror."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.app import planning
from robokit_plan.model import Need
from tests.cli.conftest import Command, FrozenWorld


class WithoutMirror(FrozenWorld):
    """A machine without apt, and a robot file without a mirror."""

    def __init__(self, *_: object, **__: object) -> None:
        super().__init__()
        self.snapshot = replace(self.snapshot, debian=None)
        self.debian_reason = "apt is not configured here, and the robot file names no mirror"

    def learn(self, need: Need) -> None:
        """Add the Python rows of the case, and no Debian ones."""
        super().learn(need)
        self.snapshot = replace(self.snapshot, debian=None)


def test_without_a_mirror_everything_else_is_planned(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Summary and warning say that the Debian part is not planned; the rest is."""
    monkeypatch.setattr(planning, "World", WithoutMirror)
    done = command("check")
    assert done.status == 0
    assert (
        "warning debian-unplanned: the Debian part is not planned\n"
        "  at   robot.yaml:1:1\n"
        "  why  apt is not configured here, and the robot file names no mirror\n"
        '  fix  system: {mirror: "https://mirror.example/debian"}   in robot.yaml, with a mirror '
        "near you\n"
    ) in done.out
    assert "debian   not planned: no mirror is known\n" in done.out
    assert "python   2 distributions" in done.out
    assert "its Debian part is not planned" in done.out.splitlines()[-1]


def test_an_unknown_board_is_an_error_with_near_names(dinghy: Path, command: Command) -> None:
    """A board without facts: exit status 1, and what can be typed in its place."""
    robot = dinghy / "robot.yaml"
    robot.write_text(robot.read_text("utf-8").replace("4-model-b", "4-model-c"), "utf-8")
    done = command("check")
    assert done.status == 1
    assert done.err.startswith(
        "error board-unknown: no facts about board raspberrypi,4-model-c; did you mean "
        "raspberrypi,4-model-b\n"
        "  at   robot.yaml:4:1\n"
        "  why  without its header nothing can be assigned\n"
        '  fix  board: "raspberrypi,4-model-b"\n'
    )


def test_another_board_says_what_moves(dinghy: Path, command: Command) -> None:
    """What if: the same robot there, its findings, and the lines that would be others."""
    robot = dinghy / "robot.yaml"
    robot.write_text(
        robot.read_text("utf-8").replace("  - horn\n", "  - horn\n  - sounder\n"), "utf-8"
    )
    folder = dinghy / "plugins" / "sounder"
    folder.mkdir()
    (folder / "manifest.yaml").write_text(
        'format: 1\nplugin: sounder\nversion: "1.0"\nsummary: Echo\n'
        "hardware: {signals: {echo: {function: input, gpio: any}}}\n",
        "utf-8",
    )
    here = command("check")
    assert here.status == 0, here
    done = command("check", "--board", "radxa,rock-5b")
    assert "sounder.echo" in done.out
    assert "lines and buses" in done.out
    import json

    found = json.loads(command("check", "--board", "radxa,rock-5b", "--json").out)
    assert found["board"] == "radxa,rock-5b"
    assert {row["item"] for row in found["moves"]["changes"]} >= {"sounder.echo"}
    assert json.loads(command("check", "--json").out)["board"] == "raspberrypi,4-model-b"


def test_a_lock_counts_for_its_own_release_alone(dinghy: Path, command: Command) -> None:
    """What is locked is kept; a what-if on another release starts afresh."""
    import json

    robot = dinghy / "robot.yaml"
    before = robot.read_text("utf-8")
    command("lock")
    assert command("enable", "log", "--yes").status == 0  # log holds alpha below 2
    robot.write_text(before, "utf-8")

    def alpha(*options: str) -> str:
        found = json.loads(command("check", "--json", *options).out)
        return next(str(one["version"]) for one in found["python"] if one["name"] == "alpha")

    assert alpha() == "1.0"
    assert alpha("--release", "debian-12") == "2.0"
    assert alpha("--board", "radxa,rock-5b") == "1.0"
