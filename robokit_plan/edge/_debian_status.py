"""A dpkg status file as the base card."""

from __future__ import annotations

from pathlib import Path

from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import DebianName, DebianPackage, Origin

from ._debian_index import fields_of, package_of, stanzas
from .ordinary import read_bytes

_LIMIT = 64_000_000


def read_status_file(
    root: Path, relative: str, architecture: str, place: Origin
) -> dict[DebianName, DebianPackage]:
    """
    Return the installed packages of a status file (dpkg(1), ``/var/lib/dpkg/status``).

    Args:
        root: The robot's folder; *relative* must stay inside.
        architecture: Of the card; packages of others are left out.

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
    others = 0
    for stanza in stanzas([raw]):
        fields = fields_of(stanza)
        name = fields.get("Package", "")
        if not name or not fields.get("Status", "").endswith(" installed"):
            continue
        if fields.get("Architecture") not in {architecture, "all"}:
            others += 1
            continue
        found[DebianName(name)] = package_of(name, fields, suite="base")
    if not found:
        why = (
            f"its packages are of another machine type than {architecture}"
            if others
            else "it lists no installed package"
        )
        raise UnreadableFile.at(here, why, f"scp ROBOT:/var/lib/dpkg/status {relative}")
    return {name: found[name] for name in sorted(found)}
