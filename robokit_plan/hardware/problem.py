"""What the assignment engine is asked and what it answers."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Protocol

from robokit_plan.model import (
    Assignment,
    Board,
    BootVocabulary,
    BusName,
    CarrierPort,
    Claim,
    ClaimName,
    Controller,
    ControllerName,
    Finding,
    InstanceName,
    LineName,
    Millivolt,
    Origin,
    Part,
    RoleName,
    Supply,
    SupplyName,
    VariantName,
    Wiring,
    dataclass,
    field,
    part_key,
)

ClaimKeyPair = tuple[InstanceName, ClaimName]
"""A claim of one instance."""


@dataclass(frozen=True, kw_only=True, slots=True)
class HardwareInstance:
    """
    One enabled plugin as far as hardware is concerned.

    Shape:
        `claims` of the manifest itself; `variants` in the manifest's order of preference, each
        with the claims that it adds; `variant_wish` the robot file's choice.
    """

    name: InstanceName
    plugin: str
    claims: tuple[Claim, ...] = ()
    variants: tuple[tuple[VariantName, tuple[Claim, ...]], ...] = ()
    variant_wish: VariantName | None = None
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class BootClaim:
    """
    Lines and controllers that a given boot setting or the stock image takes.

    Shape:
        `lines`: line -> the bus that it carries, None for anything else; a claim of the same bus
        may use it too. `buses` are owned whole (``pcm``, ``pwm1``); `channels` are PWM channels
        as (block, signal); `addresses` and `selects` are those of devices that it brings. What it
        `serves`, a bus or function as `BootEnable.bus` calls it or ``part NAME``, may have all
        of this.
    """

    by: str
    lines: Mapping[LineName, BusName | None] = field(default_factory=dict)
    buses: tuple[BusName, ...] = ()
    channels: tuple[tuple[BusName, str], ...] = ()
    addresses: tuple[tuple[BusName, int], ...] = ()
    selects: tuple[tuple[BusName, int], ...] = ()
    serves: tuple[str, ...] = ()
    origin: Origin | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Chip:
    """
    The pins of a controller's chip.

    Shape:
        `pins` in the order of its documents; `functions` pin -> words of `Function` that it can
        do, a missing pin can do `input`, `output`, `servo`; `special` pin -> why it is better
        kept free; `reserved` pins that are not among `pins` -> what they serve; `aliases` other
        names of a pin; `outlets` pin -> bus and signal that come out there; `matrix`: any bus
        comes out at any pin.
    """

    name: str
    pins: tuple[str, ...]
    functions: Mapping[str, frozenset[str]] = field(default_factory=dict)
    special: Mapping[str, str] = field(default_factory=dict)
    reserved: Mapping[str, str] = field(default_factory=dict)
    aliases: Mapping[str, str] = field(default_factory=dict)
    outlets: Mapping[str, frozenset[tuple[str, str]]] = field(default_factory=dict)
    matrix: bool = False

    def own_name(self, pin: str) -> str:
        """Return what the chip's documents call *pin*; *pin* itself where they know none."""
        if pin in self.pins:
            return pin
        wanted = pin.casefold()
        names = {one.casefold(): real for one, real in self.aliases.items()}
        names.update({one.casefold(): one for one in (*self.pins, *self.reserved)})
        return names.get(wanted, pin)


@dataclass(frozen=True, kw_only=True, slots=True)
class HardwareProblem:
    """
    Everything that the assignment depends on.

    Shape:
        `parts` keyed by `part_key`; `roles` role -> name of a supply or controller, an unbound
        role binds to its own name; `chips` keyed by `part_key`, absent where not known;
        `locked` what the lock file holds; `boot` how this image is told things, None where
        nobody knows; `boot_claims` what a given boot file takes; `freed` words of
        `DefaultClaim.by` that it releases, and ``bluetooth``; `ruled_out` variants that software
        refused.
    """

    board: Board
    instances: tuple[HardwareInstance, ...]
    parts: Mapping[str, Part] = field(default_factory=dict)
    wiring: tuple[Wiring, ...] = ()
    roles: Mapping[RoleName, str] = field(default_factory=dict)
    ports: tuple[CarrierPort, ...] = ()
    controllers: Mapping[ControllerName, Controller] = field(default_factory=dict)
    chips: Mapping[str, Chip] = field(default_factory=dict)
    supplies: Mapping[SupplyName, Supply] = field(default_factory=dict)
    locked: Mapping[ClaimKeyPair, Assignment] = field(default_factory=dict)
    locked_variants: Mapping[InstanceName, VariantName | None] = field(default_factory=dict)
    boot: BootVocabulary | None = None
    release: str = ""
    boot_claims: tuple[BootClaim, ...] = ()
    freed: frozenset[str] = frozenset()
    measured: Mapping[LineName, Millivolt] = field(default_factory=dict)
    ruled_out: frozenset[tuple[InstanceName, VariantName]] = frozenset()

    def chip_of(self, controller: Controller) -> Chip | None:
        """Return the pins of the chip of *controller*; None where there are no facts about it."""
        return self.chips.get(part_key(controller.chip))


