"""Candidates of claims for things that are plugged in, and for pins of companions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from robokit_plan.hardware.problem import Chip
from robokit_plan.model import (
    AudioClaim,
    CameraClaim,
    Controller,
    ControllerName,
    Function,
    RoleName,
    SignalClaim,
    UsbClaim,
    near_names,
)

from ._board_view import BoardView, Rejection
from ._buses import i2s_uses, port_in_the_way
from ._requests import ClaimRequest
from ._resources import Candidate, Kind, Resource, Signal, Use

_PLAIN = frozenset({"input", "output", "servo", "ir-in", "ir-out", "led-string"})


def camera_candidates(
    request: ClaimRequest, claim: CameraClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield the camera connectors."""
    cameras = view.board.cameras
    wired = None if request.wiring is None or relaxed else request.wiring.connector
    names: Iterable[str]
    if wired is not None:
        names = (wired,)
    elif claim.connector.options and not relaxed:
        names = claim.connector.options
    elif claim.connector.any or relaxed:
        names = cameras or ("cam0",)
    else:
        names = (cameras or ("cam0",))[:1]
    for option, name in enumerate(names):
        if cameras is not None and name not in cameras:
            yield Rejection(
                rule="camera-missing",
                message=f"{view.board.id} has no camera connector {name}"
                if cameras
                else f"{view.board.id} has no camera connector",
                why=f"it has {', '.join(cameras)}"
                if cameras
                else "it is made without one; a camera on USB is a claim under `usb`",
                resource=f"camera {name}",
            )
            continue
        yield Candidate(
            uses=(Use(Resource(Kind.CAMERA, name)),),
            resource=f"camera {name}",
            function="camera",
            option=option,
            cost=option,
            via=name,
        )


def usb_candidates(claim: UsbClaim) -> Iterator[Candidate]:
    """Yield the one device that *claim* names; devices of one id differ by their serial."""
    name = claim.id.casefold()
    serial = claim.serial
    by_serial = frozenset() if serial is None else frozenset({"by serial"})
    text = name if serial is None else f"{name} serial {serial}"
    uses = [Use(Resource(Kind.USB, name), by_serial)]
    if serial is not None:
        uses.append(Use(Resource(Kind.USB, text)))
    yield Candidate(uses=tuple(uses), resource=f"usb {text}", function="usb", via=text)


