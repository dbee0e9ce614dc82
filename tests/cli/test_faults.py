"""
The plug pulled, the disk full, the folder read-only: at every step that touches a disk.

Held throughout: each file of the builder is as it was or as it was to be, never between; a failure
says so in one block without a traceback; the same command typed again ends as if nothing had
happened.

A command takes ten to a hundred such steps; the quick run looks at a few of them, spread evenly.
``ROBOKIT_TEST_STEPS=all python -m pytest -m "slow or not slow" tests/cli/test_faults.py`` looks at
every one.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge.reading import read_robot
from tests.cli.skiff import Skiff

CHECKOUT = Path(__file__).parents[2]
COMMANDS = {
    "check": ("check",),
    "lock": ("lock",),
    "enable": ("enable", "buoy", "--yes"),
    "disable": ("disable", "post", "--yes"),
    "undo": ("enable", "--undo", "--yes"),
    "script": ("script",),
    "report": ("report",),
    "card": ("card",),
    "lint --fix": ("lint", "--fix"),
    "new": ("new", "vane"),
}
AS_TYPED = "import sys; from robokit_plan.cli import main; main(sys.argv[1:])"
QUICK = ("enable", "new")
SOME = 3
OWN = (".new", ".part")
"""Endings of files under way: what a pulled plug may leave beside the builder's own."""


@dataclass
class Runner:
    """The forking server of `faulty_run`."""

    process: subprocess.Popen[str]
    environ: dict[str, str]

    def run(
        self, folder: Path, cache: Path, *arguments: str, fault: str = "none", at: int = 0
    ) -> dict[str, Any]:
        """Return status, output and steps of one command in *folder*."""
        asked = {
            "arguments": arguments,
            "folder": str(folder),
            "environ": {**self.environ, "ROBOKIT_PLAN_CACHE": str(cache)},
            "fault": fault,
            "at": at,
        }
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(asked) + "\n")
        self.process.stdin.flush()
        answer: dict[str, Any] = json.loads(self.process.stdout.readline())
        assert "Traceback" not in answer["err"], answer["err"]
        return answer


