"""How much of a plan is fetched and how much of it lies on the card, and for whom."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from ._ids import InstanceName
from ._plan import Plan, PythonPin
from ._value import dataclass

_UNPACKED = 4
"""A file once installed, in sizes of the file, where no index says; common practice, no source."""


_BUILT = 10
"""Room for a build meanwhile, in sizes of its sdist, where nothing is known; common practice."""


class ItemKind(Enum):
    """Where something that is installed comes from; the value is what a person calls it."""

    PYTHON = "Python"
    DEBIAN = "Debian"
    BUILD = "to build"
    """Debian packages and distributions that only builds on the board need."""
    ASSETS = "assets"


@dataclass(frozen=True, kw_only=True, slots=True)
class SizedItem:
    """
    One thing that is fetched: `fetch` bytes of it, `card` bytes of the card once it is installed.

    `wanted_by` sorted instances, nobody's where it is the base that moves. `passing`: it lies on
    the card only while something is built.
    """

    kind: ItemKind
    name: str
    fetch: int
    card: int
    wanted_by: tuple[InstanceName, ...] = ()
    passing: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class InstanceSize:
    """
    What one plugin brings: `own` goes when it alone is disabled, `shared` stays for others.

    Bytes; what lies on the card only for a build counts to what is fetched.
    """

    instance: InstanceName
    own_fetch: int
    own_card: int
    shared_fetch: int
    shared_card: int


def _installed_bytes(pin: PythonPin) -> int:
    """Return how much of the card *pin* takes, guessed from its file where no index says."""
    return (pin.file.size or 0) * _UNPACKED if pin.installed_size is None else pin.installed_size


def sized_items(plan: Plan) -> tuple[SizedItem, ...]:
    """Return everything that *plan* fetches, by kind and name."""
    build = frozenset(plan.debian_build)
    found = [
        *(
            SizedItem(
                kind=ItemKind.BUILD if pin.name in build else ItemKind.DEBIAN,
                name=pin.name,
                fetch=pin.size,
                card=pin.installed_size,
                wanted_by=pin.wanted_by,
            )
            for pin in plan.debian
        ),
        *(
            SizedItem(
                kind=kind,
                name=pin.name,
                fetch=pin.file.size or 0,
                card=_installed_bytes(pin),
                wanted_by=pin.wanted_by,
                passing=kind is ItemKind.BUILD,
            )
            for kind, pins in ((ItemKind.PYTHON, plan.python), (ItemKind.BUILD, plan.build))
            for pin in pins
        ),
        *(
            SizedItem(
                kind=ItemKind.ASSETS,
                name=f"{one.instance}/{one.path}",
                fetch=one.size or 0,
                card=one.size or 0,
                wanted_by=(one.instance,),
            )
            for one in plan.machine.assets
        ),
    ]
    order = list(ItemKind)
    return tuple(sorted(found, key=lambda one: (order.index(one.kind), one.name)))


def fetched_bytes(items: Iterable[SizedItem]) -> int:
    """Return how much has to be fetched for *items*."""
    return sum(one.fetch for one in items)


def building_bytes(plan: Plan) -> int:
    """Return how much of the card builds take while they run: one runs at a time."""
    return max(
        (
            plan.build_room[pin.name] * 10**6
            if pin.name in plan.build_room
            else (pin.file.size or 0) * _BUILT
            for pin in (*plan.python, *plan.build)
            if not pin.is_wheel
        ),
        default=0,
    )


def most_bytes(plan: Plan, items: Iterable[SizedItem]) -> int:
    """Return how much of the card *plan* takes at the most while its *items* are installed."""
    listed = tuple(items)
    return sum(one.card + one.fetch for one in listed) + building_bytes(plan)


def card_bytes(items: Iterable[SizedItem]) -> int:
    """Return how much of the card *items* take for good."""
    return sum(one.card for one in items if not one.passing)


def instance_sizes(plan: Plan) -> tuple[InstanceSize, ...]:
    """Return what each instance of *plan* brings, in the plan's order."""
    items = sized_items(plan)

    def size_of(name: InstanceName) -> InstanceSize:
        own = [one for one in items if one.wanted_by == (name,)]
        shared = [one for one in items if name in one.wanted_by and len(one.wanted_by) > 1]
        return InstanceSize(
            instance=name,
            own_fetch=fetched_bytes(own),
            own_card=card_bytes(own),
            shared_fetch=fetched_bytes(shared),
            shared_card=card_bytes(shared),
        )

    return tuple(size_of(one.name) for one in plan.instances)
