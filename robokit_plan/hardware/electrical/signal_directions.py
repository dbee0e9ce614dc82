"""What a person who solders wants to know of a wire: which way it goes, its level, its current."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from robokit_plan.model import (
    Assignment,
    BlockClaim,
    Claim,
    ClaimName,
    Direction,
    Function,
    I2cClaim,
    I2sClaim,
    InstanceName,
    LineUse,
    Milliamp,
    Millivolt,
    OneWireClaim,
    SignalClaim,
    SpiClaim,
    UartClaim,
    replace,
)

Claims = Mapping[tuple[InstanceName, ClaimName], Claim]

_READ = frozenset({Function.INPUT, Function.IR_IN, Function.ANALOG})
_BUS: Mapping[str, Direction] = {
    # From the board's side; the clock of I2C is held low by slow devices too, yet driven by it.
    "sda": Direction.BOTH,
    "scl": Direction.OUT,
    "sclk": Direction.OUT,
    "mosi": Direction.OUT,
    "miso": Direction.IN,
    "cs": Direction.OUT,
    "tx": Direction.OUT,
    "rx": Direction.IN,
    "rts": Direction.OUT,
    "cts": Direction.IN,
    "din": Direction.IN,
    "dout": Direction.OUT,
}
_CLOCKS = frozenset({"clk", "fs", "sclk", "lrclk", "bclk", "mclk"})


def with_ends(assignments: Iterable[Assignment], claims: Claims) -> tuple[Assignment, ...]:
    """
    Return *assignments* with the direction of every line, and the level and current of their ends.

    Directions are seen from the board, or from the companion whose pin it is; None where nobody
    said. Level and current are what the manifest says of the other side.
    """
    return tuple(_with_ends(one, claims.get((one.instance, one.claim))) for one in assignments)


def _with_ends(one: Assignment, claim: Claim | None) -> Assignment:
    level: Millivolt | None = None
    current: Milliamp | None = None
    converter = ""
    match claim:
        case SignalClaim():
            level, current = claim.volts, claim.current
            converter = _converter(claim)
        case UartClaim():
            level, converter = claim.volts, _converter(claim)
        case I2cClaim() | SpiClaim() | I2sClaim() | OneWireClaim():
            level = claim.volts
        case _:
            pass
    return replace(
        one,
        lines=tuple(replace(use, direction=_direction(one, use, claim)) for use in one.lines),
        level=level,
        current=current,
        converter=converter,
    )


def _converter(claim: SignalClaim | UartClaim) -> str:
    if claim.divider_ohm is not None:
        return f"divider {claim.divider_ohm[0]}/{claim.divider_ohm[1]} ohm"
    return "shifter" if claim.shifter else ""


def _direction(one: Assignment, use: LineUse, claim: Claim | None) -> Direction | None:
    if one.function == "inhibit":
        return Direction.IN
    match claim:
        case SignalClaim(function=function):
            own = use.signal == one.claim
            if own:
                return Direction.IN if function in _READ else Direction.OUT
            return _BUS.get(use.signal)
        case OneWireClaim():
            return Direction.BOTH
        case I2sClaim(direction="in") if use.signal == "dout":
            return None  # the block takes the line, and nothing goes there
        case I2sClaim(direction="out") if use.signal == "din":
            return None
        case I2sClaim(clock=clock) if use.signal in _CLOCKS:
            return Direction.OUT if clock == "board" else Direction.IN
        case BlockClaim():
            return None
        case _:
            return _BUS.get(use.signal)
