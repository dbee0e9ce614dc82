"""
Answer generated indices full of circles of extras and projects, and judge each answer by CP-SAT.

    python -m tests.bench.bench_circles [--cases N] [--seed S]

What was done stands in circles.json beside this file, and is gone on with where seed and commit are
the same. Exit status 1 where an answer is wrong or took over two seconds of a processor.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.resolve.python.circles import judged

RESULT = Path(__file__).with_name("circles.json")
MOST_SECONDS = 2
_KEEP_EVERY = 250


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_circles")
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    result = _begun(asked.seed)
    for case in range(result["cases"], asked.cases):
        told = judged(asked.seed * 1_000_000 + case)
        result["cases"] += 1
        result["solvable"] += told.solvable
        result["repairs applied"] += told.repairs
        result["seconds in all"] = round(result["seconds in all"] + told.seconds, 4)
        if told.seconds > result["slowest seconds"]:
            result["slowest seconds"], result["slowest case"] = round(told.seconds, 4), case
        result["over two seconds"] += told.seconds > MOST_SECONDS
        result["wrong"] += [f"case {case}: {text}" for text in told.wrong]
        if result["cases"] % _KEEP_EVERY == 0:
            _keep(result)
    _keep(result)
    sys.stdout.write(json.dumps(result, indent=1) + "\n")
    return 1 if result["wrong"] or result["over two seconds"] else 0


def _begun(seed: int) -> dict[str, Any]:
    """Return what was done of *seed* at this commit; nothing yet where that is something else."""
    commit = subprocess.run(
        ["git", "rev-parse", "--short=12", "HEAD"],
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    if RESULT.exists():
        kept: dict[str, Any] = json.loads(RESULT.read_text("utf-8"))
        if (kept["commit"], kept["seed"]) == (commit, seed):
            return kept
    return {
        "commit": commit,
        "date": "",
        "seed": seed,
        "cases": 0,
        "solvable": 0,
        "repairs applied": 0,
        "seconds in all": 0.0,
        "slowest seconds": 0.0,
        "slowest case": None,
        "over two seconds": 0,
        "wrong": [],
    }


def _keep(result: dict[str, Any]) -> None:
    result["date"] = datetime.now(UTC).date().isoformat()
    beside = RESULT.with_suffix(".new")
    beside.write_text(json.dumps(result, indent=1) + "\n", "utf-8")
    beside.replace(RESULT)


if __name__ == "__main__":
    sys.exit(main())
