"""
Wheels that a robot built and kept, taken onto a card for the next robot of its kind.

    UnfitForCard
    └── BuiltUnfit
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import shlex
import stat
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from packaging.utils import InvalidWheelFilename, canonicalize_name, parse_wheel_filename
from packaging.version import InvalidVersion, Version

from robokit_plan.model import SourceBuild, limit_text

from ._wheel_range import BROKEN_ZIP
from .card_files import UnfitForCard

LIST = "SHA256SUMS"
"""Beside a kept wheel: its SHA-256 and its name, as sha256sum(1) writes them."""
MAX_WHEEL = 1_000_000_000
"""Bytes of one wheel; the largest that a small board compiles in a day are a tenth of it."""
MAX_LIST = 1_000
MAX_DIRECTORY = 24_000_000
"""Bytes of a wheel's list of members; the greatest real ones need under 5 MB."""
_KEY = re.compile(r"[0-9a-f]{16}", re.ASCII)
_IN_INFO = ("METADATA", "RECORD", "WHEEL")


class BuiltUnfit(UnfitForCard):
    """A kept wheel, or a folder of them, cannot be carried; `why` and `repair` for a person."""

    def __init__(self, message: str, *, why: str, repair: tuple[str, ...]) -> None:
        super().__init__(message)
        self.why = why
        self.repair = repair


def take_built(
    builds: Iterable[SourceBuild], folders: Sequence[Path], target: Path, *, tags: Iterable[str]
) -> tuple[SourceBuild, ...]:
    """
    Copy the wheels that *builds* are kept by to *target*; return those that were found.

    Args:
        builds: What the robot would compile.
        folders: Each as ``install.sh`` leaves it: KEY, with one wheel and its `LIST`. Of several
            with one key the first is taken.
        target: A folder for the same; it need not exist.
        tags: PEP 425 tags of the target.

    Raises:
        BuiltUnfit: A folder is none of these, or what stands under a key is damaged or foreign.
        OSError: The disk is full or may not be written.
    """
    known = frozenset(tags)
    for folder in folders:
        _check_folder(folder)
    found = []
    for build in builds:
        place = next((folder / build.key for folder in folders if _is_there(folder, build)), None)
        if place is not None:
            _take(build, place, target / build.key, known)
            found.append(build)
    return tuple(found)


def _is_there(folder: Path, build: SourceBuild) -> bool:
    return os.path.lexists(folder / build.key)


def _check_folder(folder: Path) -> None:
    try:
        names = [one.name for one in folder.iterdir()]
    except OSError as error:
        raise BuiltUnfit(
            f"{folder} cannot be read as a folder",
            why=(error.strerror or "it is no folder").lower(),
            repair=_REPAIR,
        ) from None
    if not any(_KEY.fullmatch(name) for name in names):
        raise BuiltUnfit(
            f"{folder} holds nothing that a robot built and kept",
            why="it should hold folders named by 16 hexadecimal digits, as /opt/ROBOT/built does",
            repair=_REPAIR,
        )


_REPAIR = ("scp -r ROBOT:/opt/ROBOT/built .   and then --built built",)
"""scp(1); the folder is readable for all on the robot."""


def _take(build: SourceBuild, place: Path, target: Path, tags: frozenset[str]) -> None:
    try:
        _copy(build, place, target, tags)
    except _WrongError as error:
        raise BuiltUnfit(
            f"{place} cannot be carried for {build.name} {build.version}",
            why=str(error),
            repair=(
                "copy the folder anew from the robot; sudo sh install.sh mends what is damaged",
                f"rm -r {shlex.quote(str(place))}   and the board builds it itself",
            ),
        ) from None


def _copy(build: SourceBuild, place: Path, target: Path, tags: frozenset[str]) -> None:
    """
    Copy one kept wheel and its list.

    Raises:
        _WrongError: It is damaged, or not of this build.
    """
    wheel, listed = _members(place)
    if not _fits(wheel, build):
        raise _WrongError(f"{wheel} is not named as a wheel of {build.name} {build.version}")
    if not tags.intersection(map(str, parse_wheel_filename(wheel)[3])):
        raise _WrongError(f"{wheel} is for another machine or another Python")
    target.mkdir(parents=True)
    digest = _copied(place / wheel, target / wheel)
    if listed != f"{digest}  {wheel}\n".encode():
        raise _WrongError(f"the SHA-256 of {wheel} is not the one in its {LIST}")
    _check_zip(target / wheel, build)
    (target / LIST).write_bytes(listed)


