"""
Take away each guard and see that its test fails.

    python -m tests.guards [WORD ...] [--marked]

WORD picks the guards whose file or test contains it. Works on a copy, so nobody's checkout is
touched. Left out, unless --marked is given: tests that make roots or drive a browser. Exit status 1
where a test passes without its guard, or fails with it.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import yaml

HERE = Path(__file__).parent
TREE = HERE.parents[1]
_COPIED = ("robokit_plan", "schemas", "sample_robot", "tests")
_FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md")
_FAILED = 1
"""pytest's status where tests ran and some failed; any other says that nothing was shown."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.guards")
    parser.add_argument("words", nargs="*", metavar="WORD")
    parser.add_argument("--marked", action="store_true")
    asked = parser.parse_args()
    guards = [
        one
        for one in yaml.safe_load((HERE / "guards.yaml").read_text("utf-8"))
        if (asked.marked or not one.get("marked"))
        and all(word in f"{one['file']} {one['test']}" for word in asked.words)
    ]
    with tempfile.TemporaryDirectory(prefix="guards-") as name:
        copy = Path(name)
        _copied(copy)
        # With all guards in their places every test has to pass, or its failing says nothing.
        if _status(copy, *dict.fromkeys(one["test"] for one in guards), marked=asked.marked):
            sys.stdout.write("the tests do not pass as they are; nothing was tried\n")
            return 1
        missed = 0
        for one in guards:
            if not _noticed(copy, one):
                missed += 1
                sys.stdout.write(f"not noticed: {one['file']}: {one['take'].strip()}\n")
                sys.stdout.write(f"  {one['test']}\n")
                sys.stdout.flush()
    sys.stdout.write(f"{len(guards)} guards taken away, {len(guards) - missed} noticed\n")
    return 1 if missed else 0


def _copied(copy: Path) -> None:
    ignored = shutil.ignore_patterns("__pycache__", "work", ".hypothesis")
    for name in _COPIED:
        shutil.copytree(TREE / name, copy / name, ignore=ignored)
    for name in _FILES:
        shutil.copy(TREE / name, copy / name)


def _noticed(copy: Path, guard: dict[str, Any]) -> bool:
    file = copy / guard["file"]
    text = file.read_text("utf-8")
    file.write_text(text.replace(guard["take"], guard.get("put", "")), "utf-8")
    try:
        more = guard.get("environment", {})
        return _status(copy, guard["test"], marked=bool(guard.get("marked")), **more) == _FAILED
    finally:
        file.write_text(text, "utf-8")


def _status(copy: Path, *tests: str, marked: bool, **environment: str) -> int:
    # Without its guard a test may hang; one that makes a root takes minutes.
    options = ["-q", "-x", "-p", "no:cacheprovider", f"--timeout={900 if marked else 120}"]
    if marked:
        options += ["-m", "not slow"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *options, *tests],
        cwd=copy,
        # Compiled files go by whole seconds, and a guard is back within one.
        env={
            "ROBOKIT_TEST_ROOTS": str(TREE / "tests/real/work"),
            **os.environ,
            **environment,
            "PYTHONPATH": str(copy),
            "PYTHONDONTWRITEBYTECODE": "1",
        },
        stdout=subprocess.DEVNULL,
        check=False,
    )
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
