"""What every part draws, and from which supply."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from robokit_plan.model import (
    AudioClaim,
    CameraClaim,
    Electrical,
    Function,
    InstanceName,
    Load,
    Milliamp,
    Millivolt,
    Place,
    PortClaim,
    PowerClaim,
    SignalClaim,
    UsbClaim,
    dataclass,
)

from .circuit import Wired, Wiring

BOARD = InstanceName("board")
"""Stands in place of an instance where the board itself is the consumer."""
_FULL_BRIGHTNESS = 255
_COMPANION, _COMPANION_RADIO = Milliamp(100), Milliamp(500)
"""
A companion board without and with a radio, which no key declares: an assumption.

Source: one unit load of USB 2.0 section 7.2.1; bursts of a radio: both from memory.
"""
_DEFAULT_SERVO = "standard"


@dataclass(frozen=True, kw_only=True, slots=True)
class Draw:
    """One consumer with its place."""

    load: Load
    place: Place
    usb: bool = False
    led: bool = False

    @property
    def typical(self) -> int:
        """Return its typical current in mA; unknown counts as zero here and is said elsewhere."""
        known = (self.load.typical, self.load.peak)
        return next((one for one in known if one is not None), 0)

    @property
    def peak(self) -> int:
        """Return its highest current in mA, its typical one where no other is declared."""
        known = (self.load.peak, self.load.typical)
        return next((one for one in known if one is not None), 0)

    @property
    def unknown(self) -> bool:
        """Whether nothing at all is declared."""
        return self.load.typical is None and self.load.peak is None


def led_string_current(leds: int, full: int, brightness: int, idle: int) -> Milliamp:
    """
    Return the current of an addressable string, mA, rounded up.

    Args:
        leds: Number of LEDs.
        full: mA of one LED at full white.
        brightness: 0 to 255, scales linearly (an assumption).
        idle: mA of one dark LED.

    Source:
        facts/electrical.yaml check led_string (LED_GUIDE, WLED_IDLE)
    """
    return Milliamp(-(-leds * full * brightness // _FULL_BRIGHTNESS) + leds * idle)


def servo_peak(stalls: tuple[int, ...], simultaneous: int) -> Milliamp:
    """
    Return the current to plan for servos of which *simultaneous* may stall together, mA.

    The worst ones stall; never less than half of all of them.

    Source:
        facts/electrical.yaml check servo (rule of thumb: common practice, from memory)
    """
    worst = sum(sorted(stalls, reverse=True)[:simultaneous])
    return Milliamp(max(worst, -(-sum(stalls) // 2)))


def converter_current(
    current: int, volts: Millivolt, source: Millivolt, efficiency_percent: int
) -> Milliamp:
    """
    Return what a converter draws at *source* mV while it gives *current* mA at *volts* mV.

    Power is conserved but for the loss: rounded up. A source of the same voltage needs none.

    Source:
        facts/electrical.yaml check battery, I_load = P_load / (V eta): common practice
    """
    if volts == source:
        return Milliamp(current)
    return Milliamp(-(-current * volts * 100 // (source * efficiency_percent)))


def draws_of(wiring: Wiring) -> Mapping[str, tuple[Draw, ...]]:
    """
    Return each supply, by the name that a role is bound to -> what hangs on it directly.

    Shape:
        the board's own draw, its USB devices, cameras and screen stand under ``board``.
    """
    found: dict[str, list[Draw]] = {}
    for one in wiring.wired:
        for name, draw in _draws(one, wiring):
            found.setdefault(name, []).append(draw)
    found.setdefault(BOARD, []).append(_board(wiring))
    for name, controller, chip in wiring.controllers():
        feed = None if controller.supply is None else wiring.supply_name(controller.supply)
        if feed is None and controller.link != "usb":
            continue
        found.setdefault(feed or BOARD, []).append(
            Draw(
                load=Load(
                    instance=InstanceName(name),
                    claim=name,
                    typical=_COMPANION,
                    peak=_COMPANION_RADIO if chip and chip.wifi_blocks else _COMPANION,
                ),
                place=Place(origin=controller.origin, label=f"controller {name}"),
                usb=feed is None,
            )
        )
    return {
        name: tuple(
            sorted(found[name], key=lambda each: (each.load.instance != BOARD, each.load.instance))
        )
        for name in sorted(found)
    }


def _board(wiring: Wiring) -> Draw:
    board, own = wiring.board, wiring.robot.system
    said = own.board_typical is not None or own.board_peak is not None
    return Draw(
        load=Load(
            instance=BOARD,
            claim=str(board.id),
            typical=own.board_typical if said else board.bare_current,
            peak=own.board_peak if said else board.peak_current,
        ),
        place=Place(
            origin=wiring.robot.places.get("board", wiring.robot.origin),
            label="the board itself",
        ),
    )


def _draws(one: Wired, wiring: Wiring) -> Iterator[tuple[str, Draw]]:
    facts = wiring.problem.electrical
    claim = one.claim
    match claim:
        case PowerClaim():
            yield wiring.supply_name(claim.supply), _power(one, claim)
        case SignalClaim() if claim.supply is not None:
            draw = _signal(one, claim, facts)
            if draw is not None:
                yield wiring.supply_name(claim.supply), draw
        case PortClaim() if claim.current is not None:
            name = None if one.assignment is None else one.assignment.port
            port = next((each for each in wiring.robot.ports if each.name == name), None)
            if port is not None and port.supply is not None:
                yield (
                    wiring.supply_name(port.supply),
                    _draw(one, claim.current, claim.current),
                )
        case UsbClaim():
            yield BOARD, _draw(one, claim.current, claim.current, usb=True)
        case CameraClaim() if one.assignment is not None:
            yield BOARD, _draw(one, facts.camera, facts.camera)
        case AudioClaim() if one.assignment is not None and "hdmi" in one.assignment.resource:
            yield BOARD, _draw(one, facts.display, facts.display)
        case _:
            pass


def _draw(
    one: Wired,
    typical: int | None,
    peak: int | None,
    *,
    usb: bool = False,
    led: bool = False,
) -> Draw:
    return Draw(
        load=Load(
            instance=one.instance,
            claim=str(one.claim.key.name),
            typical=None if typical is None else Milliamp(typical),
            peak=None if peak is None else Milliamp(peak),
        ),
        place=one.place,
        usb=usb,
        led=led,
    )


def _power(one: Wired, claim: PowerClaim) -> Draw:
    peaks = [each for each in (claim.peak, claim.stall) if each is not None]
    return _draw(
        one,
        None if claim.typical is None else claim.typical * claim.count,
        max(peaks) * claim.count if peaks else None,
    )


def _signal(one: Wired, claim: SignalClaim, facts: Electrical) -> Draw | None:
    if claim.function is Function.LED_STRING and claim.leds is not None:
        full = claim.ma_per_led
        if full is None:
            full = facts.led_package.get(str(claim.part or "").upper(), facts.led_full)
        dim = min(facts.led_typical, full)
        return _draw(
            one,
            led_string_current(claim.leds, dim, claim.brightness, facts.led_idle),
            led_string_current(claim.leds, full, claim.brightness, facts.led_idle),
            led=True,
        )
    if claim.function is Function.SERVO and claim.drives is None:
        stalls = facts.servo_stall
        stall = stalls.get(str(claim.part or "").lower(), stalls[_DEFAULT_SERVO])
        return _draw(one, claim.current, stall)
    if claim.current is not None:
        return _draw(one, claim.current, claim.current)
    return _draw(one, None, None)
