"""Robots made at random: every kind of claim, on every board."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Any

from robokit_plan.hardware import HardwareInstance, HardwareProblem
from robokit_plan.model import (
    Board,
    Claim,
    ClaimName,
    I2cClaim,
    Mux,
    PinId,
    PortClaim,
    SignalClaim,
    Wiring,
)

from .build import (
    board,
    camera,
    i2c,
    i2s,
    instance,
    key,
    one_wire,
    port,
    problem,
    signal,
    spi,
    uart,
    wire,
)

_PARTS = ("bno055", "vl53l0x", "ds3231", "ina219", "mpu6050", "bme280", "tca9548a", "ht16k33")


def crowded_robot(chance: random.Random, name: str, *, claims: int) -> HardwareProblem:
    """Return a robot with as many plain lines as the header has room for, and its buses in use."""
    here = board(name)
    usable = sum(
        1
        for line in here.lines.values()
        if line.usable and not any(line.pin in one.pins for one in here.default_claims)
    )
    buses = {outlet.kind for outlet in here.outlets if outlet.complete}
    made: list[Claim] = []
    room = usable - 4
    if "spi" in buses and room > 6 and chance.random() < 0.7:
        made += [spi(f"s{n}", "any", "any") for n in range(2)]
        room -= 6
    if "uart" in buses and room > 4 and chance.random() < 0.7:
        made.append(uart("u", "any"))
        room -= 3
    if "pwm" in buses and room > 3:
        made.append(signal("w", "pwm"))
        room -= 2
    if "i2c" in buses:
        count = chance.randrange(4, 16)
        # Addresses of the strap range of a 16-address part; in reach of one bus.
        made += [
            i2c(f"d{n}", None, "any", addresses=tuple(range(0x40, 0x50))) for n in range(count)
        ]
        room -= 4
    plain = max(0, min(claims - len(made), room - chance.randrange(0, 3)))
    for number in range(plain):
        made.append(signal(f"p{number}", chance.choice(("input", "output")), "any"))
    while len(made) < claims:
        made.append(signal(f"shared{len(made)}", "output", "any", share=f"s{len(made) % 3}"))
    chance.shuffle(made)
    return problem(name, *_instances(chance, made), **_image(chance, here))


def small_robot(chance: random.Random, name: str) -> HardwareProblem:
    """Return a robot of a few claims, often one that cannot be built."""
    here = board(name)
    # Half of the robots want few kinds of things, so that they meet.
    kinds = chance.sample(_KINDS, 3) if chance.random() < 0.5 else _KINDS
    made = [_claim(chance, here, number, kinds) for number in range(chance.randrange(2, 11))]
    ports = tuple(
        port(
            f"P{number}", chance.choice(("io", "5V")), {"io": line}, count=chance.choice((1, 1, 2))
        )
        for number, line in enumerate(
            chance.sample([one for one in here.lines if here.lines[one].usable], 3)
        )
    )
    with_ports = chance.random() < 0.3
    instances = _instances(chance, made)
    if with_ports:
        instances = (
            *instances,
            *(
                instance(f"plug{n}", _plug(chance, chance.choice(("io", "5V"))))
                for n in range(chance.randrange(1, 5))
            ),
        )
    if chance.random() < 0.3:
        instances = (
            *instances,
            instance(
                "many",
                variants={
                    f"v{number}": [_claim(chance, here, 90), _claim(chance, here, 91)]
                    for number in range(chance.randrange(2, 4))
                },
            ),
        )
    if chance.random() < 0.2:
        instances = (*instances, _array(chance))
    return problem(
        name,
        *instances,
        ports=ports if with_ports else (),
        wiring=_wiring(chance, here, instances),
        **_image(chance, here),
    )


def _image(chance: random.Random, here: Board) -> dict[str, Any]:
    """Return what the robot boots: an image with words of its own, or one that nobody knows."""
    return {
        "boot": here.boot.get(chance.choice(("vendor", "debian", "debian", "file:x"))),
        "release": chance.choice(("debian-12", "debian-13", "debian-13")),
    }


def _plug(chance: random.Random, kind: str) -> Claim:
    if chance.random() < 0.5:
        return PortClaim(key=key("plug"), kind=kind)
    return signal("io", "input", port_kind=kind)


def _array(chance: random.Random) -> HardwareInstance:
    """Return an I2C multiplexer with devices behind it."""
    return instance(
        "array",
        i2c("mux", "tca9548a", chance.choice((None, "any")), optional=chance.random() < 0.3),
        *(
            i2c(
                f"eye{number}",
                None,
                addresses=tuple(chance.sample(range(0x20, 0x23), chance.randrange(1, 3))),
                behind=Mux(claim=ClaimName("mux"), channel=chance.randrange(2)),
                optional=chance.random() < 0.5,
            )
            for number in range(chance.randrange(1, 4))
        ),
    )


def _wiring(
    chance: random.Random, here: Board, instances: Sequence[HardwareInstance]
) -> tuple[Wiring, ...]:
    found = []
    for one in instances:
        for claim in one.claims:
            if chance.random() > 0.1:
                continue
            name = f"{one.name}.{claim.key.name}"
            if isinstance(claim, SignalClaim) and claim.port_kind is None:
                found.append(wire(name, line=chance.choice(list(here.lines))))
            elif isinstance(claim, I2cClaim) and claim.part is None and claim.behind is None:
                found.append(wire(name, address=chance.randrange(0x20, 0x24)))
    return tuple(found)


def switched_robot(chance: random.Random, name: str) -> HardwareProblem:
    """Return a robot whose boot settings take lines beside those of its devices, if any do."""
    here = board(name)
    made: list[Claim] = []
    for number in range(chance.randrange(1, 4)):
        select = chance.choice(("any", "1", ["1", "0"], ["2", "1"]))
        bus = chance.choice((None, "any", "spi1", ["spi0", "spi1"], ["spi5", "spi6"]))
        made.append(spi(f"s{number}", bus, select))
    if chance.random() < 0.4:
        made.append(i2s("sound", clock="board"))
    if chance.random() < 0.4:
        made.append(uart("u", "any", flow_control=chance.random() < 0.3))
    if chance.random() < 0.3:
        made.append(signal("w", "pwm"))
    image = _image(chance, here)
    ways = () if image["boot"] is None else image["boot"].enables
    taken = sorted({line for way in ways for line in way.lines if line in here.lines})
    lines = taken if len(taken) > 3 else sorted(here.lines)
    for number in range(chance.randrange(2, 9)):
        few = chance.sample(lines, chance.randrange(1, 4))
        made.append(signal(f"p{number}", chance.choice(("input", "output")), few))
    return problem(name, *_instances(chance, made), **image)


def tight_robot(chance: random.Random, name: str) -> HardwareProblem:
    """Return a robot that uses nearly every line of its header, or a few more than there are."""
    here = board(name)
    room = sum(1 for line in here.lines.values() if line.usable)
    made: list[Claim] = [uart(f"u{n}", "any") for n in range(chance.randrange(0, 3))]
    made += [spi(f"s{n}", "any", "any") for n in range(chance.randrange(0, 3))]
    made += [i2c(f"i{n}", None, "any", addresses=(0x20,)) for n in range(chance.randrange(0, 3))]
    made += [signal(f"w{n}", "pwm") for n in range(chance.randrange(0, 3))]
    lines = list(here.lines)
    while len(made) < room - 2 - chance.randrange(0, 9):
        few = chance.sample(lines, chance.randrange(2, 6)) if chance.random() < 0.2 else "any"
        made.append(signal(f"p{len(made)}", chance.choice(("input", "output")), few))
    return problem(name, *_instances(chance, made), **_image(chance, here))


def _instances(chance: random.Random, claims: Sequence[Claim]) -> tuple[HardwareInstance, ...]:
    made: list[HardwareInstance] = []
    rest = list(claims)
    while rest:
        size = chance.randrange(1, 5)
        made.append(instance(f"plugin{len(made):02}", *rest[:size]))
        rest = rest[size:]
    return tuple(made)


_KINDS = (
    "plain", "plain", "plain", "waveform", "waveform", "string", "clock", "placed", "device",
    "device", "radio", "serial", "audio", "eye", "probe",
)  # fmt: skip


def _claim(chance: random.Random, here: Board, number: int, kinds: Sequence[str] = _KINDS) -> Claim:
    lines = list(here.lines)
    buses = {
        kind: sorted({outlet.bus for outlet in here.outlets if outlet.kind == kind})
        for kind in ("i2c", "spi", "uart")
    }
    name = f"c{number}"

    def some_lines() -> Any:
        return chance.choice(
            ("any", chance.choice(lines), chance.sample(lines, chance.randrange(2, 4)))
        )

    def some_bus(kind: str) -> Any:
        options: list[Any] = [None, "any"]
        if buses[kind]:
            options.append(chance.choice(buses[kind]))
            options.append(chance.sample(buses[kind], min(2, len(buses[kind]))))
        return chance.choice(options)

    def plain() -> Claim:
        return signal(name, chance.choice(("input", "output")), some_lines(), share=_share(chance))

    def waveform() -> Claim:
        pwm = [line for one in here.outlets if one.kind == "pwm" for line in one.lines.values()]
        few = chance.sample(pwm, min(2, len(pwm))) if pwm and chance.random() < 0.5 else "any"
        return signal(name, "pwm", few or "any", frequency=chance.choice((None, 50, 1000)))

    def string() -> Claim:
        return signal(name, "led-string", some_lines())

    def clock() -> Claim:
        return signal(name, "clock", "any", frequency=chance.choice((1000, 2000)))

    def placed() -> Claim:
        positions = [pin.id for pin in here.pins if pin.lines]
        double = [pin.id for pin in here.pins if len(pin.lines) > 1]
        if double and chance.random() < 0.7:
            pad = chance.choice([pin.lines for pin in here.pins if pin.id in double])
            return signal(name, "output", chance.choice(pad))
        return signal(
            name, "output", positions=tuple(PinId(x) for x in chance.sample(positions, 2))
        )

    def device() -> Claim:
        bus = some_bus("i2c")
        if chance.random() < 0.5:
            return i2c(name, chance.choice(_PARTS), bus)
        addresses = tuple(chance.sample(range(0x20, 0x24), chance.randrange(1, 3)))
        return i2c(name, None, bus, addresses=addresses)

    def radio() -> Claim:
        return spi(name, some_bus("spi"), chance.choice((None, "any", "1", ["1", "0"])))

    def serial() -> Claim:
        return uart(
            name,
            chance.choice(("header", some_bus("uart"))),
            parity=chance.choice(("none", "none", "even")),
            flow_control=chance.random() < 0.2,
        )

    def audio() -> Claim:
        return i2s(name, clock=chance.choice(("board", "device")))

    def eye() -> Claim:
        return camera(name, chance.choice((None, "any", "cam1")))

    def probe() -> Claim:
        return one_wire(name, chance.choice((None, "any", chance.choice(lines))))

    makers: dict[str, Callable[[], Claim]] = {
        "plain": plain,
        "waveform": waveform,
        "string": string,
        "clock": clock,
        "placed": placed,
        "device": device,
        "radio": radio,
        "serial": serial,
        "audio": audio,
        "eye": eye,
        "probe": probe,
    }
    return makers[chance.choice(kinds)]()


def _share(chance: random.Random) -> str | None:
    return "common" if chance.random() < 0.2 else None
