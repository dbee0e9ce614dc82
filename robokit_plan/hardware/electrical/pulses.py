"""What makes pulses inside the SoC: DMA channels that libraries take, state machines."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from robokit_plan.model import Backend, DmaChannels, Finding, Severity, SignalClaim, finding, listed

from .circuit import Wired, Wiring

_FED = frozenset({"led-string pwm", "led-string pcm"})
"""Functions whose library feeds its block by DMA."""


def check_pulses(wiring: Wiring) -> Iterator[Finding]:
    """Return DMA channels that two programs take or nobody may, and state machines run out of."""
    yield from _machines(wiring)
    channels = wiring.board.family.dma
    if channels is None:
        return
    users: dict[int, list[Wired]] = defaultdict(list)
    for one in wiring.on_board():
        number = _channel(one, channels)
        if number is not None:
            users[number].append(one)
    for number, ones in sorted(users.items()):
        if number in channels.forbidden:
            yield from _forbidden(number, ones, channels, taken=set(users))
        elif len({one.instance for one in ones}) > 1:
            yield _twice(number, ones, channels, taken=set(users))


def _machines(wiring: Wiring) -> Iterator[Finding]:
    family = wiring.board.family
    ones = [
        one
        for one in wiring.on_board()
        if one.assignment is not None and one.assignment.function == "led-string pio"
    ]
    if family.state_machines is None or len(ones) <= family.state_machines:
        return
    others = [name for name in family.led_string if name != "pio" and family.led_string[name]]
    last = ones[-1]
    used = {use.line for one in wiring.on_board() if one.assignment for use in one.assignment.lines}
    ways = [
        last.typed(f"backend: {name}, gpio: {line}", "with a wire to that line")
        for name in others
        for line in family.led_string[name]
        if line not in used
    ]
    yield finding(
        "state-machines-exhausted",
        Severity.ERROR,
        f"{len(ones)} LED strings ask for a state machine each, {wiring.board.id} has "
        f"{family.state_machines}",
        places=[one.place for one in ones],
        why="each string runs its own program; the driver of one more refuses to start",
        repair=[*ways[:1], f"robokit-plan disable {last.instance}"],
        plugins=[one.instance for one in ones],
        resource="pio0",
    )


def _channel(one: Wired, channels: DmaChannels) -> int | None:
    """Return the channel that *one* takes: as declared, or what its library takes unless told."""
    claim = one.claim
    if not isinstance(claim, SignalClaim):
        return None
    function = "" if one.assignment is None else one.assignment.function
    if claim.backend is Backend.DMA or function in _FED:
        return channels.usual if claim.dma is None else claim.dma
    return claim.dma


def _spare(channels: DmaChannels, taken: set[int]) -> int | None:
    return next((one for one in channels.spare if one not in taken), None)


def _forbidden(
    number: int, ones: list[Wired], channels: DmaChannels, taken: set[int]
) -> Iterator[Finding]:
    spare = _spare(channels, taken)
    for one in ones:
        yield finding(
            "dma-forbidden",
            Severity.ERROR,
            f"{one.text} takes DMA channel {number}, which is not free",
            places=[one.place],
            why=[channels.forbidden[number], "kernel and firmware use it without asking"],
            repair=[] if spare is None else [one.typed(f"dma: {spare}", "and in its code")],
            plugins=[one.instance],
            resource=f"dma {number}",
        )


def _twice(number: int, ones: list[Wired], channels: DmaChannels, taken: set[int]) -> Finding:
    spare = _spare(channels, taken)
    names = list(dict.fromkeys(one.text for one in ones))
    return finding(
        "dma-collision",
        Severity.ERROR,
        f"{listed(names)} take DMA channel {number}",
        places=[one.place for one in ones],
        why=[
            "one channel feeds one block at a time; each program overwrites the other's transfer",
            f"a library takes channel {channels.usual} unless it is told another",
        ],
        repair=[] if spare is None else [ones[-1].typed(f"dma: {spare}", "and in its code")],
        plugins=[one.instance for one in ones],
        resource=f"dma {number}",
    )
