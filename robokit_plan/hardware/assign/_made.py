"""A chosen candidate as the assignment that the rest of the tool speaks of."""

from __future__ import annotations

from collections.abc import Iterable

from robokit_plan.model import Assignment, LineName, LineUse, ResourceName

from ._board_view import BoardView
from ._resources import Candidate
from ._variables import Variable


def assignment_of(variable: Variable, one: Candidate, view: BoardView) -> Assignment:
    """Return what *variable* gets where it becomes *one*."""
    instance, claim = variable.key
    request = variable.request
    shared = request is not None and request.claim.key.share is not None
    return Assignment(
        instance=instance,
        claim=claim,
        section="controllers" if request is None else request.section,
        resource=ResourceName(one.resource),
        lines=tuple(_line_uses(one, claim, view, shared=shared)),
        bus=one.bus,
        address=one.address,
        select=one.select,
        channel=one.channel,
        route=one.route,
        port=one.port,
        controller=one.controller,
        device=one.device,
        function=one.function,
        note=one.via if one.via != one.resource else "",
    )


def _line_uses(one: Candidate, claim: str, view: BoardView, *, shared: bool) -> Iterable[LineUse]:
    if one.pin is not None:
        yield LineUse(signal=claim, line=LineName(one.pin), position=None, shared=shared)
    for word, pin in one.pins:
        yield LineUse(signal=word, line=LineName(pin), position=None, shared=shared)
    for signal in one.signals:
        yield LineUse(
            signal=signal.word or claim,
            line=signal.line,
            position=view.position(signal.line),
            shared=shared or signal.shared,
        )