def audio_candidates(
    request: ClaimRequest, claim: AudioClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield the ways by which sound gets in or out."""
    wired = None if request.wiring is None or relaxed else request.wiring.via
    every = ("analog", "hdmi", "i2s", "usb")
    ways: Iterable[str]
    if wired is not None:
        ways = (wired,)
    elif claim.via.options and not relaxed:
        ways = claim.via.options
    elif claim.via.any or relaxed:
        ways = every
    else:
        ways = tuple(way for way in every if isinstance(_audio(way, claim, view), tuple))[:1]
    for option, way in enumerate(ways):
        uses = _audio(way, claim, view)
        if isinstance(uses, Rejection):
            yield uses
            continue
        lines: tuple[Signal, ...] = ()
        bus = None
        if way == "i2s":
            outlet = view.outlets["i2s"][0]
            bus = outlet.bus
            lines = tuple(Signal(word, line) for word, line in outlet.lines.items())
        yield Candidate(
            uses=uses,
            resource=f"audio {way}",
            signals=lines,
            bus=bus,
            function=f"audio {claim.direction}",
            option=option,
            cost=option,
            via=way,
        )


def _audio(way: str, claim: AudioClaim, view: BoardView) -> tuple[Use, ...] | Rejection:
    path = f"{way} {claim.direction}"
    resource = Use(Resource(Kind.AUDIO, path))
    match way:
        case "analog" if claim.direction == "in":
            return _no_audio("analog", "its jack has no input", view)
        case "analog":
            if view.board.analog_audio is not True:
                known = view.board.analog_audio is False
                return _no_audio(
                    "analog",
                    "it has no jack" if known else "whether it has a jack is not known",
                    view,
                )
            block = view.board.analog_audio_block
            if block is None:
                return (resource,)
            return (resource, Use(Resource(Kind.BLOCK, block), frozenset({"analog audio"})))
        case "hdmi" if claim.direction == "in":
            return _no_audio("hdmi", "sound only leaves by it", view)
        case "i2s":
            outlets = [one for one in view.outlets.get("i2s", ()) if one.complete]
            if not outlets:
                return _no_audio("i2s", "its header has no digital audio", view)
            port = view.blocking_port(outlets[0], outlets[0].lines, shared=False)
            if port is not None:
                return port_in_the_way(port, outlets[0])
            return (resource, *i2s_uses(outlets[0]))
        case "hdmi" | "usb":
            return (resource,)
        case _:
            return _no_audio(way, "ways: analog, hdmi, i2s, usb", view)


def _no_audio(way: str, why: str, view: BoardView) -> Rejection:
    return Rejection(
        rule="audio-missing",
        message=f"{view.board.id} has no sound by {way} for this",
        why=why,
        resource=f"audio {way}",
    )


def find_controller(
    request: ClaimRequest, role: RoleName | None, view: BoardView
) -> tuple[ControllerName, Controller] | Rejection:
    """Return the companion that *role* is bound to, or why there is none."""
    problem = view.problem
    name = ControllerName("" if role is None else problem.roles.get(role, role))
    controller = problem.controllers.get(name)
    if controller is not None:
        return name, controller
    names = ", ".join(sorted(problem.controllers))
    return Rejection(
        rule="controller-missing",
        message=f"{request.text} needs a controller for role {role}",
        why=f"controllers: {names}" if names else "the robot file lists no controllers",
        resource=role,
        repair=tuple(f"roles: {{{role}: {one}}}" for one in sorted(problem.controllers)[:1])
        or (
            f"controllers: {{{role}: {{chip: rp2040, link: usb}}}}   in "
            "robot.yaml, once one is fitted",
        ),
    )


def pin_candidates(
    request: ClaimRequest, claim: SignalClaim, view: BoardView, relaxed: bool
) -> Iterator[Candidate | Rejection]:
    """Yield the pins of the companion that *claim* names."""
    problem = view.problem
    found = find_controller(request, claim.controller, view)
    if isinstance(found, Rejection):
        yield found
        return
    name, controller = found
    chip = problem.chip_of(controller)
    wired = None if request.wiring is None or relaxed else request.wiring.pin
    if wired is not None:
        pins: tuple[str, ...] = (wired,)
    elif claim.pins.options and not relaxed:
        pins = claim.pins.options
    elif chip is not None:
        pins = chip.pins
    else:
        yield Rejection(
            rule="chip-unknown",
            message=f"no facts about chip {controller.chip} of {name}",
            why="without them the planner cannot choose a pin",
            resource=name,
            repair=(
                *(
                    f"controllers: {{{name}: {{chip: {one}}}}}   in robot.yaml"
                    for one in near_names(controller.chip, sorted(problem.chips), 1)
                ),
                f"wiring: {{{request.text}: {{pin: 2}}}}",
            ),
        )
        return
    free = not (wired or claim.pins.options) or relaxed
    for option, pin in enumerate(pins):
        real = pin if chip is None else chip.own_name(pin)
        problem_with = None if chip is None else _pin_fault(chip, real, claim.function)
        if problem_with is not None:
            if not free:
                yield Rejection(
                    rule=problem_with[0],
                    message=f"{name}: {problem_with[1]}",
                    why=problem_with[2],
                    resource=f"{name} pin {pin}",
                )
            continue
        special = chip is not None and real in chip.special
        yield Candidate(
            uses=(Use(Resource(Kind.PIN, name, real)),),
            resource=f"{name} pin {real}",
            controller=name,
            pin=real,
            function=claim.function.value,
            option=0 if free else option,
            cost=100 * special,
        )


def _pin_fault(chip: Chip, pin: str, function: Function) -> tuple[str, str, str] | None:
    if pin in chip.reserved:
        return (
            "pin-reserved",
            f"pin {pin} of {chip.name} is not free",
            f"it serves {chip.reserved[pin]}",
        )
    if pin not in chip.pins:
        return (
            "line-missing",
            f"{chip.name} has no pin {pin}",
            f"its pins: {', '.join(chip.pins)}",
        )
    able = chip.functions.get(pin, _PLAIN)
    if function.value not in able:
        return (
            "function-missing",
            f"pin {pin} of {chip.name} cannot be {function.value}",
            f"it can be {', '.join(sorted(able))}",
        )
    return None
