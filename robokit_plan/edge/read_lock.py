"""Opens lock files; `formats.lock` reads them."""

from __future__ import annotations

from pathlib import Path

from robokit_plan.formats.lock import parse_lock, put_aside
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Origin, Plan

from .ordinary import read_bytes

MAX_BYTES = 16_000_000
"""Of a lock file; a large robot needs less than a tenth."""


def read_lock(path: Path) -> Plan:
    """
    Return the plan in the lock file at *path*.

    Raises:
        UnreadableFile: No such file, no right to read it, too large, or no UTF-8.
        LockError: It is no lock file of this tool, or one of a newer format.
    """
    place = Origin(file=path.name)
    repair = put_aside(path.name) if path.exists() else "robokit-plan lock"
    try:
        raw = read_bytes(path, MAX_BYTES)
    except OSError as error:
        raise UnreadableFile.at(
            place, (error.strerror or "cannot be read").lower(), repair
        ) from error
    try:
        text = raw.decode()
    except UnicodeDecodeError as error:
        raise UnreadableFile.at(place, f"it is not UTF-8 at byte {error.start}", repair) from error
    return parse_lock(text, file=path.name)
