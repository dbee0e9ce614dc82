"""What is soldered, wire by wire: both ends, what lies between them, and the net it belongs to."""

from __future__ import annotations

from enum import Enum

from ._claim import Active, Pull
from ._ids import ClaimName, InstanceName
from ._plan import Direction
from ._units import Milliamp, Millivolt
from ._value import dataclass

BOARD_PART = "board"
"""What the board itself is called where parts are listed."""
GROUND_NET = "GND"


class Does(Enum):
    """What a pin does to its net."""

    DRIVES = "drives"
    READS = "reads"
    BOTH = "drives and reads"
    """In turn with others, or by pulling low only."""
    FEEDS = "feeds"
    """Gives current: a supply."""
    TAKES = "takes"
    """Lives on the current."""
    GROUND = "ground"
    PASSIVE = "passive"
    """A resistor's end, a plug, a contact; or nobody says."""


@dataclass(frozen=True, kw_only=True, slots=True)
class End:
    """
    One pin of one part.

    `part`: ``board`` (its pins are header positions and connectors), a carrier port, a
    controller, a supply, a component, or what a claim is fitted as. `level`: what it drives,
    or of a supply its voltage, mV; None: not known, or a contact. `limit`: the most it bears.
    """

    part: str
    pin: str
    does: Does = Does.PASSIVE
    level: Millivolt | None = None
    limit: Millivolt | None = None

    @property
    def text(self) -> str:
        """Part and pin."""
        return f"{self.part} {self.pin}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Component:
    """
    What a wire passes, or what hangs on it: a resistor, a shifter, a fuse.

    `ends`: its pins with the nets that they are on.
    """

    name: str
    kind: str
    """``resistor``, ``shifter``, ``fuse``."""
    value: str = ""
    """``1.8 kohm``, ``15 A``."""
    ends: tuple[tuple[str, End], ...] = ()


class WireKind(Enum):
    """What a wire is there for."""

    SIGNAL = "signal"
    SUPPLY = "supply"
    GROUND = "ground"
    STRAP = "strap"
    """Ties a pin of a part: its address, or the bus that it is to talk."""
    PLUG = "plug"
    """A cable with plugs: USB, a camera, sound."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Wire:
    """
    One wire of the sheet, from a part to where it goes.

    `near` is the part, `far` the other end; their nets differ where `between` (names of
    components) breaks the wire. `direction` is seen from the part. `size`: cross-section in
    hundredths of a mm2, as a manifest says it, `length_mm` likewise; None: nobody said.
    `signal`: of the claim, as its assignment names it.
    """

    instance: InstanceName | None
    """None: of the robot itself, its supplies, ports, controllers."""
    claim: ClaimName | None
    signal: str
    kind: WireKind
    near: End
    far: End
    near_net: str
    far_net: str
    between: tuple[str, ...] = ()
    direction: Direction | None = None
    level: Millivolt | None = None
    current: Milliamp | None = None
    size: int | None = None
    length_mm: int | None = None
    pull: Pull | None = None
    active: Active | None = None
    count: int = 1
    """How many parts of this kind there are, each wired so."""
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class FittedPart:
    """
    Something with pins that wires go to.

    `kind`: ``board``, ``part``, ``port``, ``controller``, ``supply``, ``switch``. `type`: part
    number or chip where somebody says it. `open_pins`: name -> what it is there for; pins that
    this robot does not say anything about.
    """

    name: str
    kind: str
    type: str = ""
    what: str = ""
    """In words: ``12 bit ADC``, ``servo``."""
    count: int = 1
    claims: tuple[str, ...] = ()
    open_pins: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Wires:
    """Every wire of a robot, the parts at their ends and the components between; sorted."""

    wires: tuple[Wire, ...] = ()
    parts: tuple[FittedPart, ...] = ()
    components: tuple[Component, ...] = ()

    def nets(self) -> dict[str, tuple[End, ...]]:
        """Return net -> the pins on it, each once, both sorted."""
        found: dict[str, dict[tuple[str, str], End]] = {}
        for wire in self.wires:
            if wire.kind is WireKind.PLUG:
                continue
            for net, end in ((wire.near_net, wire.near), (wire.far_net, wire.far)):
                found.setdefault(net, {}).setdefault((end.part, end.pin), end)
        for one in self.components:
            for net, end in one.ends:
                found.setdefault(net, {}).setdefault((end.part, end.pin), end)
        return {net: tuple(found[net][key] for key in sorted(found[net])) for net in sorted(found)}
