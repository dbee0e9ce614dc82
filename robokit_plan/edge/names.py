"""
Names that a shell completes, read with as little as possible: a builder waits for them.

Nothing here is checked and nothing raises: what cannot be read has no names.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ._cached_yaml import DATA

if TYPE_CHECKING:
    from ._git_folder import GitFolder

_ENTRY = re.compile(r"^- \{?(?:rule|part): *\"?([^\"\s,}]+)", re.MULTILINE)
_RELEASE = re.compile(r"^  (debian-[0-9]+):", re.MULTILINE)


def board_names() -> list[str]:
    """Return the compatible strings of the known boards."""
    return [path.stem for path in _files("boards")]


def part_names() -> list[str]:
    """Return the known parts, as one types them."""
    return [name.lower() for name in _entries("parts")]


def rule_names() -> list[str]:
    """Return the name of every rule."""
    return list(_entries("rules"))


def release_names() -> list[str]:
    """Return the Debian releases that can be planned for."""
    text = (DATA / "debian" / "releases.yaml").read_text("utf-8")
    return _RELEASE.findall(text)


def _files(folder: str) -> list[Path]:
    return sorted((DATA / folder).glob("*.yaml"))


def _entries(folder: str) -> Iterator[str]:
    for path in _files(folder):
        yield from _ENTRY.findall(path.read_text("utf-8"))


class RobotNames(NamedTuple):
    """Names of one robot: `plugins` in reach, `enabled` instances, `profiles`, `controllers`."""

    profiles: Mapping[str, tuple[str, ...]]
    plugins: tuple[str, ...] = ()
    enabled: tuple[str, ...] = ()
    controllers: tuple[str, ...] = ()

    def switched_on(self, profile: str | None) -> tuple[str, ...]:
        """Return the instances that the profile, or the robot file itself, enables."""
        return self.enabled if profile is None else self.profiles.get(profile, ())


def robot_names(path: Path | None) -> RobotNames:
    """Return the names of the robot at *path*, or of the nearest one from here upward."""
    file = _robot_file(path)
    data = None if file is None else _map(file)
    if file is None or data is None:
        return RobotNames(profiles={})
    profiles = data.get("profiles")
    controllers = data.get("controllers")
    return RobotNames(
        plugins=tuple(_plugins(file.parent, data.get("plugin-paths"))),
        enabled=_instances(data.get("enabled")),
        profiles={
            str(name): _instances(entries)
            for name, entries in (profiles.items() if isinstance(profiles, dict) else ())
        },
        controllers=tuple(map(str, controllers)) if isinstance(controllers, dict) else (),
    )


def _robot_file(path: Path | None) -> Path | None:
    here = Path.cwd()
    wanted = [folder / "robot.yaml" for folder in (here, *here.parents)]
    if path is not None:
        wanted = [path / "robot.yaml", path]
    return next((one for one in wanted if one.is_file()), None)


def _map(file: Path) -> dict[Any, Any] | None:
    import yaml

    with suppress(OSError, UnicodeError, ValueError, RecursionError, yaml.YAMLError):
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        data = yaml.load(file.read_text("utf-8"), Loader=loader)  # noqa: S506  a safe loader
        return data if isinstance(data, dict) else None
    return None


def _instances(entries: Any) -> tuple[str, ...]:
    found = []
    for entry in entries if isinstance(entries, list) else ():
        name = entry.get("as", entry.get("plugin")) if isinstance(entry, dict) else entry
        if isinstance(name, str):
            found.append(name)
    return tuple(found)


def _plugins(root: Path, paths: Any) -> Iterator[str]:
    for entry in paths if isinstance(paths, list) else ["plugins"]:
        with suppress(OSError, ValueError):
            for manifest in sorted((root / str(entry)).glob("*/manifest.yaml")):
                yield manifest.parent.name


def revision_names() -> list[str]:
    """Return branches and tags of the repository that is worked in."""
    from ._git_folder import NoRepository, find_git_folder, read_refs, short_names

    with suppress(OSError, NoRepository):
        found = find_git_folder(Path.cwd())
        refs = read_refs(found)
        return short_names(_told_names(found) if refs.reftable else refs.names)
    return []


def _told_names(found: GitFolder) -> list[str]:
    """Return the names of a repository that only git can read."""
    from ._git_objects import Refused, open_objects
    from .files import CannotWrite

    with suppress(Refused, CannotWrite), open_objects(found) as objects:
        return objects.names()
    return []
