"""Small boards made by hand: enough header for the sheets, two naming schemes."""

from __future__ import annotations

from robokit_plan.model import (
    Board,
    BoardId,
    BusName,
    BusOutlet,
    DefaultClaim,
    Family,
    Line,
    LineName,
    Pin,
    PinId,
    PinKind,
)


def gpio(pin: str, line: str) -> Pin:
    return Pin(id=PinId(pin), kind=PinKind.GPIO, lines=(LineName(line),))


def power(pin: str, rail: str) -> Pin:
    return Pin(id=PinId(pin), kind=PinKind.POWER, rail=rail)


def ground(pin: str) -> Pin:
    return Pin(id=PinId(pin), kind=PinKind.GROUND)


def lines_of(pins: tuple[Pin, ...], **special: tuple[str, ...]) -> dict[LineName, Line]:
    return {
        line: Line(name=line, pin=pin.id, special=special.get(line, ()))
        for pin in pins
        for line in pin.lines
    }


def outlet(bus: str, kind: str, **lines: str) -> BusOutlet:
    return BusOutlet(
        bus=BusName(bus), kind=kind, lines={name: LineName(line) for name, line in lines.items()}
    )


_PINS = (
    power("1", "3V3"), power("2", "5V"),
    gpio("3", "gpio2"), power("4", "5V"),
    gpio("5", "gpio3"), ground("6"),
    gpio("7", "gpio4"), gpio("8", "gpio14"),
    ground("9"), gpio("10", "gpio15"),
    gpio("11", "gpio17"), gpio("12", "gpio18"),
    gpio("19", "gpio10"), ground("20"),
)  # fmt: skip

TWENTY = Board(
    id=BoardId("example,twenty"),
    compatible=("example,twenty",),
    family=Family(name="example", pwm_kind="channels"),
    pins=_PINS,
    lines=lines_of(
        _PINS,
        gpio4=("default line of the kernel 1-wire setting", "clk of gpclk0"),
        gpio18=("ch0 of pwm0",),
    ),
    outlets=(
        outlet("i2c1", "i2c", sda="gpio2", scl="gpio3"),
        outlet("uart0", "uart", tx="gpio14", rx="gpio15", cts="gpio17"),
        outlet("pwm0", "pwm", ch0="gpio18"),
    ),
)

_OTHER_PINS = (gpio("P8_7", "GPIO2_2"), gpio("P8_8", "GPIO2_3"), gpio("P9_11", "GPIO0_30"))

OTHER = Board(
    id=BoardId("example,other"),
    compatible=("example,other",),
    family=Family(name="other", pwm_kind="pairs-one-period"),
    pins=_OTHER_PINS,
    lines=lines_of(_OTHER_PINS),
    outlets=(),
    default_claims=(
        DefaultClaim(by="the image's display", pins=(PinId("P8_8"),), freed_by="disable_video=1"),
    ),
)
