"""Which files a plan of a robot rests on, as `files_state` takes them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from itertools import chain
from pathlib import Path

from robokit_plan.model import Robot, program_paths

from ._cached_yaml import DATA, read_data_file
from ._debian_apt_config import AptSettings, read_apt_sources
from ._pip_config import config_files
from .files import find_inside
from .kept_files import Watched
from .ordinary import read_bytes
from .reading import MANIFEST_FILE, ROBOT_FILE

_APT = Path("/etc/apt")
"""Where apt begins to read, whatever its settings then say (apt.conf(5))."""


def robot_files(
    file: Path, robot: Robot, *, asked: Path | None, plugins: Iterable[str] = ()
) -> tuple[Watched, ...]:
    """
    Return what was read of the robot's folder, and what would be read were it there.

    Args:
        file: The robot file that was read.
        robot: As it was planned.
        asked: The path that was asked for; None: the file was looked for from here upward.
        plugins: Whose code was read besides that of all that the robot file names.
    """
    root = file.parent
    found = [Watched("bytes", str(file))]
    if asked is None:
        here = Path.cwd()
        for folder in (here, *here.parents):
            if folder == root:
                break
            found.append(Watched("stamp", str(folder / ROBOT_FILE)))
    entries = (*robot.enabled, *chain(*robot.profiles.values()))
    coded = sorted({str(one.plugin) for one in entries} | {*plugins})
    for entry in robot.plugin_paths:
        found += _shelf(root, entry)
        base = find_inside(root, entry)
        if base is not None:
            found += [Watched("code", str(base / one)) for one in coded if (base / one).is_dir()]
    for name in (robot.system.boot_config, robot.system.base):
        if name is not None:
            found += _named(root, name)
    if robot.program is not None:
        found += [Watched("stamp", str(root / one)) for one in program_paths(robot.program.run)]
    for source in robot.system.sources:
        if source.signed_by is not None:
            found.append(Watched("bytes", str(root / source.signed_by)))
    return tuple(found)


def _shelf(root: Path, entry: str) -> Iterator[Watched]:
    base = find_inside(root, entry)
    if base is None:
        yield Watched("real", str(root / entry))
        return
    yield Watched("names", str(base))
    try:
        names = sorted(one.name for one in os.scandir(base))
    except OSError:
        return
    for name in names:
        if not name.startswith("."):
            yield Watched("bytes", str(base / name / MANIFEST_FILE))


def _named(root: Path, name: str) -> Iterator[Watched]:
    path = find_inside(root, name)
    yield Watched("real", str(root / name)) if path is None else Watched("bytes", str(path))


def pip_files(environ: Mapping[str, str]) -> tuple[Watched, ...]:
    """Return the files from which pip learns its indexes, whether they exist or not."""
    return tuple(Watched("plain", str(path)) for path in config_files(environ))


def apt_files(settings: AptSettings, environ: Mapping[str, str]) -> tuple[Watched, ...] | None:
    """Return what apt's configuration and keys stand in; None where it might lie anywhere."""
    root = Path(settings.option("Dir") or "/")
    trees = {_APT, root / "usr/share/keyrings", Path("/usr/share/keyrings")}
    files = {Path(folder) / "apt-config" for folder in environ.get("PATH", "").split(":")}
    if environ.get("APT_CONFIG"):
        files.add(Path(environ["APT_CONFIG"]))
    if settings.etc is not None:
        trees.add(settings.etc)
        files |= {
            settings.etc / value
            for key in ("main", "parts", "sourcelist", "sourceparts")
            if (value := settings.option(f"Dir::Etc::{key}"))
        }
    for source in read_apt_sources(settings):
        files |= {Path(word) for word in source.signed_by.split() if word.startswith("/")}
    for key in read_data_file(DATA / "debian" / "releases.yaml")["keyrings"]:
        files |= {root / str(key), Path("/") / str(key)}
    if any(_includes(path) for path in (*trees, *files)):
        return None
    return (
        *(Watched("tree", str(path)) for path in sorted(trees)),
        *(Watched("stamp", str(path)) for path in sorted(files)),
    )


def _includes(path: Path) -> bool:
    """Whether a file of apt's settings at or below *path* names further ones (apt.conf(5))."""
    if path.is_dir():
        return any(_includes(one) for one in path.iterdir() if one.name != "keyrings")
    if path.suffix not in {".conf", ""}:
        return False
    try:
        return b"#include" in read_bytes(path, 1_000_000)
    except OSError:
        return False
