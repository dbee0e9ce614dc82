"""Sourced facts about services and groups of a running machine."""

from __future__ import annotations

from collections.abc import Mapping

from ._value import dataclass, field

RIGHTS: Mapping[str, tuple[str, ...]] = {
    "power-off": ("org.freedesktop.login1.power-off",),
    "restart": ("org.freedesktop.login1.reboot",),
    "reboot": ("org.freedesktop.login1.reboot",),
}
"""
Word of `machine.permissions` -> the actions that the script grants.

Source:
    logind's actions: org.freedesktop.login1(5).
"""


@dataclass(frozen=True, kw_only=True, slots=True)
class PortGrabber:
    """
    A service that opens serial ports of USB devices by itself.

    `ids` USB ids that it takes, empty: every one. `does`: what happens to the port, in words.
    """

    service: str
    ids: tuple[str, ...] = ()
    does: str
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupFact:
    """What a group needs of udev on `images`, so that being a member opens something."""

    group: str
    images: tuple[str, ...]
    rules: tuple[str, ...]
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class RunTimeClash:
    """
    Packages that install together and then get in each other's way, or that a board cannot use.

    Shape:
        `sides` of which one may be there, each a set of (kind, name), kind ``python`` or
        ``debian``; with one side alone it may not be there at all. `boards`: only on these,
        empty: on all. `instead`: distribution -> one that does the same without the clash.
    """

    what: str
    sides: tuple[frozenset[tuple[str, str]], ...]
    boards: frozenset[str] = frozenset()
    instead: Mapping[str, str] = field(default_factory=dict)
    why: str
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineNames:
    """
    Which names of a machine there are; empty where no plugin speaks of that kind.

    Shape:
        `units` unit of systemd -> the packages of the release that bring it; `modules` of Debian's
        kernel of the release, hyphens as underscores; `groups` that every card of the image has;
        `made_groups` group -> packages that make it.
    """

    units: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    modules: frozenset[str] = frozenset()
    groups: frozenset[str] = frozenset()
    made_groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineFacts:
    """All of them; `serial_ids` USB ids of devices that appear as a serial port."""

    serial_ids: frozenset[str] = frozenset()
    grabbers: tuple[PortGrabber, ...] = ()
    groups: tuple[GroupFact, ...] = ()
    system_memory_mb: int = 0
    """In use before any plugin runs."""
    system_card_mb: Mapping[tuple[str, str], int] = field(default_factory=dict)
    """(release, image) -> what a fresh card holds at the least."""
    card_reserve_percent: int = 0
    """Of a card, kept back by its file system."""
    clashes: tuple[RunTimeClash, ...] = ()
