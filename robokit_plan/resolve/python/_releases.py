"""One project's releases as the target sees them."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from datetime import date

from packaging.specifiers import SpecifierSet
from packaging.version import Version

from robokit_plan.model import Carrier, DistributionName, IndexFile, ProjectPage, dataclass

from ._parsing import (
    allows,
    bounds,
    build_order,
    find_version,
    is_exact,
    normal_name,
    python_allows,
    sdist_version,
    wheel_parts,
    wheel_tags,
)


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Release:
    """
    One version of one distribution with the files that the target could use.

    `files`: best first, all wheels or one sdist; the first is what gets installed. `yanked`:
    the reason where all of them are yanked (PEP 592). `carrier`: the Debian package that brings
    it; it then has no files. Compared by identity: a project holds each version once.
    """

    name: DistributionName
    version: Version
    files: tuple[IndexFile, ...]
    is_wheel: bool
    yanked: str | None
    carrier: Carrier | None = None

    @property
    def file(self) -> IndexFile:
        """What gets installed."""
        return self.files[0]


_Ranked = tuple[int, int, tuple[int, str], IndexFile]
"""Position of its tags, of its index, order of its build tag, the file."""


@dataclass(frozen=True, kw_only=True, slots=True)
class View:
    """
    How a page is looked at: everything besides the page that decides what is usable.

    `ranks` joined tags -> position in the target's list. `as_of`: no later upload counts.
    """

    ranks: Mapping[str, int]
    python: str
    as_of: date | None
    sdist_only: bool


class Project:
    """
    What one distribution's pages offer to one target.

    `releases` in order of choice: those with a wheel, newest first, then sdists, newest first.
    `undated`: some file says no upload time although a date limits the choice. `unfit`: version
    texts of wheels for other machines or Pythons.
    """

    __slots__ = (
        "_by_version",
        "_chosen",
        "_fitting",
        "_publics",
        "has_files",
        "name",
        "pages",
        "releases",
        "undated",
        "unfit",
        "view",
    )

    def __init__(self, name: DistributionName, pages: tuple[ProjectPage, ...], view: View) -> None:
        self.name = name
        self.pages = pages
        self.view = view
        self.has_files = any(page.files for page in pages)
        self.undated = False
        self.unfit: set[str] = set()
        self.releases = self._usable()
        self._chosen: dict[
            tuple[frozenset[str], str | None, tuple[str, ...]], tuple[Release, ...]
        ] = {}
        self._by_version = sorted(self.releases, key=lambda release: release.version)
        self._publics: list[Version] = []
        self._fitting: dict[str, tuple[Release, ...]] = {}

    def _usable(self) -> tuple[Release, ...]:
        wheels: dict[str, list[_Ranked]] = {}
        sdists: dict[str, list[_Ranked]] = {}
        tag_ranks = _TagRanks(self.view.ranks)
        for place, page in enumerate(self.pages):
            for file in page.files:
                filename = file.filename
                # Most files of a large project are for other machines: the tags, a look-up
                # in a small table, sort them out before anything is parsed.
                if filename.endswith(".whl"):
                    if self.view.sdist_only:
                        continue
                    rank = tag_ranks[wheel_tags(filename)]
                    if rank < 0:
                        self.unfit.update(filename.split("-", 2)[1:2])
                        continue
                    parts = wheel_parts(filename)
                    if parts is None or normal_name(parts[0]) != self.name:
                        continue
                    _, version, build = parts
                    found = wheels
                else:
                    as_sdist = sdist_version(filename, self.name)
                    if as_sdist is None:
                        continue
                    version = as_sdist
                    rank, build = int(not filename.endswith(".gz")), ""
                    found = sdists
                if file.requires_python and not python_allows(
                    file.requires_python, self.view.python
                ):
                    continue
                if self.view.as_of is not None:
                    if file.upload_time is None:
                        self.undated = True
                    elif is_too_late(file, self.view.as_of):
                        continue
                found.setdefault(version, []).append((rank, place, build_order(build), file))
        return (
            *_newest_first(self.name, wheels, is_wheel=True, but=()),
            *_newest_first(self.name, sdists, is_wheel=False, but=wheels),
        )

    def matches(
        self,
        specifiers: Iterable[str],
        locked: str | None = None,
        avoid: tuple[str, ...] = (),
    ) -> tuple[Release, ...]:
        """
        Return the releases that all *specifiers* let in, in order of choice, *locked* first.

        None that a specifier of *avoid* covers. Pre-releases as in PEP 440: only where asked for
        or where no final one remains. Yanked releases as in PEP 592: only where an exact
        version is asked for, or locked.
        """
        asked = frozenset(specifiers)
        key = (asked, locked, avoid)
        found = self._chosen.get(key)
        if found is None:
            found = self._chosen[key] = self._matches(asked, locked, avoid)
        return found

    def fitting(self, specifier: str) -> tuple[Release, ...]:
        """Return the releases that *specifier* lets in, pre-releases and yanked ones as well."""
        found = self._fitting.get(specifier)
        if found is None:
            if not self._publics:
                self._publics = [Version(one.version.public) for one in self._by_version]
            low, high = bounds(specifier)
            start = 0 if low is None else bisect_left(self._publics, low)
            end = None if high is None else bisect_right(self._publics, high)
            found = self._fitting[specifier] = tuple(
                one for one in self._by_version[start:end] if allows(specifier, one.version)
            )
        return found

    def pool(self, locked: str | None = None, avoid: tuple[str, ...] = ()) -> tuple[Release, ...]:
        """Return what `matches` returns for some specifiers or other, in its order."""
        found = [one for one in self.releases if not any(covers(text, one) for text in avoid)]
        if locked is not None:
            found.sort(key=lambda release: str(release.version) != locked)
        return tuple(found)

    def _matches(
        self, asked: frozenset[str], locked: str | None, avoid: tuple[str, ...]
    ) -> tuple[Release, ...]:
        joined = SpecifierSet(",".join(sorted(one for one in asked if one)))
        exact = any(is_exact(one) for one in asked)
        # The filter sees each version once, in order of choice, and keeps that order.
        versions = {
            release.version: release
            for release in self.releases
            if (release.yanked is None or exact or str(release.version) == locked)
            and not any(covers(versions, release) for versions in avoid)
        }
        chosen = [versions[version] for version in joined.filter(versions)]
        if locked is not None:
            chosen.sort(key=lambda release: str(release.version) != locked)
        return tuple(chosen)


def is_too_late(file: IndexFile, as_of: date | None) -> bool:
    """Return whether *file* was uploaded after the day *as_of*; one without a time was not."""
    if as_of is None or file.upload_time is None:
        return False
    return file.upload_time[:10] > as_of.isoformat()


def covers(versions: str, release: Release) -> bool:
    """Return whether the specifier *versions* of a fact ("" for all) includes *release*."""
    return allows(versions, release.version)


class _TagRanks(dict[str, int]):
    """Joined tags of a file name -> best position in the target's list, -1 for none."""

    def __init__(self, ranks: Mapping[str, int]) -> None:
        super().__init__()
        self._ranks = ranks

    def __missing__(self, joined: str) -> int:
        if not joined:
            return -1
        pythons, abis, platforms = joined.split("-")
        found = [
            rank
            for python in pythons.split(".")
            for abi in abis.split(".")
            for platform in platforms.split(".")
            if (rank := self._ranks.get(f"{python}-{abi}-{platform}")) is not None
        ]
        self[joined] = best = min(found, default=-1)
        return best


def _newest_first(
    name: DistributionName,
    found: Mapping[str, list[_Ranked]],
    *,
    is_wheel: bool,
    but: Iterable[str],
) -> list[Release]:
    """Return one release per version of *found* that is not among *but*."""
    known = {find_version(text) for text in but}
    by_version: dict[Version, list[_Ranked]] = {}
    for text, files in found.items():
        version = find_version(text)
        if version is not None and version not in known:
            by_version.setdefault(version, []).extend(files)
    releases = []
    for version in sorted(by_version, reverse=True):
        ordered = sorted(by_version[version], key=lambda one: one[3].filename)
        ordered.sort(key=lambda one: one[2], reverse=True)
        ordered.sort(key=lambda one: one[:2])
        files_here = tuple(one[3] for one in ordered)
        usable = tuple(file for file in files_here if file.yanked is None) or files_here
        releases.append(
            Release(
                name=name,
                version=version,
                files=usable if is_wheel else usable[:1],
                is_wheel=is_wheel,
                yanked=usable[0].yanked,
            )
        )
    return releases
