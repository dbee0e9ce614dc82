"""Questions to git in a folder that may have come, with its `.git`, from a stranger."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from robokit_plan.edge.revisions import changed_files


def _git(folder: Path, *words: str) -> None:
    identity = ["-c", "user.name=builder", "-c", "user.email=builder@raft.example"]
    subprocess.run(["git", *identity, *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    folder = tmp_path / "robot"
    folder.mkdir()
    _git(folder, "init", "-q")
    (folder / "robot.yaml").write_text("a: 1\n")
    (folder / ".gitattributes").write_text("*.yaml filter=evil diff=evil\n")
    _git(folder, "add", ".")
    _git(folder, "commit", "-qm", "first")
    return folder


def test_a_repository_cannot_have_its_programs_run(repository: Path, tmp_path: Path) -> None:
    """
    Each setting of git-config(1) by which comparing runs a program is ineffective.

    git itself runs the first two for the same question; that is looked at too, so that the test
    cannot pass because nothing would have run anyway.
    """
    trap, sprung = tmp_path / "trap", tmp_path / "sprung"
    trap.write_text(f"#!/bin/sh\necho sprung >>{sprung}\ncat\n")
    trap.chmod(0o755)
    for name in (
        "core.fsmonitor",
        "filter.evil.clean",
        "filter.evil.process",
        "diff.evil.textconv",
        "diff.evil.command",
        "diff.external",
        "core.sshCommand",
    ):
        _git(repository, "config", name, str(trap))
    (repository / "robot.yaml").write_text("a: 2\n")
    assert changed_files(repository, "HEAD") == {repository / "robot.yaml"}
    assert not sprung.exists()
    subprocess.run(
        ["git", "diff", "--name-only", "HEAD"], cwd=repository, check=False, capture_output=True
    )
    assert sprung.exists()


def test_changes_are_told_with_filters_of_ones_own(repository: Path) -> None:
    (repository / "new.yaml").write_text("")
    assert changed_files(repository, "HEAD") == {repository / "new.yaml"}
    _git(repository, "add", ".")
    _git(repository, "commit", "-qm", "second")
    assert changed_files(repository, "HEAD~1", "HEAD") == {repository / "new.yaml"}