class _WrongError(Exception):
    """What is wrong with a kept wheel, in words."""


def _members(place: Path) -> tuple[str, bytes]:
    """Return the name of the only wheel in *place*, and what its list holds."""
    if not stat.S_ISDIR(place.lstat().st_mode):
        raise _WrongError("it is a link or no folder")
    try:
        names = [one.name for one in place.iterdir()]
    except OSError as error:
        raise _WrongError((error.strerror or "it cannot be read").lower()) from None
    wheels = [name for name in names if name.endswith(".whl") and not name.startswith(".")]
    if len(wheels) != 1:
        raise _WrongError(f"it holds {'more than one' if wheels else 'no'} wheel")
    with _ordinary(place / LIST, MAX_LIST) as file:
        return wheels[0], file.read(MAX_LIST)


@contextmanager
def _ordinary(path: Path, most: int) -> Iterator[IO[bytes]]:
    """Open an ordinary file of at most *most* bytes; no link is followed, no pipe waited for."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except FileNotFoundError:
        raise _WrongError(f"it holds no {path.name}") from None
    except OSError:
        raise _WrongError(f"{path.name} is a link or cannot be read") from None
    with os.fdopen(descriptor, "rb") as file:
        about = os.fstat(descriptor)
        if not stat.S_ISREG(about.st_mode):
            raise _WrongError(f"{path.name} is no ordinary file")
        if about.st_size > most:
            raise _WrongError(f"{path.name} is larger than {limit_text(most)}")
        yield file


def _fits(wheel: str, build: SourceBuild) -> bool:
    try:
        name, version, _, _ = parse_wheel_filename(wheel)
        return str(name) == build.name and version == Version(build.version)
    except (InvalidWheelFilename, InvalidVersion):
        return False


def _copied(source: Path, target: Path) -> str:
    """Copy a file and return the SHA-256 of what was copied."""
    digest = hashlib.sha256()
    left = MAX_WHEEL
    with _ordinary(source, MAX_WHEEL) as file, target.open("xb") as made:
        # not beyond the bound, even where it grows meanwhile
        while block := file.read(min(1 << 20, left)):
            digest.update(block)
            made.write(block)
            left -= len(block)
    return digest.hexdigest()


class _Bounded(io.FileIO):
    """A file of which no single read takes more than a list of members may."""

    def read(self, size: int | None = -1) -> bytes:
        if size is None or size < 0:
            size = os.fstat(self.fileno()).st_size - self.tell()
        if size > MAX_DIRECTORY:
            raise zipfile.BadZipFile("a list of members without end")
        return super().read(size)


def _check_zip(path: Path, build: SourceBuild) -> None:
    """
    Refuse what is no wheel of *build*.

    Source:
        PyPA specifications, "Binary distribution format": one folder NAME-VERSION.dist-info at the
        top, with METADATA, WHEEL and RECORD.
    """
    try:
        with _Bounded(path) as file, zipfile.ZipFile(file) as archive:
            names = archive.namelist()
    except BROKEN_ZIP:
        raise _WrongError(f"{path.name} is no readable wheel") from None
    infos = {top for name in names if (top := name.partition("/")[0]).endswith(".dist-info")}
    stem = next(iter(infos)).removesuffix(".dist-info") if len(infos) == 1 else ""
    name, _, version = stem.rpartition("-")
    try:
        own = str(canonicalize_name(name)) == build.name and Version(version) == Version(
            build.version
        )
    except InvalidVersion:
        own = False
    if not own or not {f"{stem}.dist-info/{one}" for one in _IN_INFO} <= set(names):
        raise _WrongError(f"{path.name} does not hold {build.name} {build.version} alone")
