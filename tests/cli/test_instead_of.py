"""One plugin in place of another: one step, one diff, one undo."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.conftest import Command


def test_both_are_switched_in_one_step(dinghy: Path, command: Command) -> None:
    """`mast` and `leak` want the same line: one after the other each step would be refused."""
    assert command("lock").status == 0
    before = (dinghy / "robot.yaml").read_text()
    told = command("enable", "mast", "--instead-of", "leak", "--dry-run")
    assert told.status == 0
    assert "pin-collision" not in told.out
    assert (dinghy / "robot.yaml").read_text() == before
    done = command("enable", "mast", "--instead-of", "leak", "--yes")
    assert done.status == 0
    text = (dinghy / "robot.yaml").read_text()
    assert "  - mast\n" in text
    assert "  - leak" not in text.partition("profiles:")[0]
    assert "# small and quick" in text
    assert command("script").status == 0
    assert command("enable", "--undo").status == 0
    assert (dinghy / "robot.yaml").read_text() == before


def test_one_diff_tells_both(dinghy: Path, command: Command) -> None:
    assert command("lock").status == 0
    found = json.loads(command("enable", "log", "--instead-of", "leak", "--dry-run", "--json").out)
    words = json.dumps(found["diff"])
    assert "log" in words
    assert "leak" in words
    # Kept under what was asked: the plain switch is another question.
    plain = json.loads(command("enable", "log", "--dry-run", "--json").out)
    assert plain["diff"] != found["diff"]


def test_what_cannot_be_is_refused(dinghy: Path, command: Command) -> None:
    before = (dinghy / "robot.yaml").read_text()
    for words, said in (
        (("enable", "mast", "--instead-of", "mast"), "cannot be enabled instead of itself"),
        (("enable", "mast", "--instead-of", "leek"), "nothing that is enabled is called leek"),
        (("disable", "leak", "--instead-of", "horn"), "--instead-of goes with enable"),
        (("enable", "--instead-of", "horn"), "name a plugin"),
    ):
        done = command(*words, "--yes")
        assert done.status == 2, words
        assert said in done.err
    assert (dinghy / "robot.yaml").read_text() == before
