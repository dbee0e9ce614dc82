"""What is still possible on a robot, as values: what is free, what could move, what fits."""

from __future__ import annotations

from collections.abc import Mapping

from ._ids import (
    BoardId,
    ClaimName,
    InstanceName,
    PluginName,
    ResourceName,
    RobotName,
    RuleName,
    VariantName,
)
from ._plan import Assignment, DebianPin, PythonPin
from ._units import Milliamp
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class FreeKind:
    """Things of one kind that nobody uses; `items` name -> where it is in words, "" if plain."""

    kind: str
    items: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class OtherPlace:
    """
    One more way to satisfy a claim, tried with the whole robot.

    `entry`: what stands behind the claim's name under `wiring` to get it. `moves`: claims of which
    each has to go elsewhere for it, with the place where it went; empty: all others stay.
    `remark`: why it is better left alone. `rewire`: the manifest does not list it, wiring may.
    """

    resource: ResourceName
    where: str = ""
    entry: str | None = None
    remark: str = ""
    rewire: bool = False
    moves: tuple[tuple[InstanceName, ClaimName, ResourceName], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class MovableClaim:
    """
    A claim with a choice of places; `now` None: it found none.

    `wired`: the robot file made the choice.
    """

    instance: InstanceName
    claim: ClaimName
    section: str
    now: ResourceName | None
    where: str = ""
    wired: bool = False
    others: tuple[OtherPlace, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class OtherVariant:
    """Variants of an instance, besides the planned one, with which the whole robot fits."""

    instance: InstanceName
    now: VariantName
    others: tuple[VariantName, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Clash:
    """Plugins that cannot all be enabled although any fewer of them can, and why."""

    instances: tuple[InstanceName, ...]
    rule: RuleName
    message: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Together:
    """
    Sets of plugins that go together and that no further plugin could join.

    Shape:
        `instances` all that were looked at; `sets` the largest first, then by name, each sorted;
        `clashes` sorted by members; `nowhere` instance -> why it can be in no set; `alike`
        groups whose members may stand for each other: what is told of one holds of all.
        `more`: there are further sets behind `limit`. `stopped`: the effort ran out; the sets are
        good ones, and there may be others and larger ones. `software` False: only behaviour and
        hardware were asked.
    """

    instances: tuple[InstanceName, ...]
    sets: tuple[tuple[InstanceName, ...], ...]
    clashes: tuple[Clash, ...] = ()
    nowhere: tuple[Clash, ...] = ()
    alike: tuple[tuple[InstanceName, ...], ...] = ()
    limit: int
    more: bool = False
    stopped: bool = False
    software: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Cost:
    """
    What one more plugin would bring.

    Shape:
        `against` rule and message of each error that it causes, empty: it fits. `assignments`
        what it takes; `moved` claims of others: before, after. `python`, `debian` what is
        installed besides; None: software was not asked, or has no answer with it. `replaced` name
        of a distribution or package -> version before, version after. `peak` supply -> mA that
        the plugin declares; `unknown_peak` claims that draw from a supply and do not say how much.
    """

    instance: InstanceName
    plugin: PluginName
    against: tuple[tuple[RuleName, str], ...] = ()
    assignments: tuple[Assignment, ...] = ()
    moved: tuple[tuple[Assignment, Assignment | None], ...] = ()
    python: tuple[PythonPin, ...] | None = None
    debian: tuple[DebianPin, ...] | None = None
    replaced: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    peak: Mapping[str, Milliamp] = field(default_factory=dict)
    unknown_peak: tuple[ClaimName, ...] = ()
    hazards: tuple[str, ...] = ()
    """Words of `Hazard` that its claims bear."""

    @property
    def fits(self) -> bool:
        """Whether nothing stands against it."""
        return not self.against

    @property
    def fetched(self) -> int | None:
        """Bytes to fetch besides; None: not known."""
        if self.python is None:
            return None
        sizes = [one.file.size or 0 for one in self.python]
        return sum(sizes) + sum(one.size for one in self.debian or ())


@dataclass(frozen=True, kw_only=True, slots=True)
class Suggestions:
    """Everything that `suggest` says; `claim` limits it to that claim's other places."""

    robot: RobotName
    profile: str | None
    board: BoardId
    claim: str | None = None
    free: tuple[FreeKind, ...] = ()
    movable: tuple[MovableClaim, ...] = ()
    variants: tuple[OtherVariant, ...] = ()
    together: Together | None = None
    costs: tuple[Cost, ...] = ()
    unplaced: tuple[tuple[InstanceName, ClaimName], ...] = ()
    """Claims of the robot as it stands that found no place: the rest is told without them."""