@pytest.fixture
def runner(skiff: Skiff) -> Iterator[Runner]:
    """Start the server with the surroundings of the skiff."""
    environ = {**os.environ, "PYTHONPATH": str(CHECKOUT), "PYTHONDONTWRITEBYTECODE": "1"}
    with subprocess.Popen(
        [sys.executable, "-m", "tests.cli.faulty_run"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environ,
        cwd=skiff.root,
    ) as process:
        yield Runner(process, environ)
        assert process.stdin is not None
        process.stdin.close()


@dataclass(frozen=True)
class Stage:
    """A robot in its folder, brought back for every run; and how the command ends by itself."""

    folder: Path
    cache: Path
    kept: Path
    arguments: tuple[str, ...]
    steps: int
    before: dict[str, bytes]
    after: dict[str, bytes]

    def restore(self) -> None:
        """Bring folder and cache back to what they were."""
        for path in (self.folder, self.cache):
            shutil.rmtree(path, ignore_errors=True)
            shutil.copytree(self.kept / path.name, path)


def files_in(folder: Path) -> dict[str, bytes]:
    """Return the files below *folder* but those under way."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not any(part.endswith(OWN) for part in path.parts)
    }


@pytest.fixture
def stage(request: pytest.FixtureRequest, skiff: Skiff, runner: Runner, tmp_path: Path) -> Stage:
    """Lay the robot out for the command that is asked for, and let it run once undisturbed."""
    name: str = request.param
    skiff.plugin("buoy", "python: {requires: ['alpha']}\n")
    cache = tmp_path / "first-cache"
    for needed in {
        "script": (("lock",),),
        "card": (("lock",),),
        "undo": (("lock",), ("disable", "post", "--yes")),
        "enable": (("lock",),),
        "disable": (("lock",),),
    }.get(name, () if name == "check" else (("check",),)):
        done = runner.run(skiff.root, cache, *needed)
        assert done["status"] == 0, done
    kept = tmp_path / "kept"
    cache.mkdir(exist_ok=True)
    shutil.copytree(skiff.root, kept / skiff.root.name)
    shutil.copytree(cache, kept / cache.name)
    before = files_in(skiff.root)
    done = runner.run(skiff.root, cache, *COMMANDS[name])
    assert done["status"] == 0, done
    after = files_in(skiff.root)
    assert after != before or name in {"check", "lint --fix"}
    return Stage(skiff.root, cache, kept, COMMANDS[name], len(done["steps"]), before, after)


def _whole(stage: Stage) -> None:
    """Hold every file to be as before or as after."""
    for name, content in files_in(stage.folder).items():
        assert content in {stage.before.get(name), stage.after.get(name)}, name
    for name in stage.before:
        assert (stage.folder / name).exists(), f"{name} is gone"


def _again(runner: Runner, stage: Stage) -> None:
    """Hold the same command, typed again, to end as it ends undisturbed."""
    done = runner.run(stage.folder, stage.cache, *stage.arguments)
    assert files_in(stage.folder) == stage.after, done


def _commands() -> list[Any]:
    return [
        name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in COMMANDS
    ]


def _steps(stage: Stage) -> list[int]:
    if os.environ.get("ROBOKIT_TEST_STEPS") == "all" or stage.steps <= SOME:
        return list(range(1, stage.steps + 1))
    # The last step is the one that the others were for.
    return sorted({1 + (stage.steps - 1) * one // (SOME - 1) for one in range(SOME)})


@pytest.mark.timeout(0)  # as many steps as were asked for
@pytest.mark.parametrize("stage", _commands(), indirect=True)
def test_plug_pulled_at_each_step(stage: Stage, runner: Runner) -> None:
    for at in _steps(stage):
        stage.restore()
        done = runner.run(stage.folder, stage.cache, *stage.arguments, fault="kill", at=at)
        assert done["status"] == -9
        _whole(stage)
        _again(runner, stage)


@pytest.mark.parametrize(
    "fault", ["ENOSPC", *(pytest.param(one, marks=pytest.mark.slow) for one in ("EROFS", "EACCES"))]
)
@pytest.mark.timeout(0)  # as many steps as were asked for
@pytest.mark.parametrize("stage", _commands(), indirect=True)
def test_disk_that_refuses_at_each_step(stage: Stage, runner: Runner, fault: str) -> None:
    for at in _steps(stage):
        stage.restore()
        done = runner.run(stage.folder, stage.cache, *stage.arguments, fault=fault, at=at)
        _whole(stage)
        if done["status"]:
            said = done["err"].lower()
            assert os.strerror(getattr(errno, fault)).lower() in said or "passing files" in said
            _again(runner, stage)
        else:
            # The cache alone was in trouble: that ends no run.
            assert files_in(stage.folder) == stage.after


@pytest.mark.parametrize("_round", range(3))
def test_two_switches_at_once(skiff: Skiff, _round: int) -> None:
    """Each that says it was done is in the robot file; one that came too late says so."""
    skiff.plugin("buoy", "python: {requires: ['alpha']}\n")
    environ = {**os.environ, "PYTHONPATH": str(CHECKOUT)}
    calls = {"enable": ["enable", "buoy", "--yes"], "disable": ["disable", "post", "--yes"]}
    running = {
        name: subprocess.Popen(
            [sys.executable, "-c", AS_TYPED, *words],
            cwd=skiff.root,
            env=environ,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        for name, words in calls.items()
    }
    said = {name: process.communicate(timeout=600)[1] for name, process in running.items()}
    done = {name: process.returncode == 0 for name, process in running.items()}
    robot = read_robot(skiff.root).robot
    assert robot is not None
    enabled = {str(one.plugin) for one in robot.enabled}
    assert any(done.values()), said
    assert ("buoy" in enabled) == done["enable"], said
    assert ("post" in enabled) != done["disable"], said
    for name, well in done.items():
        assert well or "it was changed while this command ran" in said[name]


@pytest.mark.timeout(0)  # as many moments as were asked for
@pytest.mark.parametrize("moments", [3, pytest.param(60, marks=pytest.mark.slow)])
def test_plug_pulled_at_any_moment(skiff: Skiff, tmp_path: Path, moments: int) -> None:
    """Between two steps too, as while SQLite writes the cache by itself; half of the caches stay."""
    lock = skiff.root / "pylock.skiff.toml"
    environ = {**os.environ, "PYTHONPATH": str(CHECKOUT)}

    def started(cache: Path) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-c", AS_TYPED, "lock"],
            cwd=skiff.root,
            env={**environ, "ROBOKIT_PLAN_CACHE": str(cache)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )

    begun = time.monotonic()
    assert started(tmp_path / "first").wait() == 0
    usual_s = time.monotonic() - begun
    whole = lock.read_bytes()
    for at in range(moments):
        cache = tmp_path / f"cache-{at // 2}"
        lock.unlink()
        process = started(cache)
        with suppress(subprocess.TimeoutExpired):
            process.wait(usual_s * (at + 0.5) / moments)
        process.kill()
        process.wait()
        assert not lock.exists() or lock.read_bytes() == whole, at
        assert started(cache).wait() == 0, at
        assert lock.read_bytes() == whole, at
