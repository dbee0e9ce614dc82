"""
Change the code here and there, and see whether a test notices.

    python -m tests.mutants [MODULE ...] [--sample N] [--seed S] [--seconds T]

MODULE is a name within robokit_plan: `hardware.electrical.power`, or `resolve.python` for all within. Of each
module N changes are tried, the same ones for the same seed. A change that no test notices is either
explained in explained.yaml, or shown at the end; then the exit status is 1. Forks; no Windows.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from importlib import import_module
from pathlib import Path

import pytest
import yaml

from tests.mutants.changes import Change, changes_of
from tests.mutants.trial import Trial

HERE = Path(__file__).parent
TREE = HERE.parent.parent


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants")
    parser.add_argument("modules", nargs="*", metavar="MODULE")
    parser.add_argument("--sample", type=int, default=4, help="changes of each module")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=25, help="of tests, for each change")
    asked = parser.parse_args()
    table = yaml.safe_load((HERE / "modules.yaml").read_text("utf-8"))
    changes: list[Change] = []
    for name, file in _modules(asked.modules or list(table)):
        import_module(f"robokit_plan.{name}")
        changes += changes_of(name, file, seed=asked.seed, sample=asked.sample)
    if not changes:
        parser.error("nothing to change there")
    trial = Trial(changes=changes, seconds=asked.seconds)
    tests = dict.fromkeys(
        test
        for part, paths in table.items()
        if any(_within(change.module, part) for change in changes)
        for test in paths
    )
    with tempfile.TemporaryDirectory() as folder:
        options = ["-q", "-s", "-p", "no:cacheprovider", "-p", "no:xdist", f"--basetemp={folder}/t"]
        pytest.main([*options, *(str(TREE / test) for test in tests)], plugins=[trial])
    return _told(trial)


def _modules(asked: list[str]) -> list[tuple[str, Path]]:
    package = TREE / "robokit_plan"
    names = {
        ".".join(file.relative_to(package).with_suffix("").parts): file
        for file in sorted(package.rglob("*.py"))
        if file.name != "__init__.py"
    }
    return [(name, names[name]) for name in names if any(_within(name, part) for part in asked)]


def _within(name: str, part: str) -> bool:
    return name == part or name.startswith(f"{part}.")


def _told(trial: Trial) -> int:
    explained = {
        (one["module"], one["function"], one["change"]): one["why"]
        for one in yaml.safe_load((HERE / "explained.yaml").read_text("utf-8")) or []
    }
    survived = [change for change, noticed in trial.outcomes if not noticed]
    open_ = [change for change in survived if change.key not in explained]
    for module, count in sorted(Counter(one.module for one, _ in trial.outcomes).items()):
        left = sum(one.module == module for one in survived)
        sys.stdout.write(f"{module}: {count} changes, {count - left} noticed, {left} not\n")
    sys.stdout.write(
        f"{len(trial.outcomes)} changes tried with {trial.tests} tests: "
        f"{len(trial.outcomes) - len(survived)} noticed, "
        f"{len(survived) - len(open_)} explained, {len(open_)} open\n"
    )
    for change in open_:
        sys.stdout.write(
            f"  open: {change.module}:{change.lines.start} {change.function}: {change.text}\n"
        )
    return 1 if open_ or not trial.outcomes else 0


if __name__ == "__main__":
    sys.exit(main())
