"""Places that a lock file holds and that are another board's or another chip's by now."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping

from robokit_plan.model import (
    Assignment,
    ClaimName,
    Finding,
    InstanceName,
    Place,
    Severity,
    finding,
    listed,
    part_key,
)

from ._problem import Problem

CHIP = "chip"
"""First word of the name under which a lock file keeps the chip of a controller."""


def chips_of(problem: Problem) -> dict[str, str]:
    """Return ``chip NAME`` -> the chip of that controller, as a lock file keeps it."""
    return {f"{CHIP} {name}": part_key(one.chip) for name, one in problem.robot.controllers.items()}


def kept_places(problem: Problem) -> Mapping[tuple[InstanceName, ClaimName], Assignment]:
    """Return what the lock file says of where claims are, without what is no longer that."""
    locked = problem.locked
    if locked is None or locked.board != problem.board.id:
        return {}  # another board has other lines: nothing is wired there yet
    other = _other_chips(problem)
    return {
        (one.instance, one.claim): one
        for one in locked.assignments
        if one.controller is None or str(one.controller) not in other
    }


def let_go_findings(problem: Problem) -> Iterator[Finding]:
    """Yield a note for a board or chip that is another one than when the lock file was written."""
    locked, robot = problem.locked, problem.robot
    if locked is None:
        return
    if locked.board != problem.board.id:
        yield finding(
            "places-let-go",
            Severity.NOTE,
            f"the lock file is of {locked.board}: every place is chosen anew",
            places=[Place(origin=robot.places.get("board", robot.origin))],
            why=f"{problem.board.id} has lines of its own",
            repair="robokit-plan diff   shows what moves",
        )
        return
    claims: dict[str, list[str]] = defaultdict(list)
    for one in locked.assignments:
        if one.controller is not None and one.section != "controllers":
            claims[str(one.controller)].append(f"{one.instance}.{one.claim}")
    for name, old in sorted(_other_chips(problem).items()):
        who = sorted(claims[name])
        if not who:
            continue
        controller = next(one for key, one in robot.controllers.items() if str(key) == name)
        yield finding(
            "places-let-go",
            Severity.NOTE,
            f"{name} was {old} and is {part_key(controller.chip)} now: pins of {listed(who)} are "
            "chosen anew",
            places=[Place(origin=controller.origin)],
            why="pins of the same name do other things on another chip",
            repair="robokit-plan diff   shows what moves",
        )


def _other_chips(problem: Problem) -> dict[str, str]:
    """Return controller -> its chip in the lock file, where it has another one by now."""
    locked = problem.locked
    if locked is None:
        return {}
    now = chips_of(problem)
    return {
        name.partition(" ")[2]: locked.digests[name]
        for name, chip in now.items()
        if locked.digests.get(name, chip) != chip
    }
