"""`--undo`: the edit alone is taken back, in turn, and everything else stays."""

from __future__ import annotations

from pathlib import Path

import pytest

from robokit_plan.app import switch
from robokit_plan.edge.files import CannotWrite
from tests.cli.conftest import Command

LOCK = "pylock.dinghy.toml"


def state(folder: Path) -> dict[str, bytes]:
    """Return all files of the robot and of what steps are kept in."""
    places = [folder, folder.parent / "cache" / "undo"]
    return {
        str(path): path.read_bytes()
        for place in places
        for path in sorted(place.rglob("*"))
        if path.is_file()
    }


def test_edits_made_by_hand_since_stay(dinghy: Path, command: Command) -> None:
    """Every byte of them, whatever their line ends."""
    robot = dinghy / "robot.yaml"
    command("lock")
    lock = (dinghy / LOCK).read_bytes()
    command("disable", "horn", "leak", "--yes")
    by_hand = (
        robot.read_bytes().replace(b"# small and quick", b"# quick  and small \t")
        + b"# at the end\r\nx-note: kept"
    )
    robot.write_bytes(by_hand)
    assert command("disable", "--undo").status == 0
    text = robot.read_bytes().decode()
    assert "# quick  and small \t\n" in text
    assert text.endswith("# at the end\r\nx-note: kept")
    assert "  - leak     # first\n  - horn\n" in text
    assert (dinghy / LOCK).read_bytes() == lock


def test_lines_that_stand_in_the_way_are_named(dinghy: Path, command: Command) -> None:
    """Nothing is written, the step is kept, and goes back once they are as they were."""
    robot = dinghy / "robot.yaml"
    command("enable", "log", "--yes")
    written = robot.read_text()
    line = next(at for at, one in enumerate(written.splitlines(), 1) if "log" in one)
    robot.write_text(written.replace("- log", "- log   # mine"))
    before = state(dinghy)
    done = command("enable", "--undo")
    assert done.status == 2
    assert done.err == (
        f"error enable log cannot be taken back: robot.yaml was changed since in line {line}\n"
        "  why  what you wrote there would be lost; nothing was changed\n"
        "  fix  edit robot.yaml by hand\n"
    )
    assert state(dinghy) == before
    robot.write_text(written)
    assert command("enable", "--undo").status == 0
    assert "log" not in robot.read_text()


def test_a_dry_run_shows_and_writes_nothing(dinghy: Path, command: Command) -> None:
    command("lock")
    command("disable", "horn", "leak", "--yes")
    before = state(dinghy)
    done = command("disable", "--undo", "--dry-run")
    assert (done.status, done.err) == (0, "")
    first, *rest = done.out.splitlines()
    assert first == "disable horn leak would be taken back in robot.yaml"
    assert any(one.startswith("  line ") and "returns" in one for one in rest)
    assert f"  {LOCK} is as it was before" in rest
    assert state(dinghy) == before


def test_steps_go_back_one_by_one(dinghy: Path, command: Command) -> None:
    robot = dinghy / "robot.yaml"
    texts = [robot.read_text()]
    for words in (("enable", "log"), ("disable", "horn", "leak"), ("enable", "horn")):
        command(*words, "--yes")
        texts.append(robot.read_text())
    assert len(set(texts)) == 4
    for text in reversed(texts[:-1]):
        assert command("enable", "--undo").status == 0
        assert robot.read_text() == text
    assert "there is nothing to take back" in command("enable", "--undo").err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--undo",), "the last switch was of profile bench: disable horn --profile bench"),
        (("--undo", "--profile", "none"), "the last switch was of profile bench"),
        (
            ("leak", "--undo", "--profile", "bench"),
            "the last switch was disable horn --profile bench",
        ),
    ],
    ids=" ".join,
)
def test_another_step_is_not_taken_for_it(
    dinghy: Path, command: Command, words: tuple[str, ...], told: str
) -> None:
    """Profile and names are looked at; the printed command takes it back."""
    robot = (dinghy / "robot.yaml").read_bytes()
    command("disable", "horn", "--profile", "bench", "--yes")
    before = state(dinghy)
    done = command("disable", *words)
    assert done.status == 2
    assert told in done.err
    assert "  fix  robokit-plan disable --undo --profile bench\n" in done.err
    assert state(dinghy) == before
    assert command("disable", "--undo", "--profile", "bench").status == 0
    assert (dinghy / "robot.yaml").read_bytes() == robot


def test_another_robot_under_the_same_path(dinghy: Path, command: Command) -> None:
    command("enable", "log", "--yes")
    robot = dinghy / "robot.yaml"
    robot.write_text(robot.read_text().replace("robot: dinghy", "robot: punt"))
    before = state(dinghy)
    done = command("enable", "--undo")
    assert done.status == 2
    assert "the last switch here was of robot dinghy, and this is punt" in done.err
    assert state(dinghy) == before


def test_a_lock_file_that_was_made_anew_since_stays(dinghy: Path, command: Command) -> None:
    command("lock")
    command("disable", "horn", "leak", "--yes")
    path = dinghy / LOCK
    path.write_text(path.read_text() + "# mine\n")
    again = path.read_bytes()
    done = command("disable", "--undo")
    assert done.status == 0
    assert f"{LOCK} was made anew since and stays" in done.err
    assert path.read_bytes() == again


def test_what_was_not_written_is_no_step(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk leaves the step before it the last one."""
    command("lock")
    first = (dinghy / "robot.yaml").read_bytes()
    assert command("disable", "leak", "horn", "--yes").status == 0

    def full(file: Path, *_: object) -> None:
        raise CannotWrite(file, "no space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(switch, "write_both", full)
        patched.setattr(switch, "write_atomically", full)
        assert command("enable", "log", "--yes").status == 3
    assert command("disable", "--undo").status == 0
    assert (dinghy / "robot.yaml").read_bytes() == first
