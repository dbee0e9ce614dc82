"""
Try numbers on the edge of the schemas over all commands, for as long as it is told.

    python -m tests.bench.edge_numbers [--of robot|lock] [--seed N] [--from N] [--cases N] [--seconds S]

Of a robot: first every single number at every place of robot file and manifests, in an order that the seed
shuffles, then pairs and threes of allowed ones. Of a lock file: every number in it, at every value. Case N
of a seed is always the same, so ``--from`` takes up where a run was ended; the last line says where. Each
fault is told once, by its line in the package. What was run last stands in edge_numbers.csv beside this
file; a run adds its line there.
"""

from __future__ import annotations

import argparse
import csv
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import count, islice
from pathlib import Path

from tests import edge_lock_numbers as of_lock
from tests.edge_numbers import base, cases, drive, lay_out, some_commands, with_numbers

RESULT = Path(__file__).with_suffix(".csv")
COLUMNS = ("of", "seed", "first", "last", "faults", "day", "commit")


def robots(robot: Path, seed: int, first: int) -> Iterator[tuple[int, str, list[str]]]:
    """Yield number, what was changed, and what broke, of each case from *first* on."""
    files = base()
    numbered = zip(count(), cases(seed), strict=False)
    for number, numbers in islice(numbered, first, None):
        lay_out(robot, with_numbers(files, numbers))
        words = {f"{file} {where}": value[:30] for (file, where), value in numbers.items()}
        yield number, str(words), drive(robot, some_commands(number))


def locks(robot: Path, seed: int, first: int) -> Iterator[tuple[int, str, list[str]]]:
    """Yield the same of lock files."""
    texts = of_lock.whole(robot.parent)
    numbered = enumerate(of_lock.cases(texts, seed))
    for number, (name, said, changed) in islice(numbered, first, None):
        yield number, f"{name} {said}", of_lock.broken(robot.parent, name, changed)


def main() -> int:
    """Return 1 where something broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.edge_numbers")
    parser.add_argument("--of", choices=("robot", "lock"), default="robot")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--from", type=int, default=0, dest="first")
    parser.add_argument("--cases", type=int, default=100_000_000)
    parser.add_argument("--seconds", type=float, default=600)
    asked = parser.parse_args()
    until = time.monotonic() + asked.seconds
    seen: set[str] = set()
    last = asked.first - 1
    with tempfile.TemporaryDirectory() as folder:
        os.environ["ROBOKIT_PLAN_CACHE"] = f"{folder}/cache"
        tried = {"robot": robots, "lock": locks}[asked.of]
        for number, said, broken in tried(Path(folder) / "odd", asked.seed, asked.first):
            last = number
            for one in broken:
                alike = one.rpartition(" at ")[2] if " at " in one else one
                if alike not in seen:
                    seen.add(alike)
                    sys.stdout.write(f"case {number}: {said}\n    {one}\n")
                    sys.stdout.flush()
            if time.monotonic() > until or number + 1 >= asked.first + asked.cases:
                break
    sys.stdout.write(f"seed {asked.seed}: cases {asked.first} to {last}, {len(seen)} faults\n")
    keep(asked.of, asked.seed, asked.first, last, len(seen))
    return 1 if seen else 0


def keep(of: str, seed: int, first: int, last: int, faults: int) -> None:
    """Add what was run to the file of results, with day and commit."""
    done = subprocess.run(
        ["git", "-C", str(RESULT.parent), "rev-parse", "--short", "HEAD"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    day = datetime.now(UTC).date().isoformat()
    new = not RESULT.is_file()
    with RESULT.open("a", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        if new:
            writer.writerow(COLUMNS)
        writer.writerow((of, seed, first, last, faults, day, done.stdout.strip()))


if __name__ == "__main__":
    raise SystemExit(main())