@dataclass(frozen=True, kw_only=True, slots=True)
class Free:
    """
    What is still to be had after the assignment, by kind.

    Shape:
        `lines` plain lines in header order; `channels` PWM ``pwm0 channel 1`` -> lines on which
        it can come out; `selects` bus -> chip select numbers; `uarts`, `i2c` instances whose
        lines are free or already the bus's own; `ports` kind -> names with room; `cameras`.
    """

    lines: tuple[LineName, ...] = ()
    channels: Mapping[str, tuple[LineName, ...]] = field(default_factory=dict)
    i2c: tuple[BusName, ...] = ()
    selects: Mapping[BusName, tuple[int, ...]] = field(default_factory=dict)
    uarts: tuple[BusName, ...] = ()
    i2s: tuple[BusName, ...] = ()
    clocks: tuple[BusName, ...] = ()
    cameras: tuple[str, ...] = ()
    ports: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class HardwareAnswer:
    """
    The assignment, whole or, where `findings` hold errors, of all claims that still fit.

    Shape:
        `assignments` sorted by instance, section, claim; `links` what controllers take on the
        board, with the controller's name in place of the instance; `variants` every instance ->
        its variant; `conflicts` each an irreducible set of claims that cannot go together;
        `moves` claim of an error that was judged -> `wiring` entries with which it is gone.
    """

    assignments: tuple[Assignment, ...]
    variants: Mapping[InstanceName, VariantName | None]
    findings: tuple[Finding, ...] = ()
    links: tuple[Assignment, ...] = ()
    conflicts: tuple[tuple[ClaimKeyPair, ...], ...] = ()
    left_out: tuple[ClaimKeyPair, ...] = ()
    free: Free = Free()
    moves: Mapping[ClaimKeyPair, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class JudgedError:
    """
    One error of an assignment.

    `claims`: those that it names, links of controllers with them; empty where it names none.
    """

    rule: str
    resource: str
    claims: frozenset[ClaimKeyPair]


class Judge(Protocol):
    """
    Says what is wrong with an assignment; pure.

    What is an error among some claims stays one when more are placed beside them.
    """

    @property
    def unpublished(self) -> frozenset[str]:
        """
        Rules about what nobody published, rather than about what is wrong.

        Where such an error is one at each place of a claim, nothing gives way for it: no claim is
        left out, no variant changed.
        """

    def errors(
        self,
        assignments: Sequence[Assignment],
        variants: Mapping[InstanceName, VariantName | None],
        only: frozenset[ClaimKeyPair] | None = None,
        rule: str | None = None,
    ) -> Sequence[JudgedError]:
        """
        Return the errors of *assignments*, claims and links of controllers alike.

        Args:
            assignments: What is placed; other claims of the variants take nothing.
            variants: Instance -> its variant.
            only: Looks at these claims as if there were no others; None: at all of them.
            rule: Errors of other rules may be missing; None: none is.
        """

    def alone(
        self, key: ClaimKeyPair, claim: Claim | None, places: Sequence[Assignment]
    ) -> Sequence[frozenset[str]]:
        """
        Return, for each of *places* of *claim*, the rules of the errors that it makes there alone.

        Those of `errors` with *key* as the only claim, and not those that it makes without a
        place. *claim* None: the link of a controller.
        """

    def aspect(self, rule: str, placed: Assignment) -> Hashable:
        """
        Return that of *placed* on which an error of *rule* rests.

        Places of one claim that agree in it are the same to the rule, whatever stands beside.
        None: nothing less than the whole place is known to decide.
        """
