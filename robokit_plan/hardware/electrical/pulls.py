"""Pulls that cannot make a level: two against each other, or one against a soldered resistor."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from robokit_plan.model import (
    Finding,
    Function,
    Line,
    Millivolt,
    Ohm,
    Pull,
    Severity,
    SignalClaim,
    finding,
    ohm_text,
    volt_text,
)

from .circuit import Wired, Wiring
from .levels import divided, level_of

_WEAK = (Ohm(33_000), Ohm(100_000))
"""Range of internal pulls where none is published (common practice, no source)."""
_READING = frozenset({Function.INPUT, Function.IR_IN})


def check_pulls(wiring: Wiring) -> Iterator[Finding]:
    """Return shares whose users pull one line both ways, and pulls that the board defeats."""
    yield from _opposed(wiring)
    for one in wiring.on_board():
        claim = one.claim
        if (
            isinstance(claim, SignalClaim)
            and claim.function in _READING
            and claim.pull is Pull.DOWN
            and one.assignment is not None
        ):
            line = wiring.board.lines.get(one.assignment.lines[0].line)
            if line is not None and line.external_pull_up is not None:
                yield from _defeated(wiring, one, line, line.external_pull_up)


def _opposed(wiring: Wiring) -> Iterator[Finding]:
    shared: dict[str, list[tuple[Wired, SignalClaim]]] = defaultdict(list)
    for one in wiring.wired:
        claim = one.claim
        if isinstance(claim, SignalClaim) and claim.key.share is not None and one.assignment:
            shared[claim.key.share].append((one, claim))
    for name, users in sorted(shared.items()):
        up = [pair for pair in users if pair[1].pull is Pull.UP]
        down = [pair for pair in users if pair[1].pull is Pull.DOWN]
        if not up or not down:
            continue
        kept, turned = (up, down) if len(up) >= len(down) else (down, up)
        model = kept[0][1]
        yield finding(
            "pull-conflict",
            Severity.ERROR,
            f"share {name} is pulled up by {_names(up)} and down by {_names(down)}",
            places=[one.place for one, _ in (*up, *down)],
            why="a line has one pull; whoever starts last decides, and the other reads nonsense",
            repair=[
                one.typed(f"pull: {model.pull.value}, active: {model.active.value}")
                for one, _ in turned
            ],
            plugins=[one.instance for one, _ in (*up, *down)],
            resource=f"share {name}",
        )


def _names(users: list[tuple[Wired, SignalClaim]]) -> str:
    return ", ".join(one.text for one, _ in users)


def _defeated(wiring: Wiring, one: Wired, line: Line, soldered: Ohm) -> Iterator[Finding]:
    family = wiring.board.family
    logic = level_of(wiring, line.name).logic or Millivolt(3300)
    strongest = (family.pull_ohm or _WEAK)[0]
    rest = divided(logic, soldered, strongest)
    low = family.low_max or Millivolt(logic * 30 // 100)
    if rest <= low:
        return
    yield finding(
        "pull-defeated",
        Severity.ERROR,
        f"{one.text} never reads low: {wiring.at(line.name)} has a soldered pull-up of "
        f"{ohm_text(soldered)}",
        places=[one.place],
        why=f"the pull-down inside, {ohm_text(strongest)} at the strongest, leaves the line at "
        f"{volt_text(rest)}, low is below {volt_text(low)}",
        repair=one.typed("pull: up, active: low", "with its switch to ground"),
        plugins=[one.instance],
        resource=line.name,
    )
