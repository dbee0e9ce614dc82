"""Carrier ports: which ones suit a claim, and what sitting on one takes."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import (
    CarrierPort,
    InstanceName,
    OneWireClaim,
    PortClaim,
    SignalClaim,
)

from ._board_view import BoardView, Rejection
from ._requests import ClaimRequest
from ._resources import ALONE, Candidate, Kind, Resource, Use


def ports_for(
    request: ClaimRequest, view: BoardView, kind: str | None, wired: str | None
) -> Iterator[tuple[int, CarrierPort | Rejection]]:
    """Yield the ports that *request* may sit on, those of the robot file in its own order."""
    ports = view.problem.ports
    if wired is not None:
        named = [port for port in ports if port.name == wired]
        if not named:
            names = ", ".join(sorted(port.name for port in ports))
            yield (
                0,
                Rejection(
                    rule="port-missing",
                    message=f"the robot has no port {wired}",
                    why=f"ports: {names}" if names else "the robot file lists no ports",
                    resource=f"port {wired}",
                    repair=() if names else (_entry(request, view, wired, kind or "…"),),
                ),
            )
        for port in named:
            if kind is not None and port.kind != kind:
                yield (
                    0,
                    Rejection(
                        rule="port-missing",
                        message=f"port {port.name} is {port.kind}, {request.text} needs {kind}",
                        why="a plug of one kind does not fit the other",
                        resource=f"port {port.name}",
                        origin=port.origin,
                        label=f"port {port.name}",
                    ),
                )
            else:
                yield 0, port
        return
    fitting = [port for port in ports if port.kind == kind]
    if not fitting:
        kinds = ", ".join(sorted({port.kind for port in ports}))
        yield (
            0,
            Rejection(
                rule="port-missing",
                message=f"the robot has no port of kind {kind} for {request.text}",
                why=f"kinds of its ports: {kinds}" if kinds else "the robot file lists no ports",
                resource=f"port {kind}",
                repair=(_entry(request, view, _free_name(view), kind or "…"),),
            ),
        )
    for option, port in enumerate(fitting):
        yield option, port


def _free_name(view: BoardView) -> str:
    names = {port.name for port in view.problem.ports}
    return next(name for number in range(1, 99) if (name := f"P{number}") not in names)


def _entry(request: ClaimRequest, view: BoardView, name: str, kind: str) -> str:
    """Return the entry for a port that carries what *request* asks, beside those that are there."""
    match request.claim:
        case PortClaim():
            carries = ""
        case SignalClaim() | OneWireClaim():
            carries = f", lines: {{io: {view.spare_line() or '…'}}}"
        case _:
            outlets = view.outlets.get(request.section, ())
            bus = next((one.bus for one in outlets if one.complete), "…")
            carries = f", bus: {bus}"
    beside = ", beside the others" if view.problem.ports else ""
    return f"ports: [{{name: {name}, kind: {kind}{carries}}}]   in robot.yaml{beside}"


def lacking_line(port: CarrierPort, word: str, view: BoardView) -> str:
    """Return the entry of *port* with a line that the board has in place of the one at *word*."""
    lines = {**port.lines, word: view.spare_line() or "…"}
    listed = ", ".join(f"{one}: {line}" for one, line in lines.items())
    entry = f"{{name: {port.name}, kind: {port.kind}, lines: {{{listed}}}}}"
    return f"ports: [{entry}]   in robot.yaml, for the line that is wired to it"


def port_uses(port: CarrierPort, slot: int, instance: InstanceName) -> Use:
    """Return the use of one place on *port*; several lines of one plugin come in one plug."""
    keys = frozenset({f"plug of {instance}"}) if len(port.lines) > 1 else ALONE
    return Use(Resource(Kind.PORT, port.name, str(slot)), keys)


def port_candidates(
    request: ClaimRequest, claim: PortClaim, view: BoardView
) -> Iterator[Candidate | Rejection]:
    """Yield the places for a claim that wants a port for its power alone."""
    wired = None if request.wiring is None else request.wiring.port
    for option, port in ports_for(request, view, claim.kind, wired):
        if isinstance(port, Rejection):
            yield port
            continue
        for slot in range(max(1, port.count)):
            yield Candidate(
                uses=(Use(Resource(Kind.PORT, port.name, str(slot))),),
                resource=f"port {port.name}",
                port=port.name,
                function="power",
                option=0,
                # A port without lines serves power just as well and keeps the others free.
                cost=len(port.lines) * 10 + option,
            )
