"""What can hurt: lasers, mains, transmitters, companions that nobody stops."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import (
    ActuatorClaim,
    ControllerName,
    Electrical,
    Finding,
    Function,
    Hazard,
    InstanceName,
    LaserClass,
    Place,
    Radio,
    Severity,
    SignalClaim,
    SpiClaim,
    UartClaim,
    UsbClaim,
    finding,
    volt_text,
)

from .circuit import Wired, Wiring

_VISIBLE_NM = (400, 700)
"""Visible light (IEC 60825-1, from memory)."""
_EXAMPLES = {"band-mhz": "[868.0, 868.6]", "power-mw": "25", "license": '"exempt, 868 MHz"'}
_RELAYS = frozenset({"relay-module", "relay-coil"})


def laser_class(
    facts: Electrical, power_uw: int, wavelength_nm: int, *, pulsed: bool = False
) -> LaserClass | None:
    """
    Return the class of a visible continuous beam; None: only the label on the source tells.

    Source:
        facts/electrical.yaml hazards laser (LASER_APINEX, LASER_LASERMET)
    """
    if pulsed or not _VISIBLE_NM[0] <= wavelength_nm <= _VISIBLE_NM[1]:
        return None
    limited = [one for one in facts.lasers if one.limit_uw is not None]
    for one in limited:
        if one.limit_uw is not None and power_uw <= one.limit_uw:
            return one
    return facts.lasers[-1]


def check_hazards(wiring: Wiring) -> Iterator[Finding]:
    """Return what is wrong with things that can hurt people."""
    for one in wiring.wired:
        if isinstance(one.claim, SignalClaim | ActuatorClaim):
            yield from _laser(wiring, one, one.claim)
        if not isinstance(one.claim, SignalClaim):
            continue
        yield from _mains(one, one.claim)
        yield from _transmitter(one, one.claim)
    yield from _radio(wiring)
    yield from _touch(wiring)
    yield from _silence(wiring)


def _laser(wiring: Wiring, one: Wired, claim: SignalClaim | ActuatorClaim) -> Iterator[Finding]:
    driving = isinstance(claim, SignalClaim) and claim.drives == "laser"
    if claim.hazard is not Hazard.LASER and not driving and claim.laser is None:
        return
    if isinstance(claim, SignalClaim) and claim.function is Function.INPUT:
        return
    facts = wiring.problem.electrical
    told = claim.laser
    named = next((each for each in facts.lasers if told and each.name == told.label), None)
    reckoned = (
        None
        if told is None or told.power_uw is None or told.wavelength_nm is None
        else laser_class(facts, told.power_uw, told.wavelength_nm, pulsed=told.pulsed)
    )
    kind = named or reckoned
    if kind is None:
        if not _said_elsewhere(wiring, one):
            yield _unclassed(facts, one)
        return
    if named is not None and reckoned is not None and _rank(facts, reckoned) > _rank(facts, named):
        yield finding(
            "laser-class-mismatch",
            Severity.WARNING,
            f"{one.text} is said to be class {named.name}, and its power makes it {reckoned.name}",
            places=[one.place],
            why=[f"class {reckoned.name}: {reckoned.meaning}", "the higher class counts"],
            repair=one.typed(f'laser: {{class: "{reckoned.name}"}}', "unless the power is wrong"),
            plugins=[one.instance],
            resource=one.text,
        )
        kind = reckoned
    yield finding(
        "laser-present",
        kind.severity,
        f"{one.text} switches a laser of class {kind.name}",
        places=[one.place],
        why=[kind.meaning, "the label on the source decides (IEC 60825-1), and local codes"],
        repair=[]
        if kind.severity is Severity.NOTE
        else [
            one.typed(
                'laser: {class: "2"}'
                if told is None or told.power_uw is None
                else 'laser: {class: "2", power-mw: 1}',
                "with such a source fitted",
            ),
            f"robokit-plan disable {one.instance}",
        ],
        plugins=[one.instance],
        resource=one.text,
    )


def _rank(facts: Electrical, kind: LaserClass) -> int:
    return facts.lasers.index(kind)


def _said_elsewhere(wiring: Wiring, one: Wired) -> bool:
    """Whether another claim of the same plugin says the class of its laser."""
    return any(
        getattr(other.claim, "laser", None) is not None
        for other in wiring.wired
        if other.instance == one.instance and other is not one
    )


def _unclassed(facts: Electrical, one: Wired) -> Finding:
    bounds = ", ".join(
        f"{each.name} up to {_milliwatt(each.limit_uw)} mW"
        for each in facts.lasers
        if each.limit_uw is not None
    )
    return finding(
        "laser-class-unknown",
        Severity.WARNING,
        f"{one.text} switches a laser whose class nobody says",
        places=[one.place],
        why=[
            f"visible and continuous: class {bounds}, 4 above; invisible or pulsed: the label "
            "decides",
            "class 3B and 4 do not belong on an unattended robot; 1M, 2M and 3R want a person who "
            "knows",
        ],
        repair=[
            one.typed('laser: {class: "2"}', "as read off the label, before the first light"),
            f"robokit-plan disable {one.instance}   where it says 3B or 4",
        ],
        plugins=[one.instance],
        resource=one.text,
    )


def _radio(wiring: Wiring) -> Iterator[Finding]:
    """Yield transmitters of which nobody says what they send, or that send too much."""
    senders: dict[InstanceName, list[Wired]] = {}
    for one in wiring.wired:
        if getattr(one.claim, "hazard", Hazard.NONE) is Hazard.RADIO:
            senders.setdefault(one.instance, []).append(one)
    for one in wiring.wired:
        if getattr(one.claim, "radio", None) is not None:
            senders.setdefault(one.instance, [])
    for instance, ones in sorted(senders.items()):
        told = [
            (one, one.claim.radio)
            for one in wiring.wired
            if one.instance == instance
            and isinstance(one.claim, SignalClaim | SpiClaim | UartClaim | UsbClaim | ActuatorClaim)
            and one.claim.radio is not None
        ]
        if not told:
            yield _undeclared(ones[0], instance, ones, ["band-mhz", "power-mw", "license"])
        for one, radio in told:
            lacking = [
                key
                for key, value in (
                    ("band-mhz", radio.band_khz),
                    ("power-mw", radio.power_uw),
                    ("license", radio.license),
                )
                if value is None
            ]
            if lacking:
                yield _undeclared(one, instance, [one], lacking)
            yield from _too_strong(wiring, one, radio)


def _undeclared(
    one: Wired, instance: InstanceName, places: list[Wired], lacking: list[str]
) -> Finding:
    return finding(
        "radio-undeclared",
        Severity.NOTE,
        f"{instance} sends radio and does not say its {', '.join(lacking)}",
        places=[each.place for each in places],
        why=[
            "band, power and share of time are what the law limits, and it differs by country",
            "an antenna is fitted before the power; without one the last stage can burn",
        ],
        repair=one.typed(
            "radio: {" + ", ".join(f"{key}: {_EXAMPLES[key]}" for key in lacking) + "}",
            "as its data sheet and your authority say",
        ),
        plugins=[instance],
        resource=instance,
    )


def _too_strong(wiring: Wiring, one: Wired, radio: Radio) -> Iterator[Finding]:
    if radio.band_khz is None or radio.power_uw is None:
        return
    low, high = radio.band_khz
    for band in wiring.problem.electrical.radio_bands:
        if not (band.band_khz[0] <= low and high <= band.band_khz[1]):
            continue
        if radio.power_uw > band.power_uw:
            yield finding(
                "radio-power-high",
                Severity.WARNING,
                f"{one.text} sends {radio.power_uw / 1000:g} mW where {band.limit} is usual "
                f"({band.region})",
                places=[one.place],
                why=[
                    f"{band.band_khz[0] / 1000:g} to {band.band_khz[1] / 1000:g} MHz; "
                    f"{band.source}",
                    "a licence may allow more; other countries have other bands",
                ],
                repair=one.typed(
                    f"radio: {{power-mw: {band.power_uw / 1000:g}}}", "and in its code"
                ),
                plugins=[one.instance],
                resource=one.text,
            )


def _milliwatt(limit_uw: int) -> str:
    return f"{limit_uw // 1000}"


def _mains(one: Wired, claim: SignalClaim) -> Iterator[Finding]:
    if claim.hazard is not Hazard.MAINS or claim.drives not in _RELAYS:
        return
    yield finding(
        "mains-bare-relay",
        Severity.ERROR,
        f"{one.text} switches mains with a {claim.drives.replace('-', ' ')}",
        places=[one.place],
        why="a bare relay board has mains on open contacts, a finger's width from the robot",
        repair=[
            "a certified enclosed switch or a remote plug in its place, then no `drives` here",
            f"robokit-plan disable {one.instance}",
        ],
        plugins=[one.instance],
        resource=one.text,
    )


def _transmitter(one: Wired, claim: SignalClaim) -> Iterator[Finding]:
    if claim.function is not Function.CLOCK or claim.hazard is not Hazard.RADIO:
        return
    yield finding(
        "clock-transmitter",
        Severity.ERROR,
        f"{one.text} sends radio from a clock output",
        places=[one.place],
        why="a square wave radiates on every odd multiple of its frequency too, in bands of others",
        repair=[
            "a transmitter module that is approved for its band, by spi or uart",
            f"robokit-plan disable {one.instance}",
        ],
        plugins=[one.instance],
        resource=one.text,
    )


def _touch(wiring: Wiring) -> Iterator[Finding]:
    limit = wiring.problem.electrical.mains_dc
    for name in sorted(wiring.robot.supplies):
        supply = wiring.robot.supplies[name]
        if supply.volts <= limit:
            continue
        yield finding(
            "supply-touch-unsafe",
            Severity.ERROR,
            f"{name} has {volt_text(supply.volts)}; {volt_text(limit)} is where touch-safe DC ends",
            places=[Place(origin=supply.origin, label=str(name))],
            why="extra-low voltage ends there (IEC 61140: from memory); work on it belongs to "
            "licensed people",
            repair=f"supplies: {{{name}: {{volts: 48}}}}   from a lower battery, or an isolated "
            "converter",
            resource=name,
        )


def _silence(wiring: Wiring) -> Iterator[Finding]:
    """Yield companions that move something and do not stop when the board is silent."""
    for name, controller, _ in wiring.controllers():
        if controller.host_timeout_ms is not None:
            continue
        moving = [
            one
            for one in wiring.on_controller(ControllerName(name))
            if getattr(one.claim, "hazard", Hazard.NONE) is Hazard.MOTION
        ]
        if not moving and not controller.moves_alone:
            continue
        what = ", ".join([one.text for one in moving] or list(controller.moves_alone))
        yield finding(
            "host-timeout-missing",
            Severity.WARNING,
            f"{name} moves {what} and does not say when it stops by itself",
            places=[
                Place(origin=controller.origin, label=f"controller {name}"),
                *(one.place for one in moving),
            ],
            why="when the board hangs or the cable falls out, its last command goes on",
            repair=f"controllers: {{{name}: {{host-timeout-ms: 500}}}}   once its firmware does so",
            plugins=[one.instance for one in moving],
            resource=name,
        )
