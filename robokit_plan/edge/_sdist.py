"""
Metadata of a source distribution, without running anything of it.

Source:
    "Source distribution format" (PEP 517, 625, 643) and "pyproject.toml specification"
    (PEP 518, 621) of the PyPA.
"""

from __future__ import annotations

import bz2
import gzip
import io
import re
import stat
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from typing import IO, TYPE_CHECKING, Any, cast

from robokit_plan.model import (
    DistributionMetadata,
    DistributionName,
    IndexFile,
    limit_text,
    listed,
    replace,
)

from ._metadata import (
    MAX_BYTES,
    MetadataInvalid,
    MetadataUnusable,
    check_name,
    check_requirements,
    extra_names,
    license_classifiers,
    license_line,
    parse_metadata,
    raw_metadata,
    unknown,
)
from ._pip_config import normal_name
from ._words import one_line

if TYPE_CHECKING:
    from ._transport import Client

MAX_DOWNLOAD = 256_000_000
_MAX_MEMBERS = 100_000
_MAX_UNPACKED = 1_000_000_000
_MAX_READ = 16_000_000
"""`tarfile` reads a member's extended header at one go; none is honestly that long."""
_WANTED = ("PKG-INFO", "pyproject.toml")
LEGACY_BUILD = ("setuptools>=40.8.0", "wheel")
"""
What a project builds with that does not say (PEP 517 leaves it to the front end).

pip's own default, with wheel, which setuptools before 70.1 needs besides.
Source: pip documentation, "pyproject.toml", fallback behaviour, read 2026-11.
"""


def sdist_metadata(client: Client, file: IndexFile) -> DistributionMetadata:
    """
    Return what the sdist *file* says about itself for certain.

    The first that holds: its PKG-INFO, where that is of metadata 2.2 or later and does not
    call Requires-Dist dynamic; ``[project]`` of its pyproject.toml, where dependencies are not
    dynamic. Else `requires_dist` is None and `reason` says why. Trouble with this one file is
    no exception either.

    Raises:
        IndexUnreachable: As `Client.ask`.
        HashMismatch: It is not the file that the index lists.
        FileGone: The index lists it but does not have it.
    """
    from ._transport import TooLarge
    from ._wheel_range import downloaded

    name, version = normal_name(file.filename.rpartition("-")[0]), ""
    try:
        name, version = sdist_name(file.filename)
        with downloaded(client, file, MAX_DOWNLOAD) as archive:
            found = read_files(archive, file.filename)
        return metadata_of(found, name=name, version=version)
    except MetadataInvalid as error:
        return unknown(name, version, str(error), "sdist", invalid=True)
    except MetadataUnusable as error:
        reason = str(error)
    except TooLarge:
        reason = f"it is larger than {limit_text(MAX_DOWNLOAD)}"
    return unknown(name, version, reason, "sdist")


def sdist_name(filename: str) -> tuple[DistributionName, str]:
    """
    Return project and version that an sdist's name promises.

    Raises:
        MetadataUnusable: It is not the name of an sdist.
    """
    from packaging.version import Version

    stem = filename
    for ending in (".tar.gz", ".zip", ".tar.bz2", ".tar.xz", ".tgz"):
        stem = stem.removesuffix(ending)
    name, _, version = stem.rpartition("-")
    try:
        if name and stem != filename:
            return normal_name(name), str(Version(version))
    except ValueError:  # InvalidVersion, or of a number in it
        pass
    raise MetadataUnusable("its file name is not that of an sdist")


