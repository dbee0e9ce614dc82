"""How the board finds its companions and opens their ports."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from robokit_plan.hardware.electrical.circuit import Wiring
from robokit_plan.model import (
    Chip,
    Controller,
    ControllerName,
    Finding,
    Hazard,
    Place,
    Severity,
    finding,
    listed,
)

from ._uses import DRIVING, PinUse

_TOUCH_BAUD = 1200


def check_links(
    wiring: Wiring, uses: Mapping[ControllerName, Sequence[PinUse]]
) -> Iterator[Finding]:
    """
    Yield companions that may be taken for one another, or stop when their port is opened.

    Args:
        uses: What the program of each does; companions of unknown chips are not in it.
    """
    for name, controller, chip in wiring.controllers():
        if chip is not None:
            yield from _port(wiring, name, controller, chip, uses.get(name, ()))
        yield from _named(name, controller, chip)
    yield from _alike(wiring)
    yield from _touched(wiring)


def _port(
    wiring: Wiring, name: ControllerName, controller: Controller, chip: Chip, uses: Sequence[PinUse]
) -> Iterator[Finding]:
    """Yield where opening the port resets a companion that moves something."""
    if controller.link != "usb" or not chip.reset_on_open:
        return
    driving = [use for use in uses if use.kind in DRIVING]
    if not driving:
        return
    moving = {
        each.text
        for each in wiring.on_controller(name)
        if getattr(each.claim, "hazard", Hazard.NONE) is not Hazard.NONE
    }
    yield finding(
        "port-reset",
        Severity.NOTE,
        f"{name} starts anew whenever its port is opened",
        places=[
            place_of(name, controller),
            *(use.place for use in driving if use.place is not None and use.text in moving),
        ],
        why=[
            "its pins float for about a second and its first commands are lost",
            "what hangs on them needs a safe state in hardware, and the program waits",
        ],
        repair="open the port once and keep it open; a capacitor of 10 uF at its reset pin also "
        "holds it",
        plugins=[use.instance for use in driving if use.instance is not None],
        resource=name,
    )


def _named(name: ControllerName, controller: Controller, chip: Chip | None) -> Iterator[Finding]:
    if controller.link != "usb":
        return
    usual = () if chip is None else chip.usb_ids
    boot = () if chip is None else chip.usb_boot_ids
    if controller.usb_id is None:
        yield finding(
            "link-unnamed",
            Severity.WARNING,
            f"nothing tells {name} from other serial devices on USB",
            places=[place_of(name, controller)],
            why="device numbers change with the order of plugging in; the path by id does not",
            repair=f'controllers: {{{name}: {{usb-id: "{usual[0] if usual else "2e8a:000a"}"}}}}   '
            "as lsusb shows it",
            resource=name,
        )
    elif controller.usb_id.casefold() in {one.casefold() for one in boot} - {
        one.casefold() for one in usual
    }:
        yield finding(
            "usb-id-wrong",
            Severity.WARNING,
            f"{controller.usb_id} is {name} in its boot loader, not with its program running",
            places=[place_of(name, controller)],
            why="the number changes between the two",
            repair=f'controllers: {{{name}: {{usb-id: "{usual[0]}"}}}}'
            if usual
            else "lsusb   while its program runs",
            resource=name,
        )


def _touched(wiring: Wiring) -> Iterator[Finding]:
    """Yield companions whose port is opened at the rate that means: enter the boot loader."""
    for name, controller, chip in wiring.controllers():
        if chip is None or not chip.touch_1200 or controller.link != "usb":
            continue
        if controller.baud == _TOUCH_BAUD:
            yield finding(
                "boot-loader-entered",
                Severity.ERROR,
                f"the board opens {name} at {_TOUCH_BAUD} baud, which puts it into its boot loader",
                places=[place_of(name, controller)],
                why="its program stops, and it comes back as another device",
                repair=f"controllers: {{{name}: {{baud: 115200}}}}",
                resource=name,
            )


def _alike(wiring: Wiring) -> Iterator[Finding]:
    """Yield companions that their USB numbers do not tell apart."""
    groups: dict[str, list[tuple[ControllerName, Controller]]] = defaultdict(list)
    for name, controller, _ in wiring.controllers():
        if controller.link == "usb" and controller.usb_id is not None:
            groups[controller.usb_id.casefold()].append((name, controller))
    for usb_id, ones in sorted(groups.items()):
        nameless = [name for name, one in ones if one.usb_serial is None]
        if len(ones) < 2 or not nameless:
            continue
        names = [str(name) for name, _ in ones]
        yield finding(
            "link-ambiguous",
            Severity.ERROR,
            f"{listed(names)} have one USB number, {usb_id}, and not all a serial number",
            places=[place_of(name, one) for name, one in ones],
            why="commands for one may reach the other",
            repair=[f'controllers: {{{name}: {{usb-serial: "…"}}}}' for name in nameless]
            + ["udevadm info /dev/ttyACM0   shows it; clones without one need the path by port"],
            resource=usb_id,
        )


def place_of(name: ControllerName, controller: Controller) -> Place:
    """Return where *controller* stands in the robot file."""
    return Place(origin=controller.origin, label=f"controller {name}")
