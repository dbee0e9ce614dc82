"""Two robots of one folder never write one file without a word."""

from __future__ import annotations

import os
import shlex
import subprocess
from pathlib import Path

import pytest

from tests.cli.conftest import CASE, Command

LOCK = "pylock.dinghy-bench.toml"


def second(folder: Path, name: str, file: str) -> None:
    """Put a second robot file of robot *name* beside the first."""
    text = CASE["robot"].replace("robot: dinghy", f"robot: {name}")
    (folder / file).write_text(text)


def names(folder: Path) -> list[str]:
    return sorted(str(one.relative_to(folder)) for one in folder.rglob("*"))


@pytest.mark.parametrize(
    ("robot", "profile"), [("robot.yaml", "bench"), ("other.yaml", None)], ids=str
)
@pytest.mark.parametrize(
    "words", [("lock",), ("report",), ("enable", "log", "--yes")], ids=" ".join
)
def test_a_profile_and_a_robot_of_one_name(
    dinghy: Path, command: Command, words: tuple[str, ...], robot: str, profile: str | None
) -> None:
    """From both sides, before anything is written."""
    second(dinghy, "dinghy-bench", "other.yaml")
    before = names(dinghy), (dinghy / robot).read_bytes()
    done = command(*words, "--robot", robot, *(("--profile", profile) if profile else ()))
    assert done.status == 2, done
    assert f"would both write {LOCK}" in done.err
    assert "robot.yaml" in done.err
    assert "other.yaml" in done.err
    assert (names(dinghy), (dinghy / robot).read_bytes()) == before


@pytest.mark.parametrize("words", [("script",), ("card",)], ids=" ".join)
def test_made_before_the_second_came(
    dinghy: Path, command: Command, words: tuple[str, ...]
) -> None:
    assert command("lock", "--profile", "bench").status == 0
    second(dinghy, "dinghy-bench", "other.yaml")
    before = names(dinghy)
    done = command(*words, "--profile", "bench")
    assert done.status == 2
    assert f"would both write {LOCK}" in done.err
    assert names(dinghy) == before


def test_one_script_for_two_robots(dinghy: Path, command: Command) -> None:
    """The printed repair writes it under a name of its own."""
    assert command("lock").status == 0
    second(dinghy, "punt", "punt.yaml")
    done = command("script")
    assert done.status == 2
    assert "robot.yaml and punt.yaml would both write install.sh" in done.err
    assert not (dinghy / "install.sh").exists()
    (fix,) = [one for one in done.err.splitlines() if one.startswith("  fix  ")]
    program, *words = fix.removeprefix("  fix  ").split()
    assert program == "robokit-plan"
    assert command(*words).status == 0
    assert (dinghy / "install-dinghy.sh").is_file()


def test_the_lock_file_of_another(dinghy: Path, command: Command) -> None:
    """Whoever came first; status 1, and the printed repair keeps it."""
    assert command("lock", "--profile", "bench").status == 0
    kept = (dinghy / LOCK).read_bytes()
    robot = dinghy / "robot.yaml"
    robot.write_text(CASE["robot"].replace("robot: dinghy", "robot: dinghy-bench"))
    done = command("lock")
    assert done.status == 1
    assert (
        "it is the lock file of robot dinghy with profile bench, not of robot dinghy-bench"
        in done.err
    )
    assert (dinghy / LOCK).read_bytes() == kept
    (dinghy / LOCK).rename(dinghy / f"{LOCK}.before")
    assert command("lock").status == 0


def test_a_second_robot_file_with_mistakes(dinghy: Path, command: Command) -> None:
    """Its name counts; whether it has a profile of that name is not known, and is said."""
    text = CASE["robot"].replace("robot: dinghy", "robot: dinghy-bench")
    (dinghy / "other.yaml").write_text(f"{text}<<<<<<< ours\n")
    done = command("lock", "--profile", "bench")
    assert done.status == 2
    assert f"would both write {LOCK}" in done.err
    (dinghy / "other.yaml").write_text(f"{CASE['robot']}<<<<<<< ours\n")
    robot = dinghy / "robot.yaml"
    robot.write_text(CASE["robot"].replace("robot: dinghy", "robot: dinghy-bench"))
    done = command("lock")
    assert done.status == 2
    assert "other.yaml cannot be read, so it is not known whether" in done.err
    assert "  fix  robokit-plan lint other.yaml\n" in done.err
    assert not (dinghy / LOCK).exists()


@pytest.mark.parametrize(
    "content",
    ['lock-version = "1.0"\ncreated-by = "another"\npackages = []\n', "<<<<<<< ours\n", "notes\n"],
    ids=["another tool's", "merge marks", "no lock file"],
)
def test_out_writes_over_nobodys_file(dinghy: Path, command: Command, content: str) -> None:
    other = dinghy / "sub" / "pylock.other.toml"
    other.parent.mkdir()
    other.write_text(content)
    done = command("lock", "--out", "sub/pylock.other.toml")
    assert done.status == 1, done
    assert (
        "  fix  mv --backup=numbered sub/pylock.other.toml sub/pylock.other.toml.before\n"
        in done.err
    )
    assert other.read_text() == content
    other.rename(f"{other}.before")
    assert command("lock", "--out", "sub/pylock.other.toml").status == 0
    assert command("lock", "--out", "sub/pylock.other.toml").status == 0, "its own"


def test_the_lock_file_of_a_profile_is_put_aside_and_made(dinghy: Path, command: Command) -> None:
    """What is printed, then the same command again; from another folder too."""
    (dinghy / LOCK).write_text("<<<<<<< ours\n")
    done = command("lock", "--profile", "bench", "--robot", str(dinghy))
    assert done.status == 1
    (fix,) = [one for one in done.err.splitlines() if one.startswith("  fix  mv ")]
    os.chdir(dinghy.parent)
    done = command("lock", "--profile", "bench", "--robot", "dinghy")
    (fix,) = [one for one in done.err.splitlines() if one.startswith("  fix  mv ")]
    subprocess.run(shlex.split(fix.removeprefix("  fix  ")), check=True)
    assert (dinghy / f"{LOCK}.before").read_text() == "<<<<<<< ours\n"
    assert command("lock", "--profile", "bench", "--robot", "dinghy").status == 0
