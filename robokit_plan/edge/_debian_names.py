"""What is known about names that an archive does not have, and known names that are near."""

from __future__ import annotations

import re
from collections.abc import Iterable

from robokit_plan.model import DebianName, DebianNameFact, distance

from ._cached_yaml import DATA, read_data_file
from ._debian_index import PackagesIndex

_MOST = 3


def read_name_facts() -> dict[DebianName, tuple[DebianNameFact, ...]]:
    """Return renamed, gone and vendor-only names, from data/debian/names.yaml."""
    data = read_data_file(DATA / "debian" / "names.yaml")
    facts: dict[DebianName, tuple[DebianNameFact, ...]] = {}
    for entry in data["names"]:
        for word in entry["names"]:
            name = DebianName(word)
            fact = DebianNameFact(
                name=name,
                kind=entry["kind"],
                releases=tuple(entry.get("releases", ())),
                architectures=tuple(entry.get("architectures", ())),
                instead=tuple(one.replace("*", word) for one in entry.get("instead", ())),
                note=entry.get("note", ""),
                source=entry["source"],
            )
            facts[name] = (*facts.get(name, ()), fact)
    return facts


def near_names(name: DebianName, indices: Iterable[PackagesIndex]) -> tuple[DebianName, ...]:
    """
    Return up to three names of the archive that *name* may be meant for, the nearest first.

    Slips of the finger, another number in a library's name, and the spelling ``python3-NAME``.
    """
    same = {f"python3-{name}", f"{name}t64", f"python3-{name.removeprefix('python-')}"}
    stem = _stem(name)
    known = {
        one
        for index in indices
        for one in index.read_names_like(name, sorted(same), libraries=bool(stem))
    }
    found: list[tuple[int, str]] = []
    for other in known:
        if other in same:
            found.append((0, other))
        elif stem and _stem(other) == stem:
            found.append((1, other))
        elif abs(len(other) - len(name)) <= 2 and (
            other[:2] == name[:2] or other[-4:] == name[-4:]
        ):
            far = distance(name, other, 2)
            if far <= (1 if len(name) <= 5 else 2):
                found.append((far + 1, other))
    return tuple(DebianName(one) for _, one in sorted(found)[:_MOST])


def _stem(name: str) -> str:
    """Return a library's name without what changes with its interface number."""
    if not name.startswith("lib"):
        return ""
    return re.sub(r"(-?\d[\d.]*)?(t64|v5|c2a)?$", "", name) if re.search(r"\d", name) else ""
