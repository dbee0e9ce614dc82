"""`lint` as a reviewer uses it: what a change touches, what a comment allows."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.cli.conftest import Command


def git(folder: Path, *words: str) -> None:
    identity = ["-c", "user.name=builder", "-c", "user.email=builder@raft.example"]
    subprocess.run(["git", *identity, *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture
def kept(dinghy: Path) -> Path:
    """The small robot, as its first commit."""
    git(dinghy, "init", "-q")
    git(dinghy, "add", ".")
    git(dinghy, "commit", "-q", "-m", "first")
    return dinghy


def edit(file: Path, old: str, new: str) -> None:
    text = file.read_text("utf-8")
    assert text.count(old) == 1
    file.write_text(text.replace(old, new), "utf-8")


def test_nothing_touched_is_nothing_to_look_at(kept: Path, command: Command) -> None:
    done = command("lint", "--since", "HEAD")
    assert (done.status, done.out) == (0, "0 files read: nothing to mend\n"), kept


def test_a_touched_plugin_is_held_against_the_robots_that_enable_it(
    kept: Path, command: Command
) -> None:
    """Nothing in robot.yaml was touched, yet its robot cannot be built any more."""
    edit(kept / "robot.yaml", "  - horn\n", "  - horn\n  - mast\n")
    edit(kept / "plugins" / "mast" / "manifest.yaml", "gpio: 17", "gpio: 27")
    git(kept, "commit", "-q", "-a", "-m", "second")
    assert command("lint", "--since", "HEAD").status == 0
    edit(kept / "plugins" / "mast" / "manifest.yaml", "gpio: 27", "gpio: 17")
    done = command("lint", "--since", "HEAD", "--format", "gnu")
    assert done.status == 1
    assert "error: gpio17 is claimed twice [pin-collision]\n" in done.out
    other = kept / "plugins" / "leak" / "leak.py"
    git(kept, "commit", "-q", "-a", "-m", "third")
    other.write_text("# nothing\n", "utf-8")
    assert "pin-collision" in command("lint", "--since", "HEAD").out, "leak takes part too"
    other.unlink()
    (kept / "plugins" / "log" / "log.py").write_text("# nothing\n", "utf-8")
    assert "pin-collision" not in command("lint", "--since", "HEAD").out, "nobody enables log"


def test_a_plugin_that_was_taken_away_is_missed_by_its_robot(kept: Path, command: Command) -> None:
    git(kept, "rm", "-q", "-r", "plugins/log", "plugins/horn")
    done = command("lint", "--since", "HEAD", "--format", "gnu")
    assert done.status == 1
    assert "robot.yaml:7:5: error:" in done.out
    assert "log" not in done.out, "nobody enables log"


def test_what_a_comment_allows_is_counted(dinghy: Path, command: Command) -> None:
    manifest = dinghy / "plugins" / "horn" / "manifest.yaml"
    with manifest.open("a", encoding="utf-8") as file:
        file.write("license: mit   # robokit-plan: allow license-invalid because it is short\n")
    done = command("lint", "plugins/horn")
    assert done.out.splitlines()[-1] == "1 file read: nothing to mend; 1 allowed by a comment"
    (row,) = json.loads(command("lint", "plugins/horn", "--json").out)["allowed"]
    assert (row["rule"], row["because"]) == ("license-invalid", "it is short")
    assert command("lint", "plugins/horn", "--notes").out.startswith(
        "allowed license-invalid: licence 'mit' is written MIT in the SPDX list\n"
        "  at   plugins/horn/manifest.yaml:"
    )


def test_a_comment_in_the_code_allows_what_its_line_imports(dinghy: Path, command: Command) -> None:
    code = dinghy / "plugins" / "horn" / "horn.py"
    code.write_text("import serial\n", "utf-8")
    assert "import-undeclared" in command("lint", "plugins/horn").out
    code.write_text(
        "import serial  # robokit-plan: allow import-undeclared because the image has it\n", "utf-8"
    )
    done = command("lint", "plugins/horn", "--notes")
    assert "import-undeclared: the code imports serial" in done.out
    assert done.out.splitlines()[-1].endswith("; 1 allowed by a comment")


def test_a_plugin_in_a_submodule_is_read_and_told(kept: Path, command: Command) -> None:
    """Nobody looks into it, so what lies there may have changed."""
    horn = kept / "plugins" / "horn"
    git(kept, "rm", "-q", "-r", "--cached", "plugins/horn")
    git(horn, "init", "-q")
    git(horn, "add", ".")
    git(horn, "commit", "-q", "-m", "own")
    git(kept, "add", "plugins/horn")
    git(kept, "commit", "-q", "-m", "sub")
    done = command("lint", "--since", "HEAD")
    assert done.status == 0
    assert "`plugins/horn` is a repository of its own" in done.err
    assert "1 file read" in done.out
    done = command("diff", "HEAD")
    assert "`plugins/horn` of HEAD is a submodule; plugins in it are not seen there" in done.err


def test_each_path_is_held_against_its_own_repository(
    kept: Path, command: Command, tmp_path: Path
) -> None:
    other = tmp_path / "other"
    shutil.copytree(kept, other)
    edit(other / "plugins" / "mast" / "manifest.yaml", "gpio: 17", "gpio: 27")
    done = command("lint", ".", str(other), "--since", "HEAD", "--format", "json")
    assert "other" in done.out
    assert command("lint", ".", "--since", "HEAD").out.startswith("0 files read")


def test_a_folder_without_a_repository(dinghy: Path, command: Command) -> None:
    done = command("lint", "--since", "main")
    assert (done.status, done.err.splitlines()[0]) == (
        2,
        f"error no git revision main: {dinghy} lies in no git repository",
    )
