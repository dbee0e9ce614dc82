"""
Time the assignment engine: robots with up to 60 claims on every board, made at random.

Run with ``python -m tests.bench.bench_assign [runs]``. Prints the 50th and 99th percentile and
the worst case in milliseconds; nothing is asserted, since machines differ.
"""

from __future__ import annotations

import gc
import random
import sys
from time import process_time

from robokit_plan.edge.facts import board_ids
from robokit_plan.hardware import assign
from tests.hardware.robots import crowded_robot


def main(runs: int) -> None:
    """Print how long *runs* assignments take, those with conflicts apart."""
    chance = random.Random(20261125)
    boards = board_ids()
    times: dict[str, list[float]] = {"fits": [], "conflicts": []}
    for run in range(runs):
        problem = crowded_robot(chance, boards[run % len(boards)], claims=60)
        gc.collect()
        start = process_time()
        answer = assign(problem)
        times["conflicts" if answer.conflicts else "fits"].append((process_time() - start) * 1000)
    for kind, found in times.items():
        found.sort()
        if found:
            print(  # noqa: T201  a script
                f"{kind:9} {len(found):5} runs  median {found[len(found) // 2]:6.1f} ms  "
                f"p99 {found[int(len(found) * 0.99)]:6.1f} ms  worst {found[-1]:6.1f} ms"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
