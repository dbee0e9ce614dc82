"""A dpkg status file as the base card."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import DebianName, DebianPackage, Origin, replace

from ._debian_index import fields_of, package_of, stanzas
from .ordinary import read_bytes

_LIMIT = 64_000_000
_PLAIN = "install ok installed"
_ABSENT = {"not-installed", "config-files"}
"""Last words of a status (dpkg(1)) with which nothing of a package is unpacked."""


class Base(NamedTuple):
    """What a card carries: packages of its architecture, and names that only others have."""

    packages: dict[DebianName, DebianPackage]
    foreign: frozenset[DebianName]


def read_status_file(root: Path, relative: str, architecture: str, place: Origin) -> Base:
    """
    Return the packages of a status file (dpkg(1), ``/var/lib/dpkg/status``) that are on the disk.

    As apt counts them: unpacked and half configured ones too, whose `status` says so.

    Args:
        root: The robot's folder; *relative* must stay inside.
        architecture: Of the card; of packages of others only the name is kept.

    Raises:
        UnreadableFile: It is absent, no status file, or of another machine type.
    """
    here = Origin(file=relative)
    path = (root / relative).resolve()
    if Path(relative).is_absolute() or not path.is_relative_to(root.resolve()):
        raise UnreadableFile.at(
            place,
            f"{relative} lies outside the robot's folder",
            f"cp {path.name} beside robot.yaml",
        )
    try:
        raw = read_bytes(path, _LIMIT)
    except OSError as error:
        raise UnreadableFile.at(
            here,
            (error.strerror or "no access").lower(),
            f"scp ROBOT:/var/lib/dpkg/status {relative}",
        ) from None
    found: dict[DebianName, DebianPackage] = {}
    foreign: set[DebianName] = set()
    for stanza in stanzas([raw]):
        fields = fields_of(stanza)
        name = DebianName(fields.get("Package", ""))
        status = " ".join(fields.get("Status", "").split())
        if not name or not status or status.rpartition(" ")[2] in _ABSENT:
            continue
        if fields.get("Architecture") not in {architecture, "all"}:
            foreign.add(name)
            continue
        package = package_of(name, fields, suite="base")
        found[name] = package if status == _PLAIN else replace(package, status=status)
    if not found:
        why = (
            f"its packages are of another machine type than {architecture}"
            if foreign
            else "it lists no installed package"
        )
        raise UnreadableFile.at(here, why, f"scp ROBOT:/var/lib/dpkg/status {relative}")
    return Base({name: found[name] for name in sorted(found)}, frozenset(foreign - found.keys()))
