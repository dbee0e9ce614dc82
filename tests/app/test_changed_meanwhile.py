"""Inputs are looked at again before anything is written: what changed meanwhile is told."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.app import session
from robokit_plan.edge import fixes
from robokit_plan.model import Plan
from tests.cli.conftest import Command

LOCK = "pylock.dinghy.toml"


def _edit(path: Path) -> None:
    path.write_text(path.read_text() + "# meanwhile\n")


CHANGES = ("robot.yaml", "plugins/leak/manifest.yaml", LOCK, "config.txt")


@pytest.mark.parametrize("name", CHANGES)
@pytest.mark.parametrize(
    "words",
    [
        ("lock",),
        ("lock", "--upgrade"),
        ("enable", "log", "--yes"),
        ("disable", "horn", "leak", "--yes"),
    ],
    ids=" ".join,
)
def test_whoever_was_changed_is_named(
    dinghy: Path,
    command: Command,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    name: str,
) -> None:
    """Status 3, and no file is written; the same command again does it."""
    (dinghy / "config.txt").write_text("dtparam=i2c_arm=on\n")
    robot = dinghy / "robot.yaml"
    robot.write_text(f"{robot.read_text()}system: {{boot-config: config.txt}}\n")
    assert command("lock").status == 0
    real = session.Session.check_inputs
    after: list[dict[str, bytes]] = []

    def look(session: session.Session) -> None:
        if not after:
            _edit(dinghy / name)
            after.append(_files(dinghy))
        real(session)

    monkeypatch.setattr(session.Session, "check_inputs", look)
    done = command(*words)
    assert done.status == 3, done
    assert f"{name} cannot be written: it was changed while this command ran" in done.err
    assert _files(dinghy) == after[0]
    assert command(*words).status in {0, 1}


def test_a_file_that_lint_repairs(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An editor saved it after it was read."""
    path = dinghy / "plugins" / "leak" / "manifest.yaml"
    path.write_text(path.read_text() + "plugins: [helm>=0.4,<1]\n")
    real = fixes.fix_text

    def saved(text: str, name: str) -> tuple[str, tuple[str, ...]]:
        _edit(dinghy / name)
        return real(text, name)

    monkeypatch.setattr(fixes, "fix_text", saved)
    done = command("lint", "--fix")
    assert done.status == 3, done
    assert "manifest.yaml cannot be written: it was changed while this command ran" in done.err
    assert path.read_text().endswith("# meanwhile\n")


def _files(folder: Path) -> dict[str, bytes]:
    return {str(one): one.read_bytes() for one in sorted(folder.rglob("*")) if one.is_file()}


def test_two_commands_at_once(dinghy: Path, tmp_path: Path) -> None:
    """
    `lock --upgrade` beside `disable`, each a process of its own.

    The lock file never holds a plugin that the robot file has no more; whoever came second and
    met a change says so.
    """
    top = Path(__file__).parents[2]
    environ = {
        **os.environ,
        "ROBOKIT_PLAN_CACHE": str(tmp_path / "cache"),
        "PYTHONPATH": str(top),
    }
    robot = (dinghy / "robot.yaml").read_text()

    def start(*words: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "tests.cli.frozen_run", *words],
            env=environ,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )

    def together(*calls: tuple[str, ...]) -> list[int]:
        running = [start(*one) for one in calls]
        said = [one.communicate(timeout=120)[1] for one in running]
        assert all(one.returncode in {0, 3} for one in running), said
        assert all(
            one.returncode == 0 or "was changed while this command ran" in words
            for one, words in zip(running, said, strict=True)
        ), said
        return [one.returncode for one in running]

    for _ in range(3):
        (dinghy / "robot.yaml").write_text(robot)
        assert together(("lock",)) == [0]
        statuses = together(("lock", "--upgrade"), ("disable", "horn", "leak", "--yes"))
        assert 0 in statuses
        text = (dinghy / "robot.yaml").read_text()
        lock = (dinghy / LOCK).read_text()
        assert ('instance = "horn"' in lock) == ("- horn" in text.partition("profiles:")[0])


def test_a_lock_file_that_changes_while_it_is_read(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looked at before it is read, so that no moment is left."""
    assert command("lock").status == 0
    real = session.open_lock
    changed: list[bytes] = []

    def reading(path: Path) -> Plan:
        plan = real(path)
        if not changed:
            _edit(path)
            changed.append(path.read_bytes())
        return plan

    monkeypatch.setattr(session, "open_lock", reading)
    done = command("lock", "--upgrade")
    assert done.status == 3, done
    assert f"{LOCK} cannot be written: it was changed while this command ran" in done.err
    assert (dinghy / LOCK).read_bytes() == changed[0]


@pytest.mark.parametrize("words", [("script",), ("card",)], ids=" ".join)
def test_a_lock_file_that_is_made_anew_meanwhile(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    """What was made of the old one is not written."""
    assert command("lock").status == 0
    before = sorted(dinghy.rglob("*"))
    module = import_module(f"robokit_plan.app.{words[0]}")
    real = module.render_script

    def rendering(*given: Any, **named: Any) -> str:
        text = str(real(*given, **named))
        _edit(dinghy / LOCK)
        return text

    monkeypatch.setattr(module, "render_script", rendering)
    done = command(*words)
    assert done.status == 3, done
    assert f"{LOCK} cannot be written: it was changed while this command ran" in done.err
    assert sorted(dinghy.rglob("*")) == before
