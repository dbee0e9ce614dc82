"""The same inputs give the same bytes, whoever runs the command, where, when and in what language."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.casebook import write_case
from tests.cli.conftest import CASE

CHECKOUT = Path(__file__).parents[2]
PLAIN = {"LC_ALL": "C.UTF-8", "TZ": "UTC", "PYTHONHASHSEED": "0"}
SURROUNDINGS: dict[str, dict[str, str]] = {
    "turkish": {"LANG": "tr_TR.UTF-8", "LC_ALL": "tr_TR.UTF-8", "TZ": "Europe/Istanbul"},
    "day ahead": {"LANG": "C", "TZ": "Pacific/Kiritimati", "PYTHONHASHSEED": "1"},
    # Neither UTF-8 mode nor a coerced locale: text files open as ASCII unless told otherwise.
    "ascii": {
        "LC_ALL": "POSIX",
        "PYTHONCOERCECLOCALE": "0",
        "PYTHONUTF8": "0",
        "TZ": "America/St_Johns",
        "PYTHONHASHSEED": "4294967295",
    },
    "optimised": {"PYTHONOPTIMIZE": "2", "PYTHONHASHSEED": "random", "COLUMNS": "40"},
}
SUMMARY = "Beeps: kıyı, größer, 汽笛"
ROBOT = CASE["robot"].replace("small and quick", "klein und flink: größer")


def _written(folder: Path, start: Path, environ: Mapping[str, str]) -> dict[str, bytes]:
    """Return what ``lock``, ``script`` and ``wiring`` give for the robot in *folder*."""
    case: dict[str, Any] = {**CASE, "robot": ROBOT}
    folder.mkdir(parents=True)
    start.mkdir(parents=True, exist_ok=True)
    write_case(case, folder)
    horn = folder / "plugins/horn/manifest.yaml"
    horn.write_text(
        horn.read_text("utf-8").replace("summary: Plugin horn of a case", f'summary: "{SUMMARY}"'),
        "utf-8",
    )
    kept = ("PATH", "HOME", "SYSTEMROOT")
    surroundings = {
        **{name: os.environ[name] for name in kept if name in os.environ},
        **PLAIN,
        **environ,
        "PYTHONPATH": str(CHECKOUT),
        "ROBOKIT_PLAN_CACHE": str(start / "cache"),
    }
    said = b""
    for words in (["lock"], ["script"], ["wiring", "--format", "json"]):
        done = subprocess.run(
            [sys.executable, "-m", "tests.cli.frozen_run", *words, "--robot", str(folder)],
            cwd=start,
            env=surroundings,
            capture_output=True,
            check=False,
            timeout=600,
        )
        assert done.returncode == 0, (words, done)
        said += done.stdout if words[0] == "wiring" else b""
    files = {one.name: one.read_bytes() for one in sorted(folder.iterdir()) if one.is_file()}
    return {**files, "wiring": said}


@pytest.fixture(scope="module", name="plain")
def _plain(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("plain")
    return _written(folder / "robot", folder / "here", {})


def test_all_was_written(plain: dict[str, bytes]) -> None:
    """The comparison below compares something."""
    assert {"pylock.dinghy.toml", "install.sh", "wiring"} <= set(plain)
    assert b"alpha" in plain["pylock.dinghy.toml"]
    assert b"alpha==2.0" in plain["install.sh"]
    assert all(plain.values())


@pytest.mark.parametrize("name", SURROUNDINGS)
def test_surroundings_do_not_show(name: str, plain: dict[str, bytes], tmp_path: Path) -> None:
    """Language, time zone, order of sets, working folder and the robot's own path."""
    found = _written(tmp_path / "a folder" / "größer", tmp_path / "elsewhere", SURROUNDINGS[name])
    assert found.keys() == plain.keys()
    for file, content in plain.items():
        assert found[file] == content, file
