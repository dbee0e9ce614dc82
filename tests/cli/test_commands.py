"""The daily flows, from what is typed to what is printed and written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from packaging.pylock import Pylock

from tests.cli.conftest import Command


def test_check_says_in_its_last_line_that_it_can_be_built(dinghy: Path, command: Command) -> None:
    """A clean robot: exit status 0, nothing written."""
    before = sorted(dinghy.rglob("*"))
    done = command("check")
    assert done.status == 0, done
    assert done.out.rstrip().splitlines()[-1] == (
        "dinghy can be built on raspberrypi,4-model-b with debian-13 arm64"
    )
    assert sorted(dinghy.rglob("*")) == before


def test_check_json_has_the_keys_of_the_contract(dinghy: Path, command: Command) -> None:
    """Design section 4 names the keys."""
    found = json.loads(command("check", "--json").out)
    assert found["robot"] == "dinghy"
    assert found["board"] == "raspberrypi,4-model-b"
    assert found["ok"] is True
    assert [(one["name"], one["version"], one["for"]) for one in found["python"]] == [
        ("alpha", "2.0", ["leak"]),
        ("gamma", "0.3", ["leak"]),
    ]
    assert [(one["name"], one["for"]) for one in found["debian"]] == [
        ("ca-certificates", ["leak"]),
        ("libtoot", ["horn"]),
        ("python3-venv", ["leak"]),
        ("tooter", ["horn"]),
    ]
    row = found["assignments"][0]
    assert (row["plugin"], row["claim"], row["line"], row["position"]) == (
        "leak",
        "float",
        "gpio17",
        11,
    )
    assert {"boot", "machine", "power", "findings"} <= set(found)


def test_lock_script_and_wiring_follow_from_each_other(dinghy: Path, command: Command) -> None:
    """From manifests to one lock file and one script."""
    assert command("lock").status == 0
    lock = dinghy / "pylock.dinghy.toml"
    import tomllib

    parsed = Pylock.from_dict(tomllib.loads(lock.read_text("utf-8")))
    assert [one.name for one in parsed.packages] == ["alpha", "gamma"]
    assert command("script").status == 0
    script = (dinghy / "install.sh").read_text("utf-8")
    assert "tooter" in script
    assert "alpha==2.0" in script
    wiring = json.loads(command("wiring", "--format", "json").out)
    assert "leak" in json.dumps(wiring)


def test_script_without_a_lock_says_how_to_get_one(dinghy: Path, command: Command) -> None:
    """Wrong order of two commands is wrong use, not a fault."""
    done = command("script")
    assert done.status == 2
    assert done.err == (
        "error there is no lock file pylock.dinghy.toml\n"
        "  why  the script is made from the lock file\n"
        "  fix  robokit-plan lock\n"
    )


def test_enable_shows_the_diff_and_keeps_comments(dinghy: Path, command: Command) -> None:
    """The diff first, then the edit; everything else in the file stays as it is."""
    robot = dinghy / "robot.yaml"
    command("lock")
    before = robot.read_text("utf-8")
    dry = command("enable", "log", "--dry-run")
    assert dry.status == 0
    assert "beta" in dry.out
    assert robot.read_text("utf-8") == before
    done = command("enable", "log", "--yes")
    assert done.status == 0, done
    assert robot.read_text("utf-8") == before.replace("  - horn\n", "  - horn\n  - log\n")
    lock = (dinghy / "pylock.dinghy.toml").read_text("utf-8")
    assert 'name = "beta"' in lock
    assert 'version = "1.0"' in lock, "log needs alpha<2, so alpha moves"


def test_undo_brings_both_files_back(dinghy: Path, command: Command) -> None:
    """One step back, byte for byte, and no further."""
    command("lock")
    robot, lock = dinghy / "robot.yaml", dinghy / "pylock.dinghy.toml"
    before = robot.read_bytes(), lock.read_bytes()
    command("disable", "horn", "leak", "--yes")
    assert robot.read_bytes() != before[0]
    assert command("disable", "--undo").status == 0
    assert (robot.read_bytes(), lock.read_bytes()) == before
    again = command("disable", "--undo")
    assert again.status == 2
    assert "there is nothing to take back" in again.err


def test_what_is_disabled_installs_nothing(dinghy: Path, command: Command) -> None:
    """Trade fact: common practice, no source."""
    command("disable", "leak", "horn", "--yes")
    found = json.loads(command("check", "--json").out)
    assert (found["python"], found["debian"], found["assignments"]) == ([], [], [])


def test_a_collision_is_one_block_with_a_repair(dinghy: Path, command: Command) -> None:
    """Two plugins on one line: exit status 1, every claimant named, a wiring to type."""
    done = command("enable", "mast", "--dry-run")
    assert done.status == 1
    block = done.out[done.out.index("error pin-collision") :]
    assert block.startswith("error pin-collision: gpio17 is claimed twice\n")
    assert "plugins/leak/manifest.yaml:7:22" in block
    assert "plugins/mast/manifest.yaml:6:22" in block
    assert "header position 11" in block
    assert "robokit-plan disable" in block


def test_the_printed_repair_makes_it_clean(dinghy: Path, command: Command) -> None:
    """What stands behind fix, typed literally, is a repair."""
    import re

    out = command("enable", "mast", "--yes").out
    line = re.search(r"fix  wiring: \{(mast\.lamp|leak\.float): (\w+)\}", out)
    assert line is not None, out
    robot = dinghy / "robot.yaml"
    robot.write_text(
        robot.read_text("utf-8") + f"wiring: {{{line[1]}: {line[2]}}}\n", encoding="utf-8"
    )
    done = command("check")
    assert "pin-collision" not in done.out


def test_diff_of_profiles(dinghy: Path, command: Command) -> None:
    """A profile that enables the same plugins differs in nothing."""
    command("lock")
    assert command("diff").status == 0
    assert json.loads(command("diff", "--json").out) is not None


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("frob",), "no command is called 'frob'"),
        (("chekc",), "nearest: check"),
        (("check", "--profile", "nowhere"), "no profile"),
        (("check", "--board", "raspberrypi,4-model-c"), "raspberrypi,4-model-b"),
        (("check", "--as-of", "yesterday"), "yesterday is not a date"),
        (("check", "--robot", "missing"), "there is no such file"),
        (("enable", "hornn"), "nearest: horn"),
        (("enable", "horn"), "nothing would change"),
        (("disable", "mastt"), "nothing that is enabled is called mastt"),
        (("diff", "nowhere"), "no lock file, robot file, profile or git revision"),
        (("wiring", "--format", "png"), "no format is called png"),
        (("new", "Deck Camera"), "robokit-plan new deck-camera"),
        (("new", "x-ray", "--part", "bno05"), "BNO055"),
        (("rules", "pin-colision"), "pin-collision"),
        (("parts", "bno05"), "BNO055"),
        (("boards", "nobody,nothing"), "robokit-plan boards"),
        (("lint", "missing"), "there is no such file or folder"),
    ],
)
def test_wrong_use_says_what_and_how(
    arguments: tuple[str, ...], words: str, dinghy: Path, command: Command
) -> None:
    """Exit status 2, words on standard error, nothing on standard output."""
    done = command(*arguments)
    assert done.status == 2, done
    assert words in done.err
    assert done.out == ""
    assert "Traceback" not in done.err


def test_new_plugin_passes_lint(dinghy: Path, command: Command) -> None:
    """A fresh plugin is clean, with and without a part."""
    assert command("new", "tilt", "--part", "bno055").status == 0
    assert command("new", "deck-camera", "--summary", 'He said "now": #1').status == 0
    done = command("lint", "plugins/tilt", "plugins/deck-camera")
    assert (done.status, done.out.splitlines()[-1]) == (0, "2 files read: nothing to mend"), done
    assert command("enable", "tilt", "deck-camera", "--dry-run").status == 0


def test_every_command_has_help_with_an_example(command: Command) -> None:
    """`--help` shows how a call looks."""
    from robokit_plan.cli._app import COMMANDS

    for name in COMMANDS:
        done = command(name, "--help")
        assert done.status == 0, name
        assert f"robokit-plan {name}" in done.out, name
        assert "Examples:" in done.out, name


def test_lint_reads_a_folder_that_lies_elsewhere(
    dinghy: Path, tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A path outside the working folder is as good as one inside."""
    (dinghy / "plugins" / "leak" / "leak.py").write_text("import os\n", "utf-8")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    done = command("lint", str(dinghy / "plugins"))
    assert done.status == 0, done
    assert "4 files read" in done.out
