"""Facts about services and groups, as typed values, and keys of declared archives."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

from robokit_plan.model import (
    GroupFact,
    MachineFacts,
    MachineNames,
    MachineNeeds,
    PortGrabber,
    Robot,
    RunTimeClash,
)

from ._cached_yaml import DATA, read_data_file
from .files import find_inside
from .ordinary import read_bytes

_MAX_KEY = 1_000_000


@cache
def read_machine_facts() -> MachineFacts:
    """Return what ``data/machine`` holds."""
    serial = read_data_file(DATA / "machine" / "serial.yaml")
    groups = read_data_file(DATA / "machine" / "groups.yaml")["groups"]
    capacity = read_data_file(DATA / "machine" / "capacity.yaml")
    return MachineFacts(
        serial_ids=frozenset(one for entry in serial["serial-devices"] for one in entry["ids"]),
        grabbers=tuple(
            PortGrabber(
                service=one["service"],
                ids=tuple(one.get("ids", ())),
                does=one["does"],
                source=one["source"],
            )
            for one in serial["grabbers"]
        ),
        groups=tuple(
            GroupFact(
                group=one["group"],
                images=tuple(one["images"]),
                rules=tuple(one["rules"]),
                source=one["source"],
            )
            for one in groups
        ),
        system_memory_mb=capacity["memory-mb"]["value"],
        system_card_mb={
            (one["release"], one["image"]): one["value"] for one in capacity["card-mb"]
        },
        card_reserve_percent=capacity["card-reserve-percent"]["value"],
        clashes=tuple(
            RunTimeClash(
                what=one["what"],
                sides=tuple(
                    frozenset((kind, name) for kind, names in side.items() for name in names)
                    for side in one["sides"]
                ),
                boards=frozenset(one.get("boards", ())),
                instead=one.get("instead", {}),
                why=one["why"],
                source=one["source"],
            )
            for one in read_data_file(DATA / "machine" / "clashes.yaml")["clashes"]
        ),
    )


def read_source_keys(robot: Robot, root: Path) -> Mapping[str, str]:
    """Return declared archive -> its key file in base64; without those that packages install."""
    keys = {}
    for source in robot.system.sources:
        path = find_inside(root, source.signed_by or "")
        if path is None:
            continue
        try:
            content = read_bytes(path, _MAX_KEY)
        except OSError:
            continue  # one that is missing or no file is told where the archive is read
        keys[source.name] = base64.b64encode(content).decode()
    return keys


def read_machine_names(release: str, image: str, needs: Iterable[MachineNeeds]) -> MachineNames:
    """
    Return the names that a machine of *release* may know, as far as *needs* speak of their kind.

    The lists are long, and most robots start no unit and load no module.
    """
    asked = tuple(needs)
    units: dict[str, tuple[str, ...]] = {}
    if any(one.start or one.stop for one in asked):
        for name, found in read_data_file(DATA / "debian" / "units.yaml")["units"].items():
            packages = found.get(release, ()) if isinstance(found, dict) else found
            if packages:
                units[name] = tuple(packages)
    modules: frozenset[str] = frozenset()
    if any(one.load or one.block for one in asked):
        lists = read_data_file(DATA / "debian" / "kernel_modules.yaml")["modules"]
        modules = frozenset(lists.get(release, "").split())
    groups: frozenset[str] = frozenset()
    made: dict[str, tuple[str, ...]] = {}
    if any(one.groups for one in asked):
        data = read_data_file(DATA / "machine" / "groups.yaml")
        known = data["known"]
        groups = frozenset((*known["base"], *known["systemd"]))
        if image != "debian":
            groups |= frozenset(known["vendor"])
        groups |= {one["group"] for one in data["groups"]}
        made = {name: tuple(found) for name, found in known["packages"].items()}
    return MachineNames(units=units, modules=modules, groups=groups, made_groups=made)
