"""What a robot asks of its companions: each claim as a use of a chip, each clash as a finding."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from robokit_plan.hardware.electrical.circuit import Wired, Wiring, pin_listed
from robokit_plan.hardware.electrical.levels import arriving, contact, logic_of
from robokit_plan.model import (
    Assignment,
    BlockClaim,
    Chip,
    ChipPin,
    Controller,
    ControllerName,
    Finding,
    Function,
    Millivolt,
    Place,
    Pull,
    Severity,
    SignalClaim,
    dataclass,
    finding,
    replace,
)

from ._links import check_links, place_of
from ._uses import IDLE_HIGH
from .clashes import ChipSetting, Clash, PinUse, clashes

_KINDS: Mapping[Function, str] = {
    Function.INPUT: "input",
    Function.OUTPUT: "output",
    Function.PWM: "pwm",
    Function.SERVO: "servo",
    Function.CLOCK: "clock",
    Function.LED_STRING: "led-string",
    Function.IR_IN: "ir-in",
    Function.IR_OUT: "ir-out",
    Function.ANALOG: "analog",
}
_SOUNDS = frozenset({"buzzer", "speaker"})
_FOUND_BY_ASSIGNMENT = frozenset({"line-missing", "pin-collision"})
"""Rules that the assignment engine has told already."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Companion:
    """A controller with its uses."""

    name: ControllerName
    controller: Controller
    chip: Chip
    uses: tuple[PinUse, ...] = ()


def check_controllers(wiring: Wiring) -> Iterator[Finding]:
    """Return what the controllers of a robot cannot do, and what their links bring along."""
    companions = [
        _Companion(
            name=name,
            controller=controller,
            chip=chip,
            uses=(*_uses(wiring, name, chip), *_inhibit(controller, chip)),
        )
        for name, controller, chip in wiring.controllers()
        if chip is not None
    ]
    for one in companions:
        yield from _program(wiring, one)
        yield from _switch_nowhere(one)
    yield from check_links(wiring, {one.name: one.uses for one in companions})


def _uses(wiring: Wiring, name: ControllerName, chip: Chip) -> Iterator[PinUse]:
    for one in wiring.on_controller(name):
        claim = one.claim
        if one.assignment is None:
            continue
        if isinstance(claim, SignalClaim) and one.assignment.lines:
            yield _use(one, claim, str(one.assignment.lines[0].line))
        elif isinstance(claim, BlockClaim) and one.assignment.bus is not None:
            yield from _of_block(one, claim, one.assignment, chip)


def _use(one: Wired, claim: SignalClaim, pin: str) -> PinUse:
    kind = _KINDS[claim.function]
    if claim.function is Function.PWM and claim.drives in _SOUNDS:
        kind = "tone"
    return PinUse(
        text=one.text,
        kind=kind,
        pin=pin,
        frequency=claim.frequency,
        pull=claim.pull,
        contact=kind == "input" and contact(claim),
        volts=arriving(claim) or Millivolt(0),
        active=claim.active,
        loaded=claim.drives == "led" or (claim.current or 0) > 1,
        place=one.place,
        instance=one.instance,
        wired=one,
    )


def _of_block(
    one: Wired, claim: BlockClaim, assignment: Assignment, chip: Chip
) -> Iterator[PinUse]:
    """Yield the pins of a companion's block, or the block alone where it has none."""
    block = str(assignment.bus)
    use = PinUse(
        text=one.text,
        kind=_block_kind(chip, block),
        bus=block,
        volts=claim.volts,
        place=one.place,
        instance=one.instance,
        wired=one,
    )
    if not assignment.lines:
        yield use
    for line in assignment.lines:
        high = claim.pull_up_ohm is not None or (use.kind, line.signal) in IDLE_HIGH
        yield replace(
            use,
            text=f"{line.signal} of {one.text}",
            pin=str(line.line),
            signal=line.signal,
            pull=Pull.UP if high else Pull.NONE,
            outside=high,
        )


def _block_kind(chip: Chip, block: str) -> str:
    """
    Return what *block* is on *chip*: its functions say so, else its name without the number.

    A timer that is claimed as a block counts the steps of a wheel.
    """
    own = {one.kind for pin in chip.pins.values() for one in pin.functions if one.bus == block}
    if own:
        kind = min(own)
        return "encoder" if kind == "pwm" else kind
    word = block.rstrip("0123456789")
    return "radio" if word in {"wifi", "bluetooth"} else word


def _inhibit(controller: Controller, chip: Chip) -> Iterator[PinUse]:
    switch = controller.inhibit
    if switch is not None and chip.find_pin(switch.pin) is not None:
        yield PinUse(
            text="the inhibit switch",
            kind="input",
            pin=switch.pin,
            pull=Pull.UP if switch.active == "low" else Pull.DOWN,
            contact=True,
            place=Place(origin=switch.origin, label=f"inhibit of {controller.name}"),
        )


