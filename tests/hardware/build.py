"""Short ways to say a hardware problem in tests."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from robokit_plan.edge.facts import read_board, read_parts
from robokit_plan.hardware import HardwareInstance, HardwareProblem
from robokit_plan.model import (
    Board,
    CameraClaim,
    CarrierPort,
    Choice,
    Claim,
    ClaimKey,
    ClaimName,
    Function,
    I2cClaim,
    I2sClaim,
    InstanceName,
    LineName,
    OneWireClaim,
    Origin,
    Part,
    PartName,
    PortName,
    SignalClaim,
    SpiClaim,
    UartClaim,
    VariantName,
    Wiring,
    line_name,
)

ANY = Choice(any=True)

RPI3 = "raspberrypi,3-model-b"
RPI4 = "raspberrypi,4-model-b"
RPI5 = "raspberrypi,5-model-b"


@cache
def board(name: str) -> Board:
    return read_board(name)


@cache
def parts() -> Mapping[str, Part]:
    return read_parts()


def choice(value: Any) -> Choice:
    """Return a choice from what a manifest would say: None, "any", a word or a list."""
    if value is None:
        return Choice()
    if value == "any":
        return ANY
    return Choice(options=tuple(map(str, value if isinstance(value, list) else [value])))


def key(name: str, **kwargs: Any) -> ClaimKey:
    return ClaimKey(
        name=ClaimName(name),
        origin=kwargs.pop("origin", Origin(file="manifest.yaml", line=1, column=1)),
        **kwargs,
    )


def _split(kwargs: dict[str, Any]) -> ClaimKey:
    own = {word: kwargs.pop(word) for word in ("optional", "share", "origin") if word in kwargs}
    return key(kwargs.pop("name"), **own)


def signal(name: str, function: str, gpio: Any = "any", **kwargs: Any) -> SignalClaim:
    lines = choice(gpio)
    named = Choice(any=lines.any, options=tuple(line_name(one) for one in lines.options))
    return SignalClaim(
        key=_split({"name": name, **kwargs}),
        function=Function(function),
        lines=named,
        **{word: value for word, value in kwargs.items() if word not in _KEYS},
    )


_KEYS = ("optional", "share", "origin")


def _rest(kwargs: dict[str, Any]) -> dict[str, Any]:
    return {word: value for word, value in kwargs.items() if word not in _KEYS}


def i2c(name: str, part: str | None = None, bus: Any = None, **kwargs: Any) -> I2cClaim:
    return I2cClaim(
        key=_split({"name": name, **kwargs}),
        part=None if part is None else PartName(part),
        bus=choice(bus),
        **_rest(kwargs),
    )


def spi(name: str, bus: Any = None, select: Any = None, **kwargs: Any) -> SpiClaim:
    return SpiClaim(
        key=_split({"name": name, **kwargs}),
        bus=choice(bus),
        select=choice(select),
        **_rest(kwargs),
    )


def uart(name: str, port: Any = None, **kwargs: Any) -> UartClaim:
    return UartClaim(key=_split({"name": name, **kwargs}), port=choice(port), **_rest(kwargs))


def i2s(name: str, **kwargs: Any) -> I2sClaim:
    return I2sClaim(key=_split({"name": name, **kwargs}), **_rest(kwargs))


def one_wire(name: str, gpio: Any = None, **kwargs: Any) -> OneWireClaim:
    lines = choice(gpio)
    named = Choice(any=lines.any, options=tuple(line_name(one) for one in lines.options))
    return OneWireClaim(key=_split({"name": name, **kwargs}), lines=named, **_rest(kwargs))


def camera(name: str, connector: Any = None, **kwargs: Any) -> CameraClaim:
    return CameraClaim(
        key=_split({"name": name, **kwargs}), connector=choice(connector), **_rest(kwargs)
    )


def instance(
    name: str,
    *claims: Claim,
    variants: Mapping[str, Iterable[Claim]] | None = None,
    wish: str | None = None,
) -> HardwareInstance:
    return HardwareInstance(
        name=InstanceName(name),
        plugin=name,
        claims=tuple(_placed(name, one, rank) for rank, one in enumerate(claims)),
        variants=tuple(
            (VariantName(variant), tuple(_placed(name, one, rank) for rank, one in enumerate(ones)))
            for variant, ones in (variants or {}).items()
        ),
        variant_wish=None if wish is None else VariantName(wish),
        origin=Origin(file="robot.yaml", line=5, column=3),
    )


def _placed(name: str, claim: Claim, rank: int) -> Claim:
    from dataclasses import replace

    origin = Origin(file=f"plugins/{name}/manifest.yaml", line=10 + rank, column=7)
    return replace(claim, key=replace(claim.key, origin=origin))


def wire(claim: str, **kwargs: Any) -> Wiring:
    name, _, own = claim.partition(".")
    return Wiring(
        instance=InstanceName(name),
        claim=ClaimName(own),
        origin=Origin(file="robot.yaml", line=20, column=3),
        **kwargs,
    )


def port(
    name: str, kind: str, lines: Mapping[str, str] | None = None, **kwargs: Any
) -> CarrierPort:
    return CarrierPort(
        name=PortName(name),
        kind=kind,
        lines={word: LineName(line) for word, line in (lines or {}).items()},
        origin=Origin(file="robot.yaml", line=30, column=5),
        **kwargs,
    )


def problem(name: str, *instances: HardwareInstance, **kwargs: Any) -> HardwareProblem:
    return HardwareProblem(
        board=board(name), instances=instances, parts=kwargs.pop("parts", parts()), **kwargs
    )
