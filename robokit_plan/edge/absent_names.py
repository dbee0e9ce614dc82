"""Names that no index had when it was read last: what is kept is looked at, and nobody is asked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import NamedTuple

from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import AbsentNames, DebianName, DistributionName, Robot

from ._index_errors import IndexTrouble
from .cache import Cache, cache_file
from .kept_files import Watched
from .kept_rows import NO_ROWS, Rows, absent_states

# What reads indices is imported where there is a robot, and so something to ask.


class AbsentGrounds(NamedTuple):
    """What absent names rest on: files, and rows of the cache."""

    watched: tuple[Watched, ...] = ()
    rows: Rows = NO_ROWS


class AbsentReading(NamedTuple):
    """Absent names, and their grounds: None where the next reading might find others."""

    names: AbsentNames
    grounds: AbsentGrounds | None


def read_absent_names(
    robots: Sequence[tuple[Path, Robot]],
    python: Iterable[DistributionName],
    debian: Iterable[DebianName],
    *,
    environ: Mapping[str, str],
) -> AbsentReading:
    """
    Return which names are lacking for every one of *robots*, as far as the last reading tells.

    Args:
        robots: Each with its folder; they say which indices and which release count.
        python: Distributions that are asked for.
        debian: Packages that are asked for.
        environ: Where the cache is, and what pip and apt are told.
    """
    kept = cache_file(environ)
    if not robots:
        return AbsentReading(AbsentNames(), AbsentGrounds())
    if not kept.is_file():
        return AbsentReading(AbsentNames(), None)
    asked = sorted(set(python))
    pages = [_pages(robot, asked, environ) for _, robot in robots]
    with Cache(kept) as cache:
        absent = absent_states(cache, chain(*(urls for one in pages for urls in one.values())))
    lacking = [
        {name for name, urls in one.items() if urls and all(absent[url] for url in urls)}
        for one in pages
    ]
    systems = {(one.system.release, one.system.architecture): (root, one) for root, one in robots}
    packages = sorted(set(debian))
    archives = [_debian(root, one, packages, environ) for root, one in systems.values()]
    lacked = AbsentNames(
        python=frozenset(set.intersection(*lacking)),
        debian={
            name: archives[0].near[name]
            for name in packages
            if all(name in one.near for one in archives)
        },
        systems=tuple(sorted(f"{release} for {machine}" for release, machine in systems)),
    )
    return AbsentReading(lacked, _grounds(absent, archives if packages else [], environ))


class _Lacking(NamedTuple):
    """Packages that an archive lacks, with near names; `moments` as `Rows` has them."""

    near: Mapping[DebianName, tuple[DebianName, ...]] = {}
    moments: tuple[tuple[float, bool], ...] | None = None


def _grounds(
    absent: Mapping[str, bool], debian: Sequence[_Lacking], environ: Mapping[str, str]
) -> AbsentGrounds | None:
    from ._debian_apt_config import read_apt_settings
    from .inputs import apt_files, pip_files

    watched = pip_files(environ)
    moments: set[tuple[float, bool]] = set()
    for one in debian:
        if one.moments is None:
            return None
        moments.update(one.moments)
    if debian:
        apt = apt_files(read_apt_settings(environ), environ)
        if apt is None:
            return None
        watched = (*watched, *apt, *_lists(cache_file(environ).parent / "debian"))
    return AbsentGrounds(watched, NO_ROWS._replace(absent=absent, moments=tuple(sorted(moments))))


def _lists(folder: Path) -> Iterator[Watched]:
    """Yield what is kept of archives; package lists bear their digests in their names."""
    yield Watched("names", str(folder))
    yield from (Watched("bytes", str(one)) for one in sorted(folder.glob("release-*.json")))


def _pages(
    robot: Robot, names: Iterable[DistributionName], environ: Mapping[str, str]
) -> dict[DistributionName, list[str]]:
    """Return the addresses of the pages that tell of each of *names*."""
    from .python_index import index_settings

    settings = index_settings(robot.indexes, environ)
    return {
        name: [source.page_url(name) for source in settings.asked_for(name) if not source.flat]
        for name in names
    }


def _debian(
    root: Path, robot: Robot, names: Sequence[DebianName], environ: Mapping[str, str]
) -> _Lacking:
    if not names:
        return _Lacking()
    from .debian_archive import debian_archive

    try:
        reader = debian_archive(robot.system, root=root, environ=environ, offline=True)
        if isinstance(reader, str):
            return _Lacking(moments=())
        with reader:
            rows = reader.read(names).rows
    except (IndexTrouble, UnreadableFile):
        return _Lacking()  # never read, or not to be trusted any more: then nothing is known
    near = {
        name: rows[name].near
        for name in names
        if not rows[name].packages and not rows[name].providers
    }
    return _Lacking(near, None if reader.grounds is None else reader.grounds.moments)
