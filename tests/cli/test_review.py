"""`diff REV REV --format markdown`: every robot of a repository that a change touches."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

from tests.cli.conftest import Command


def git(folder: Path, *words: str) -> None:
    identity = ["-c", "user.name=builder", "-c", "user.email=builder@raft.example"]
    subprocess.run(["git", *identity, *words], cwd=folder, check=True, capture_output=True)


def edit(file: Path, old: str, new: str) -> None:
    text = file.read_text("utf-8")
    assert text.count(old) == 1
    file.write_text(text.replace(old, new), "utf-8")


@pytest.fixture
def fleet(dinghy: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """
    A repository with three robots, as its first commit.

    dinghy enables leak and horn; tender enables log alone, and mast in a profile; skiff nothing.
    """
    top = dinghy.parent / "fleet"
    for name, enabled in (("dinghy", None), ("tender", "[log]"), ("skiff", "[]")):
        shutil.copytree(dinghy, top / name)
        file = top / name / "robot.yaml"
        text = file.read_text("utf-8").replace("robot: dinghy", f"robot: {name}")
        if enabled is not None:
            text = re.sub(r"enabled:\n  - leak.*\n  - horn\n", f"enabled: {enabled}\n", text)
            text = text.replace("bench: [leak, horn]", "bench: [log, mast]")
        file.write_text(text, "utf-8")
    git(top, "init", "-q", "-b", "main")
    git(top, "add", ".")
    git(top, "commit", "-q", "-m", "first")
    monkeypatch.chdir(top)
    return top


def told(markdown: str) -> list[list[str]]:
    """Return the rows of the first table of *markdown*, as a reader sees them."""
    html = MarkdownIt("commonmark").enable("table").render(markdown)
    table = html.partition("<tbody>")[2].partition("</tbody>")[0]
    rows = re.findall(r"<tr>(.*?)</tr>", table, re.DOTALL)
    return [
        [re.sub(r"<[^>]+>", "", cell) for cell in re.findall(r"<td>(.*?)</td>", row, re.DOTALL)]
        for row in rows
    ]


def test_a_change_that_no_robot_uses(fleet: Path, command: Command) -> None:
    (fleet / "skiff" / "plugins" / "horn" / "notes.txt").write_text("x", "utf-8")
    (fleet / "README").write_text("x", "utf-8")
    done = command("diff", "main", "--format", "markdown")
    assert (done.status, done.out) == (
        0,
        "**This change touches no robot.** 3 robots of this repository looked at.\n",
    )


def test_robots_that_enable_a_touched_plugin_are_told(fleet: Path, command: Command) -> None:
    """In the work tree: one robot breaks, another gets another version."""
    edit(fleet / "dinghy" / "robot.yaml", "  - horn\n", "  - horn\n  - mast\n")
    edit(fleet / "tender" / "plugins" / "log" / "manifest.yaml", "beta>=2", "alpha")
    done = command("diff", "main", "--format", "markdown")
    assert told(done.out) == [
        ["dinghy", "can be built", "cannot be built", "0 → 1", "0", "nothing"],
        ["tender", "can be built", "can be built", "0", "0", "nothing"],
    ]
    shown = MarkdownIt("commonmark").enable("table").render(done.out)
    assert "pin-collision" in shown
    assert "dinghy/plugins/mast/manifest.yaml" in shown
    assert "<td>beta</td>\n<td>2.1</td>\n<td>none</td>" in shown


def test_two_revisions_are_compared_whatever_the_work_tree_says(
    fleet: Path, command: Command
) -> None:
    edit(fleet / "tender" / "plugins" / "log" / "manifest.yaml", "beta>=2", "alpha")
    git(fleet, "commit", "-q", "-a", "-m", "second")
    edit(fleet / "dinghy" / "robot.yaml", "  - horn\n", "")
    rows = told(command("diff", "main~1", "main", "--format", "markdown").out)
    assert [row[0] for row in rows] == ["tender"]


def test_a_profile_is_told_where_it_alone_enables_what_is_touched(
    fleet: Path, command: Command
) -> None:
    edit(fleet / "tender" / "plugins" / "mast" / "manifest.yaml", "gpio: 17", "gpio: 27")
    done = command("diff", "main", "--format", "markdown")
    assert [row[0] for row in told(done.out)] == ["tender (bench)"]
    assert "gpio27" in done.out
    assert command("diff", "main", "--format", "markdown", "--profile", "bench").out == done.out


def test_a_robot_that_comes_goes_or_breaks(fleet: Path, command: Command) -> None:
    shutil.copytree(fleet / "tender", fleet / "punt")
    shutil.rmtree(fleet / "skiff")
    (fleet / "dinghy" / "robot.yaml").write_text("robot: [", "utf-8")
    rows = {row[0]: row[1:3] for row in told(command("diff", "main", "--format", "markdown").out)}
    assert rows == {
        "dinghy": ["can be built", "cannot be read"],
        "skiff": ["can be built", "none"],
        "tender": ["none", "can be built"],
    }


def test_one_robot_is_told_as_before(fleet: Path, command: Command) -> None:
    """With --robot, or with profiles and files, it is the diff of one robot."""
    edit(fleet / "dinghy" / "robot.yaml", "  - horn\n", "")
    done = command("diff", "main", "--format", "markdown", "--robot", "dinghy")
    assert done.out.startswith("**plugins**")
    assert "This change touches" not in done.out


def test_outside_of_a_repository_nothing_is_a_revision(dinghy: Path, command: Command) -> None:
    done = command("diff", "main", "--format", "markdown")
    assert done.status == 2, dinghy
    assert "no lock file, robot file, profile or git revision" in done.err
