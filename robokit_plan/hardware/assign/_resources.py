"""What can be claimed, and when two uses of it go together."""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

from robokit_plan.model import BusName, ControllerName, LineName, PortName, dataclass


class Kind(IntEnum):
    """
    Kinds of resources; the order is that in which a contested one is named.

    Two devices that want one UART also want its lines: the UART is what a builder would name.
    """

    USB = 0
    CAMERA = 1
    AUDIO = 2
    PORT = 3
    UART = 4
    ADDRESS = 5
    SELECT = 6
    BUS = 7
    I2S = 8
    LINE = 9
    POSITION = 10
    PIN = 11
    CHANNEL = 12
    CLOCK = 13
    BLOCK = 14
    PERIOD = 15
    SHARE = 16
    MUX = 17
    VARIANT = 18


class Resource(NamedTuple):
    """One thing that can be claimed; `name` tells it within its kind, `part` within that."""

    kind: Kind
    name: str
    part: str = ""

    @property
    def text(self) -> str:
        """The resource as a person calls it."""
        match self.kind:
            case Kind.ADDRESS:
                return f"{self.name} {self.part}"
            case Kind.SELECT:
                return f"{self.name} select {self.part}"
            case Kind.CHANNEL:
                return channel_text(self.name, self.part)
            case Kind.BLOCK | Kind.PERIOD:
                return f"{self.name} {self.kind.name.lower()}"
            case Kind.CAMERA | Kind.AUDIO | Kind.PORT | Kind.POSITION | Kind.SHARE:
                return f"{self.kind.name.lower()} {self.name}"
            case Kind.USB:
                return f"usb {self.name}"
            case Kind.PIN:
                return f"{self.name} pin {self.part}"
            case _:
                return self.name


def channel_text(block: str, signal: str) -> str:
    """
    Return a PWM channel in words.

    >>> channel_text("pwm0", "ch1"), channel_text("ehrpwm1", "a"), channel_text("pwm14", "out")
    ('pwm0 channel 1', 'ehrpwm1 a', 'pwm14')
    """
    if signal.startswith("ch"):
        return f"{block} channel {signal[2:]}"
    return block if signal == "out" else f"{block} {signal}"


Keys = frozenset[str]
ALONE: Keys = frozenset()


class Use(NamedTuple):
    """
    A wish to use `resource`; two uses go together only if their keys meet.

    No keys: alone. A bus line carries the name of its bus, so devices of one bus share it.
    """

    resource: Resource
    keys: Keys = ALONE


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """One line that a candidate takes, under the bus's own word; empty: the claim's name."""

    word: str
    line: LineName
    shared: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """
    One way to satisfy one claim.

    `option`: rank among the choices that the claim lists, 0 the most wanted. `cost`: what it
    spoils for others, 0 nothing. `active` False: the claim is not made (optional claims and those
    of other variants). `also`: I2C addresses that the part takes besides. `pins`: signal and pin
    of a companion's block. `besides`: lines that its boot `setting` takes although it needs them
    not.
    """

    uses: tuple[Use, ...]
    resource: str
    signals: tuple[Signal, ...] = ()
    bus: BusName | None = None
    address: int | None = None
    select: int | None = None
    channel: str | None = None
    route: str | None = None
    port: PortName | None = None
    controller: ControllerName | None = None
    pin: str | None = None
    pins: tuple[tuple[str, str], ...] = ()
    device: str | None = None
    function: str = ""
    option: int = 0
    cost: int = 0
    also: tuple[Use, ...] = ()
    active: bool = True
    via: str = ""
    setting: str = ""
    besides: tuple[LineName, ...] = ()
