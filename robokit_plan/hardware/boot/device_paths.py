"""
Where the running machine puts what was assigned: device files, folders of sysfs, GPIO chips.

Only names that stay the same from start to start are told. Where the kernel gives none to a USB
device, `udev_rules` makes one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping

from robokit_plan.model import (
    Active,
    Assignment,
    Board,
    BusName,
    Claim,
    ClaimName,
    Controller,
    ControllerName,
    Finding,
    Function,
    Hertz,
    I2cClaim,
    InstanceName,
    LineName,
    LineUse,
    Place,
    ResourceName,
    Severity,
    SignalClaim,
    finding,
    replace,
)

LINK_FOLDER = "/dev/robokit"
ONE_WIRE = "/sys/bus/w1/devices"
"""Kernel Documentation/w1/w1-generic.rst: one folder per device, named by its own number."""

Claims = Mapping[tuple[InstanceName, ClaimName], Claim]

_USB = re.compile(r"usb ([0-9a-f]{4}):([0-9a-f]{4})(?: serial (.+))?", re.ASCII)
_KINDS = (
    (40, 'SUBSYSTEM=="tty"'),
    (30, 'SUBSYSTEM=="video4linux", ATTR{index}=="0"'),
    (20, 'SUBSYSTEM=="input", KERNEL=="event*"'),
    (10, 'SUBSYSTEM=="block", ENV{DEVTYPE}=="disk"'),
)
"""What a link points to, the greatest number first where a device is several of them."""
_OPENED = frozenset({"i2c", "spi", "uart", "camera"})
"""Sections whose devices a program opens by a path."""
_PULSES = frozenset({"pwm", "servo"})
_SERVO_HZ = Hertz(50)
_PLAIN = re.compile(r"[A-Za-z0-9_.-]+", re.ASCII)


def with_devices(
    assignments: Iterable[Assignment],
    claims: Claims,
    board: Board,
    image: str,
    controllers: Mapping[ControllerName, Controller],
) -> tuple[Assignment, ...]:
    """
    Return *assignments* with what a program needs to use them: path, frequency, level, pull.

    `Assignment.device` is filled where a lasting path is known, and emptied where it is not. A pin
    of a companion has the path of the companion's link; a device behind a multiplexer that of its
    bus, and the multiplexer's channel as `Assignment.channel`; a plain line its chip and offset
    instead of a path. What no plugin claims follows as section ``controllers``: the links of
    companions on USB (claim ``link``) and the pins of inhibit switches (claim ``inhibit``).
    """
    paths = board.devices.get(image, {})
    given = tuple(assignments)
    links = {
        ControllerName(one.instance): _path(one, paths)
        for one in given
        if one.section == "controllers"
    }
    usb = tuple(_usb_links(controllers))
    links.update({ControllerName(one.instance): one.device for one in usb})
    switches = tuple(_switches(controllers, links))
    found = []
    for one in given:
        device = _path(one, paths) if one.controller is None else links.get(one.controller)
        claim = claims.get((one.instance, one.claim))
        channel = one.channel
        if isinstance(claim, I2cClaim) and claim.behind is not None:
            channel = f"{claim.behind.claim} channel {claim.behind.channel}"
        made = replace(
            one,
            device=device,
            channel=channel,
            lines=tuple(_with_chip(one, use, board) for use in one.lines),
        )
        if isinstance(claim, SignalClaim):
            servo = claim.function is Function.SERVO
            made = replace(
                made,
                frequency=claim.frequency or (_SERVO_HZ if servo else None),
                active=claim.active,
                pull=claim.pull,
            )
        link = controllers.get(ControllerName(one.instance))
        if one.section == "controllers" and link is not None:
            made = replace(made, timeout_ms=link.host_timeout_ms)
        found.append(made)
    return (*found, *usb, *switches)


def check_paths(
    assignments: Iterable[Assignment], claims: Claims, board: Board, image: str
) -> Iterator[Finding]:
    """
    Return one note about everything that a program opens by a path which nobody knows.

    *assignments* as `with_devices` returned them.
    """
    lost = [
        (one, claim)
        for one in sorted(assignments, key=lambda one: (one.instance, one.claim))
        if one.device is None
        and one.controller is None
        and (one.section in _OPENED or (one.channel is not None and one.function in _PULSES))
        and (claim := claims.get((one.instance, one.claim))) is not None
    ]
    if not lost:
        return
    names = dict.fromkeys(str(one.bus or one.resource) for one, _ in lost)
    there = [
        other
        for other, paths in sorted(board.devices.items())
        if other != image and all(one.bus in paths for one, _ in lost if one.bus is not None)
    ]
    yield finding(
        "path-unknown",
        Severity.NOTE,
        f"no lasting path to {', '.join(names)} is known with image {image}",
        places=[
            Place(origin=claim.key.origin, label=f"{one.instance}.{one.claim}")
            for one, claim in lost
        ],
        why=[
            "the kernel counts such devices as it finds them, or nobody has looked yet",
            "a program that writes a number down may open another device after the next start",
        ],
        repair=f"system: {{image: {there[0]}}}" if there else (),
        plugins=[one.instance for one, _ in lost],
        resource=next(iter(names)),
    )


def udev_rules(assignments: Iterable[Assignment]) -> tuple[str, ...]:
    """
    Return the rules, one a line, that make the links of USB devices below `LINK_FOLDER`.

    A link points to what a program opens: the serial port, camera, input or disk of the device,
    or where it is none of these the USB device itself; of a companion always to its serial port.
    What cannot stand in a rule is matched by wildcards, or left out where it is a link's name.

    Source:
        udev(7), systemd 257: match keys, SYMLINK, link_priority.
    """
    return tuple(
        rule
        for one in sorted(assignments, key=lambda one: (one.instance, one.claim))
        for rule in _rules(one)
    )


def _path(one: Assignment, paths: Mapping[BusName, str]) -> str | None:
    """Return where *one* is, None where no lasting name is known."""
    known = None if one.bus is None else paths.get(one.bus)
    if one.resource.startswith("usb "):
        return f"{LINK_FOLDER}/{one.instance}.{one.claim}"
    match one.section:
        case "i2c" | "uart":
            return known
        case "spi":
            return None if known is None else known.format(select=one.select or 0)
        case "one-wire":
            return ONE_WIRE
        case "camera":
            return paths.get(BusName(one.resource.removeprefix("camera ")))
        case "controllers":
            return None if known is None else known.format(select=one.select or 0)
        case "signals" if one.function == "led-string spi":
            # The string hears the data line alone; some chip select has to be named all the same.
            return None if known is None else known.format(select=0)
        case "signals" if one.function in {"pwm", "servo"} and one.channel is not None:
            return known
        case _:
            return None


def _with_chip(one: Assignment, use: LineUse, board: Board) -> LineUse:
    """Return *use* with chip and offset where the program itself asks the GPIO chip for it."""
    line = board.lines.get(use.line)
    if one.section != "signals" or one.controller or one.bus is not None or line is None:
        return use
    return replace(use, chip=line.chip, offset=line.offset)


def _usb_links(controllers: Mapping[ControllerName, Controller]) -> Iterator[Assignment]:
    for name in sorted(controllers):
        one = controllers[name]
        if one.link not in {None, "usb"} or one.usb_id is None:
            continue
        text = one.usb_id.casefold()
        serial = "" if one.usb_serial is None else f" serial {one.usb_serial}"
        yield Assignment(
            instance=InstanceName(name),
            claim=ClaimName("link"),
            section="controllers",
            resource=ResourceName(f"usb {text}{serial}"),
            controller=name,
            device=f"{LINK_FOLDER}/{name}.link",
            function=f"link of {name}",
            timeout_ms=one.host_timeout_ms,
        )


def _switches(
    controllers: Mapping[ControllerName, Controller], links: Mapping[ControllerName, str | None]
) -> Iterator[Assignment]:
    for name in sorted(controllers):
        switch = controllers[name].inhibit
        if switch is not None:
            yield Assignment(
                instance=InstanceName(name),
                claim=ClaimName("inhibit"),
                section="controllers",
                resource=ResourceName(f"{name} pin {switch.pin}"),
                lines=(LineUse(signal="inhibit", line=LineName(switch.pin), position=None),),
                controller=name,
                device=links.get(name),
                function="inhibit",
                note=f"stops {', '.join(switch.stops)}" if switch.stops else "",
                active=Active(switch.active),
            )


def _rules(one: Assignment) -> Iterator[str]:
    found = _USB.fullmatch(one.resource)
    name = (one.device or "").removeprefix(f"{LINK_FOLDER}/")
    if found is None or one.device == name or not _PLAIN.fullmatch(name):
        return
    vendor, product, serial = found.groups()
    link = f'SYMLINK+="{LINK_FOLDER.removeprefix("/dev/")}/{name}"'
    keys = [("idVendor", vendor), ("idProduct", product)]
    if serial is not None:
        keys.append(("serial", _pattern(serial)))
    own = ", ".join(f'ATTR{{{key}}}=="{value}"' for key, value in keys)
    above = ", ".join(f'ATTRS{{{key}}}=="{value}"' for key, value in keys)
    yield f'SUBSYSTEM=="usb", ENV{{DEVTYPE}}=="usb_device", {own}, {link}'
    for priority, kind in _KINDS[:1] if one.section == "controllers" else _KINDS:
        yield f'{kind}, SUBSYSTEMS=="usb", {above}, {link}, OPTIONS+="link_priority={priority}"'


def _pattern(serial: str) -> str:
    """Return a pattern for *serial*: letters and digits as they are, anything else as any text."""
    return re.sub(r"[^A-Za-z0-9_.:-]+", "*", serial, flags=re.ASCII)
