"""
Time the assignment engine: robots with up to 60 claims on every board, made at random.

Run with ``python -m tests.bench.bench_assign [runs]``. All judgements of hardware take part; a third
of the plain lines are made hard to please: hazards, levels, pulls, lists. Prints the 50th and 99th
percentile and the worst case in milliseconds; nothing is asserted, since machines differ.
"""

from __future__ import annotations

import gc
import random
import sys
from time import process_time

from robokit_plan.edge.facts import board_ids, read_controllers, read_electrical, read_i2c
from robokit_plan.hardware import HardwareProblem, assign
from robokit_plan.model import (
    Active,
    Choice,
    Claim,
    Function,
    Hazard,
    Millivolt,
    Origin,
    Pull,
    Robot,
    RobotName,
    SignalClaim,
    replace,
)
from robokit_plan.planner import Problem, judge_of
from tests.hardware.robots import crowded_robot


def main(runs: int) -> None:
    """Print how long *runs* assignments take: all well, errors that stay, and conflicts."""
    chance = random.Random(20261125)
    boards = board_ids()
    times: dict[str, list[float]] = {"fits": [], "errors": [], "conflicts": []}
    for run in range(runs):
        asked = _demanding(chance, crowded_robot(chance, boards[run % len(boards)], claims=60))
        judge = judge_of(_problem(asked), asked)
        assert judge is not None
        gc.collect()
        start = process_time()
        answer = assign(asked, judge)
        took = (process_time() - start) * 1000
        errors = judge.errors((*answer.assignments, *answer.links), answer.variants)
        times["conflicts" if answer.conflicts else "errors" if errors else "fits"].append(took)
    for kind, found in times.items():
        found.sort()
        if found:
            print(  # noqa: T201  a script
                f"{kind:9} {len(found):5} runs  median {found[len(found) // 2]:6.1f} ms  "
                f"p99 {found[int(len(found) * 0.99)]:6.1f} ms  worst {found[-1]:6.1f} ms"
            )


def _problem(asked: HardwareProblem) -> Problem:
    robot = Robot(
        name=RobotName("bench"), board=asked.board.id, digest="", origin=Origin(file="robot.yaml")
    )
    return Problem(
        robot=robot,
        manifests={},
        board=asked.board,
        parts=asked.parts,
        chips=read_controllers(),
        electrical=read_electrical(),
        i2c=read_i2c(),
    )


def _demanding(chance: random.Random, asked: HardwareProblem) -> HardwareProblem:
    """Return *asked* with plain lines that are not content with any place."""
    lines = sorted(name for name, line in asked.board.lines.items() if line.usable)

    def demanding(claim: Claim) -> Claim:
        if not isinstance(claim, SignalClaim) or claim.key.share or chance.random() > 1 / 3:
            return claim
        match chance.randrange(3):
            case 0 if claim.function is Function.OUTPUT:
                return replace(
                    claim,
                    hazard=Hazard.MOTION,
                    drives="motor-driver",
                    active=chance.choice((Active.HIGH, Active.LOW)),
                )
            case 1 if claim.function is Function.INPUT:
                return replace(claim, volts=Millivolt(5000), pull=Pull.NONE)
            case _:
                some = chance.sample(lines, min(len(lines), chance.randrange(2, 9)))
                return replace(claim, lines=Choice(options=tuple(some)))

    return replace(
        asked,
        instances=tuple(
            replace(one, claims=tuple(demanding(claim) for claim in one.claims))
            for one in asked.instances
        ),
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
