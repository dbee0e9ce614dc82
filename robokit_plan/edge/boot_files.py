"""The files that a boot file includes, within the card's boot folder."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from robokit_plan.formats.unreadable import UnreadableFile

from .files import find_inside, read_text

_INCLUDE = re.compile(r"^[ \t]*include[ \t]+([^\s#]+)[ \t]*(?:#.*)?$", re.MULTILINE)
_MOST = 32
"""So many files are followed; no card has a tenth of it."""


def included_files(root: Path, name: str) -> Mapping[str, str]:
    """
    Return what the boot file *name* below *root* includes: name as written -> text.

    Names are meant from the folder of the boot file, whoever includes them. What lies outside of
    it, or cannot be read, is left out.
    """
    folder = PurePosixPath(name).parent
    try:
        waiting = _INCLUDE.findall(read_text(root / name, name))
    except UnreadableFile:
        return {}
    found: dict[str, str] = {}
    while waiting and len(found) < _MOST:
        one = waiting.pop(0)
        path = find_inside(root / folder, one)
        if one in found or path is None:
            continue
        try:
            found[one] = read_text(path, str(folder / one))
        except UnreadableFile:
            continue
        waiting.extend(_INCLUDE.findall(found[one]))
    return found