def _switch_nowhere(one: _Companion) -> Iterator[Finding]:
    """Yield where the switch that is to stop things hangs on a pin that the chip has not."""
    switch, chip = one.controller.inhibit, one.chip
    if switch is None or chip.find_pin(switch.pin) is not None:
        return
    free = [pin for pin in chip.pins.values() if pin.input and pin.reserved is None]
    taken = {chip.find_pin(use.pin) for use in one.uses if use.pin is not None}
    plain = sorted((pin for pin in free if pin not in taken), key=_awkward)
    yield finding(
        "line-missing",
        Severity.ERROR,
        f"{one.name}: {chip.name} has no pin {switch.pin}, where its inhibit switch is",
        places=[Place(origin=switch.origin, label=f"inhibit of {one.name}")],
        why=f"its pins: {', '.join(pin.name for pin in free)}",
        repair=[
            f"controllers: {{{one.name}: {{inhibit: {{pin: {pin.name}}}}}}}" for pin in plain[:1]
        ],
        resource=f"{one.name} pin {switch.pin}",
    )


def _program(wiring: Wiring, one: _Companion) -> Iterator[Finding]:
    setting = ChipSetting(
        logic=logic_of(wiring, one.controller, one.chip),
        link=_kind_of_link(one.controller),
        octal=one.controller.octal_memory,
    )
    for clash in clashes(one.chip, one.uses, setting):
        if clash.rule in _FOUND_BY_ASSIGNMENT:
            continue
        yield finding(
            clash.rule,
            clash.severity,
            clash.message.replace(f"of {one.chip.name}", f"of {one.name}"),
            places=[use.place for use in clash.uses if use.place is not None]
            or [place_of(one.name, one.controller)],
            why=[*clash.why, f"the chip of {one.name} is {one.chip.name}"],
            repair=_moves(one, clash, setting),
            plugins=[use.instance for use in clash.uses if use.instance is not None],
            resource=f"{one.name} {clash.resource}".strip(),
        )


def _kind_of_link(controller: Controller) -> str | None:
    link = controller.link or ""
    if link == "usb":
        return link
    return "uart" if link.lower().startswith(("uart", "serial")) else None


def _moves(one: _Companion, clash: Clash, setting: ChipSetting) -> list[str]:
    """Return another pin for one of the claims of *clash*, or what to leave out."""
    named = [use for use in clash.uses if use.instance is not None]
    if clash.movable:
        for use in reversed(named):
            others = tuple(each for each in one.uses if each is not use)
            before = len(clashes(one.chip, others, setting))
            for pin in sorted(one.chip.pins.values(), key=_awkward):
                if any(each.pin and one.chip.find_pin(each.pin) is pin for each in one.uses):
                    continue
                claim = None if use.wired is None else use.wired.claim
                if isinstance(claim, SignalClaim) and not pin_listed(claim, one.chip, pin):
                    continue
                moved = replace(use, pin=pin.name)
                if len(clashes(one.chip, (*others, moved), setting)) == before:
                    return [_move(one, use, pin), *_keys(clash)]
    switch = one.controller.inhibit
    turned = next((keys for keys in clash.repair if "active: low" in keys), None)
    if not named and switch is not None and turned is not None:
        return [f"controllers: {{{one.name}: {{inhibit: {{active: low}}}}}}"]
    if clash.repair:
        return _keys(clash)
    if not named and switch is not None:
        return [f"controllers: {{{one.name}: {{inhibit: {{pin: …}}}}}}   another pin"]
    return [f"robokit-plan disable {use.instance}" for use in named[-1:]]


def _move(one: _Companion, use: PinUse, pin: ChipPin) -> str:
    """Return what to type so that *use* sits on *pin*."""
    if use.wired is None or not isinstance(use.wired.claim, BlockClaim):
        return f"wiring: {{{use.text}: {{pin: {pin.name}}}}}"
    pins = {
        str(each.signal): pin.name if each is use else str(each.pin)
        for each in one.uses
        if each.wired is use.wired
    }
    return use.wired.typed(
        f"pins: {{{', '.join(f'{signal}: {at}' for signal, at in pins.items())}}}"
    )


def _awkward(pin: ChipPin) -> bool:
    """Return whether a pin is better left for those who ask for it."""
    words = (pin.strap, pin.debug, pin.module_use, pin.reserved_if, pin.moves_at_boot, pin.header)
    return any(words) or pin.host_link or pin.max_current is not None


def _keys(clash: Clash) -> list[str]:
    """Return the further ways out of *clash* as somebody types them."""
    claims = [use.wired for use in clash.uses if use.wired is not None]
    return [claims[0].typed(keys) for keys in clash.repair] if claims else []