def read_files(archive: IO[bytes], filename: str) -> dict[str, bytes]:
    """
    Return PKG-INFO and pyproject.toml at the top of the sdist's one folder, where they are.

    Nothing is unpacked; only regular members count; what comes last of several wins, as it
    would on disk. Sizes and counts are bounded, so a bomb costs little.

    Raises:
        MetadataUnusable: It is not an archive, or too much is in it.
    """
    members = (
        _zip_members(archive) if filename.endswith(".zip") else _tar_members(archive, filename)
    )
    found: dict[str, bytes] = {}
    folders = set()
    try:
        for path, content in members:
            folder, _, name = path.removeprefix("./").partition("/")
            if name in _WANTED and folder not in {"", ".", ".."}:
                folders.add(folder)
                found[name] = content()
    except (
        tarfile.TarError,
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        OSError,
        ValueError,
        RuntimeError,
        KeyError,
        IndexError,
        OverflowError,
    ) as error:
        if isinstance(error, MetadataUnusable):
            raise
        raise MetadataUnusable("it is not a valid archive") from None
    if len(folders) > 1:
        raise MetadataUnusable("it holds more than one project folder")
    return found


def metadata_of(
    files: dict[str, bytes], *, name: DistributionName, version: str
) -> DistributionMetadata:
    """
    Return what *files* (see `read_files`) say for certain.

    Raises:
        MetadataUnusable: One of them is damaged, or of another project.
    """
    project, build_requires = _pyproject(files.get("pyproject.toml"))
    text = files.get("PKG-INFO")
    told = unknown(name, version, "only its own build tells what it requires", "sdist")
    if text is not None:
        raw = raw_metadata(text)
        check_name(raw, name=name, version=version)
        dynamic = {one.strip().lower() for one in raw.get("dynamic", ())}
        if _level(raw.get("metadata_version")) >= (2, 2) and "requires-dist" not in dynamic:
            found = parse_metadata(text, name=name, version=version, source="pkg-info")
            return replace(found, build_requires=build_requires)
        told = replace(
            told,
            license=license_line(raw.get("license_expression"), raw.get("license")),
            license_classifiers=license_classifiers(raw.get("classifiers", ())),
        )
    if project is None:
        return replace(told, build_requires=build_requires)
    left_open = {"dependencies", "optional-dependencies"} & set(_texts(project, "dynamic"))
    if left_open:
        reason = f"its pyproject.toml leaves {listed(sorted(left_open))} to its build"
        return replace(told, reason=reason, build_requires=build_requires)
    return _from_project(project, name, version, build_requires)


def _from_project(
    project: dict[str, Any],
    name: DistributionName,
    version: str,
    build_requires: tuple[str, ...],
) -> DistributionMetadata:
    if normal_name(str(project.get("name", ""))) != name:
        raise MetadataUnusable("its pyproject.toml is of another project than its file name says")
    requires = [one_line(one) for one in _texts(project, "dependencies")]
    check_requirements(requires)
    optional = project.get("optional-dependencies", {})
    if not isinstance(optional, dict):
        raise MetadataUnusable("optional-dependencies of its pyproject.toml are no table")
    extras = extra_names(optional)
    if len(extras) != len(optional):
        raise MetadataUnusable("its pyproject.toml names an extra that is not valid")
    for extra in optional:
        requires += [_under_extra(one, normal_name(extra)) for one in _texts(optional, extra)]
    python = project.get("requires-python")
    license_ = project.get("license")
    if isinstance(license_, dict):
        license_ = license_.get("text")
    return DistributionMetadata(
        name=name,
        version=version,
        requires_dist=tuple(requires),
        requires_python=one_line(python) if isinstance(python, str) else None,
        provides_extra=extras,
        source="pyproject",
        build_requires=build_requires,
        license=license_line(license_, None),
        license_classifiers=license_classifiers(project.get("classifiers")),
    )


def _under_extra(text: str, extra: str) -> str:
    """Return requirement *text* as core metadata says it of an optional one."""
    from packaging.requirements import Requirement

    check_requirements((text,))
    one = Requirement(text)
    marker = f'extra == "{extra}"'
    if one.marker is not None:
        marker = f"({one.marker}) and {marker}"
        one.marker = None
    separator = " ; " if one.url else "; "
    return f"{one}{separator}{marker}"


