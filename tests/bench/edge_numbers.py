"""
Try numbers on the edge of the schemas over all commands, for as long as it is told.

    python -m tests.bench.edge_numbers [--seed N] [--from N] [--cases N] [--seconds S]

Case N of a seed is always the same, so ``--from`` takes up where a run was ended; the last line says
where. Last result, 1 December 2026, the commit that adds these words: seed 2, cases 0 to 371 and 4500 to
4873, no fault (before the repairs, seed 1, cases 0 to 1495 and 4470 to 5212: a division by zero and a
pin called -0.0). First every single number at every place, in an order that the seed shuffles, then pairs and
threes of allowed ones. Each fault is told once, by its line in the package.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from itertools import count, islice
from pathlib import Path

from tests.edge_numbers import base, cases, drive, lay_out, some_commands, with_numbers


def main() -> int:
    """Return 1 where something broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.edge_numbers")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--from", type=int, default=0, dest="first")
    parser.add_argument("--cases", type=int, default=100_000_000)
    parser.add_argument("--seconds", type=float, default=600)
    asked = parser.parse_args()
    until = time.monotonic() + asked.seconds
    files = base()
    seen: set[str] = set()
    done = 0
    with tempfile.TemporaryDirectory() as folder:
        os.environ["ROBOKIT_PLAN_CACHE"] = f"{folder}/cache"
        robot = Path(folder) / "odd"
        numbered = zip(count(), cases(asked.seed), strict=False)
        for number, numbers in islice(numbered, asked.first, asked.first + asked.cases):
            if time.monotonic() > until:
                break
            lay_out(robot, with_numbers(files, numbers))
            done = number + 1 - asked.first
            for one in drive(robot, some_commands(number)):
                alike = one.rpartition(" at ")[2] if " at " in one else one
                if alike not in seen:
                    seen.add(alike)
                    words = {
                        f"{file} {where}": value[:30] for (file, where), value in numbers.items()
                    }
                    sys.stdout.write(f"case {number}: {words}\n    {one}\n")
                    sys.stdout.flush()
    last = asked.first + done - 1
    sys.stdout.write(f"seed {asked.seed}: cases {asked.first} to {last}, {len(seen)} faults\n")
    return 1 if seen else 0


if __name__ == "__main__":
    raise SystemExit(main())