def _pyproject(text: bytes | None) -> tuple[dict[str, Any] | None, tuple[str, ...]]:
    """Return ``[project]``, None where there is none, and what the build requires."""
    import tomllib

    if text is None:
        return None, LEGACY_BUILD
    try:
        tables = tomllib.loads(text.decode())
    except (ValueError, RecursionError):
        raise MetadataUnusable("its pyproject.toml is not valid TOML") from None
    project = tables.get("project")
    build = tables.get("build-system")
    requires: tuple[str, ...] = LEGACY_BUILD
    if isinstance(build, dict) and "requires" in build:
        requires = tuple(one_line(one) for one in _texts(build, "requires"))
        check_requirements(requires)
    return project if isinstance(project, dict) else None, requires


def _texts(table: dict[str, Any], key: str) -> tuple[str, ...]:
    values = table.get(key, [])
    if not isinstance(values, list) or not all(isinstance(one, str) for one in values):
        raise MetadataUnusable(f"{one_line(key, 60)} of its pyproject.toml is no list of strings")
    return tuple(values)


def _level(text: object) -> tuple[int, int]:
    major, _, minor = str(text).partition(".")
    known = re.fullmatch("[0-9]{1,9}", major) and re.fullmatch("[0-9]{1,9}", minor)
    return (int(major), int(minor)) if known else (0, 0)


_Member = tuple[str, Callable[[], bytes]]
"""Path and what reads the content."""


def _tar_members(archive: IO[bytes], filename: str) -> Iterator[_Member]:
    if filename.endswith((".tar.gz", ".tgz")):
        plain: IO[bytes] = cast("IO[bytes]", gzip.GzipFile(fileobj=archive, mode="rb"))
    elif filename.endswith(".tar.bz2"):
        plain = cast("IO[bytes]", bz2.BZ2File(archive))
    else:
        raise MetadataUnusable("it is packed in a way that sdists are not")
    with plain, tarfile.open(fileobj=_Bounded(plain), mode="r:") as tar:
        for _ in range(_MAX_MEMBERS):
            member = tar.next()
            if member is None:
                return
            # Kept members would hold memory; links, which need them, are not followed.
            tar.members.clear()  # type: ignore[attr-defined]
            if member.isreg():
                yield (
                    member.name,
                    lambda tar=tar, member=member: _content(  # type: ignore[misc]
                        tar.extractfile(member), member.size
                    ),
                )
    raise MetadataUnusable("too many files are in it")


def _zip_members(archive: IO[bytes]) -> Iterator[_Member]:
    with zipfile.ZipFile(archive) as opened:
        for member in opened.infolist()[:_MAX_MEMBERS]:
            mode = member.external_attr >> 16
            if not member.is_dir() and (not stat.S_IFMT(mode) or stat.S_ISREG(mode)):
                yield (
                    member.filename,
                    lambda opened=opened, member=member: _content(  # type: ignore[misc]
                        opened.open(member), member.file_size
                    ),
                )


def _content(file: IO[bytes] | None, size: int) -> bytes:
    if file is None or size > MAX_BYTES:
        raise MetadataUnusable("its metadata is too large")
    with file:
        return file.read(MAX_BYTES)


class _Bounded(io.RawIOBase):
    """An unpacked stream that ends in an error before it takes much time or memory."""

    def __init__(self, plain: IO[bytes]) -> None:
        super().__init__()
        self._plain = plain

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._plain.tell()

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        if whence == io.SEEK_SET and offset > _MAX_UNPACKED:
            raise MetadataUnusable("too much is in it")
        return self._plain.seek(offset, whence)

    def read(self, size: int | None = -1) -> bytes:
        if size is None or not 0 <= size <= _MAX_READ or self.tell() > _MAX_UNPACKED:
            raise MetadataUnusable("too much is in it")
        return self._plain.read(size)
