"""
The files of a card: the robot's own folder, and with a bundle every file that would be fetched.

    Exception
    └── UnfitForCard
"""

from __future__ import annotations

import os
import shutil
import stat
import tarfile
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.model import (
    DebianPin,
    Plan,
    PythonPin,
    Robot,
    dataclass,
    is_plain_line,
    limit_text,
)

from ._cached_yaml import DATA, read_data_file
from ._index_errors import HashMismatch, IndexTrouble, IndexUnreachable
from .interruption import Interrupted, uninterrupted, worker_pool
from .ordinary import opened, sha256_of

if TYPE_CHECKING:
    from ._debian_fetch import Fetcher
    from ._transport import Client, Reply

MAX_CODE = 500_000_000
"""Bytes of the robot's own folder; a folder with more holds something else besides."""
MAX_FILE = 4_000_000_000
_LEFT_OUT = ("__pycache__", "venv", "node_modules", "install.sh", "environment")
_LEFT_OUT_ENDS = (".env", ".pem", ".pyc", ".egg-info", ".before")
_NOT_ON_FAT = frozenset('"*:<>?|')
"""Beside backslash and control characters what no name on a FAT file system holds; a dot or blank
at the end of a name is dropped there, and letters of either case are one.

Source: Microsoft, FAT32 File System Specification (fatgen103), version 1.03,
"Long Directory Entries"."""
_AGAIN = "the same command again; what was fetched already is kept"

Progress = Callable[[int, int, str], object]


class UnfitForCard(Exception):  # noqa: N818  named after what is wrong
    """The robot's folder, or the folder of the card, cannot be used; says why."""


def robot_files(root: Path, *, without: Iterable[Path] = ()) -> Iterator[tuple[str, Path]]:
    """
    Yield path -> file of what goes onto a card, sorted.

    Hidden files, links, caches, environments, files with secrets and earlier cards stay out, and
    the folders *without*.

    Raises:
        UnfitForCard: A name cannot stand in a list of hashes or on a boot partition, or it is too
            much.
    """
    total = 0
    names = _FatNames()
    left_out = {path.resolve() for path in without}
    for folder, folders, files in os.walk(root):
        folders[:] = sorted(
            name
            for name in folders
            if _goes(Path(folder, name)) and Path(folder, name).resolve() not in left_out
        )
        for name in sorted(files):
            path = Path(folder, name)
            if not _goes(path) or not path.is_file():
                continue
            where = path.relative_to(root).as_posix()
            if not is_plain_line(where) or "\\" in where:
                raise UnfitForCard(f"the name of {where!r} cannot go onto a card")
            names.add(where)
            total += path.stat().st_size
            if total > MAX_CODE:
                raise UnfitForCard(f"the robot's folder holds more than {limit_text(MAX_CODE)}")
            yield where, path


def _goes(path: Path) -> bool:
    name = path.name
    return not (
        name.startswith((".", "card-"))
        or name in _LEFT_OUT
        or name.endswith(_LEFT_OUT_ENDS)
        or path.is_symlink()
    )


class _FatNames:
    """Paths that a boot partition, a FAT file system, can hold side by side."""

    def __init__(self) -> None:
        self._seen: dict[str, str] = {}

    def add(self, path: str) -> None:
        """
        Take one more path.

        Raises:
            UnfitForCard: It cannot be held there; copied by hand it would be missing or changed.
        """
        names = path.split("/")
        for at, name in enumerate(names, start=1):
            bad = sorted(_NOT_ON_FAT.intersection(name))
            if bad or name.endswith((" ", ".")):
                what = f"a name with {bad[0]}" if bad else "a name that ends so"
                raise UnfitForCard(
                    f"{path} cannot go onto a card: its boot partition (FAT) holds no file by "
                    f"{what}; rename it, or let its name begin with a dot to leave it out"
                )
            above = "/".join(names[:at])
            other = self._seen.setdefault(above.casefold(), above)
            if other != above:
                raise UnfitForCard(
                    f"{other} and {above} cannot both go onto a card: its boot partition (FAT) "
                    "takes them for one name; rename one"
                )


# --- fetching -----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _Wanted:
    """One file of a bundle: path below its folder, what to call it, hash, where it may be had."""

    path: str
    what: str
    sha256: str
    size: int | None
    urls: tuple[str, ...]
    debian: bool = False


def fetch_bundle(
    plan: Plan,
    robot: Robot,
    folder: Path,
    *,
    environ: Mapping[str, str],
    kept: Path,
    cache: Path,
    progress: Progress | None = None,
) -> None:
    """
    Put every file of *plan* below *folder*: ``debian``, ``python`` and ``assets``.

    Where an index does not answer, what was fetched until then is kept in *cache* for the next
    time; once everything is there, it is taken away from *cache* again.

    Args:
        plan: Read from the lock file.
        robot: For the mirror and indices that the robot file names.
        folder: Is made.
        environ: Proxies, certificates, pip's variables.
        kept: Where an earlier bundle may be; files with the right hash are taken from it.
        cache: A folder of this user alone, which need not exist; files by hash.
        progress: Told about files: done, all, name.

    Raises:
        IndexUnreachable: A file cannot be had.
        HashMismatch: A file is not the one that was locked.
        OSError: The disk is full or may not be written.
        UnfitForCard: A name cannot stand on a boot partition.
    """
    from ._debian_apt_config import read_apt_settings
    from ._debian_fetch import Fetcher
    from ._pip_access import PipAccess
    from ._pip_config import index_settings
    from ._transport import Client

    wanted = [*_debian(plan, robot, environ), *_python(plan), *_assets(plan)]
    names = _FatNames()
    for one in wanted:
        names.add(one.path)
    for name in ("debian", "python", "assets"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    fetcher = Fetcher(read_apt_settings(environ), environ)
    client = Client(PipAccess(index_settings(robot.indexes, environ)))
    done = 0
    try:
        with worker_pool(4) as pool:
            for path in pool.map(
                lambda one: _fetched(
                    one, folder, (kept / one.path, cache / one.sha256), fetcher, client
                ),
                wanted,
            ):
                done += 1
                if progress is not None:
                    progress(done, len(wanted), path)
    except (IndexTrouble, Interrupted, KeyboardInterrupt):
        with suppress(OSError):
            cache.mkdir(parents=True, exist_ok=True)
            for one in wanted:
                if (folder / one.path).is_file() and not (cache / one.sha256).exists():
                    shutil.move(folder / one.path, cache / one.sha256)
        raise
    finally:
        fetcher.close()
        client.close()
    for one in wanted:
        (cache / one.sha256).unlink(missing_ok=True)


def _fetched(
    one: _Wanted, folder: Path, kept: tuple[Path, ...], fetcher: Fetcher, client: Client
) -> str:
    target = folder / one.path
    for place in kept:
        if place.is_file() and _digest(place) == one.sha256:
            with opened(place) as source, target.open("xb") as copy:
                shutil.copyfileobj(source, copy)
            return one.path
    part = target.with_name(f"{target.name}.part")
    trouble: IndexUnreachable | None = None
    for url in one.urls:
        try:
            found = (
                fetcher.save(url, part, limit=one.size or MAX_FILE, what=one.what)
                if one.debian
                else _from_index(client, url, one, part)
            )
        except IndexUnreachable as error:
            trouble = error
            continue
        if not found:
            continue
        if _digest(part) != one.sha256:
            part.unlink()
            raise HashMismatch(
                f"{one.what} is not the file that was locked",
                index="card",
                why="it was replaced since the lock file was made, or damaged on the way",
                repair=("robokit-plan lock --upgrade", _AGAIN),
            )
        part.replace(target)
        return one.path
    raise IndexUnreachable(
        f"{one.what} could not be fetched",
        index="card",
        why=trouble.why if trouble is not None else "this exact version is there no more",
        repair=(
            (_AGAIN,)
            if trouble is not None
            else ("system: {snapshot: ADDRESS}   in robot.yaml", "robokit-plan lock --upgrade")
        ),
    )


def _from_index(client: Client, url: str, one: _Wanted, part: Path) -> bool:
    from ._transport import TooLarge

    def use(reply: Reply) -> bool:
        if reply.status != 200:
            return False
        with part.open("wb") as file:
            for chunk in reply.chunks(one.size or MAX_FILE):
                file.write(chunk)
        return True

    try:
        # a packed sdist that a server unpacks on the way would have another hash
        return client.ask(url, use, index="card", what=one.what, as_stored=True)
    except TooLarge:
        part.unlink(missing_ok=True)
        raise HashMismatch(
            f"{one.what} is larger than the file that was locked",
            index="card",
            why="it was replaced since the lock file was made",
            repair=("robokit-plan lock --upgrade",),
        ) from None


def _digest(path: Path) -> str | None:
    try:
        return sha256_of(path)
    except OSError:
        return None


def _debian(plan: Plan, robot: Robot, environ: Mapping[str, str]) -> Iterator[_Wanted]:
    if not plan.debian:
        return
    main, security = _mirrors_of(plan, robot, environ)
    sources = {one.name: one.url for one in plan.sources}
    for pin in plan.debian:
        if pin.source:
            places: Iterable[str] = [sources[pin.source]] if pin.source in sources else []
        else:
            places = security + main if pin.suite.endswith("-security") else main + security
        yield _Wanted(
            path=f"debian/{_name_of(pin)}",
            what=f"the Debian package {pin.name} {pin.version}",
            sha256=pin.sha256,
            size=pin.size,
            urls=tuple(f"{place.rstrip('/')}/{pin.filename}" for place in places),
            debian=True,
        )


def _name_of(pin: DebianPin) -> str:
    return pin.filename.rpartition("/")[2]


def _mirrors_of(
    plan: Plan, robot: Robot, environ: Mapping[str, str]
) -> tuple[list[str], list[str]]:
    """Return addresses of the archive and of the one for security."""
    from ._debian_apt_config import read_apt_settings
    from .debian_archive import archive_mirrors

    data = read_data_file(DATA / "debian" / "releases.yaml")
    release = data["releases"].get(plan.target.release, {})
    found = archive_mirrors(
        robot.system, read_apt_settings(environ), str(release.get("codename", "")), data
    )
    if isinstance(found, str):
        raise IndexUnreachable(
            "the Debian packages could not be fetched",
            index="card",
            why=found,
            repair=("system: {mirror: ADDRESS}   in robot.yaml",),
        )
    return [one.url for one in found.main], [one.url for one in found.security]


def _python(plan: Plan) -> Iterator[_Wanted]:
    pins: dict[str, PythonPin] = {one.file.filename: one for one in (*plan.build, *plan.python)}
    for name in sorted(pins):
        file = pins[name].file
        yield _Wanted(
            path=f"python/{name.rpartition('/')[2]}",
            what=f"the file {name}",
            sha256=file.sha256 or "",
            size=file.size,
            urls=(file.url,),
        )


def _assets(plan: Plan) -> Iterator[_Wanted]:
    for sha256, one in sorted({one.sha256 or "": one for one in plan.machine.assets}.items()):
        yield _Wanted(
            path=f"assets/{sha256}",
            what=f"{one.path} of {one.instance}",
            sha256=sha256,
            size=one.size,
            urls=(one.url,),
        )


# --- the folder ---------------------------------------------------------------------------------


def folder_hashes(folder: Path) -> dict[str, str]:
    """Return path -> SHA-256 of every file below *folder*."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            digest = _digest(path)
            if digest is None:
                raise OSError(f"{path.name} cannot be read again")
            found[path.relative_to(folder).as_posix()] = digest
    return found


def swap_folder(new: Path, place: Path, *, mark: str) -> None:
    """
    Put the folder *new* at *place*; what was there goes only where it holds the file *mark*.

    Raises:
        UnfitForCard: Something else stands there.
    """
    if place.exists() or place.is_symlink():
        if not (place / mark).is_file() or place.is_symlink():
            raise UnfitForCard(f"{place} is not a card of ours")
        old = place.with_name(f".{place.name}.old")
        shutil.rmtree(old, ignore_errors=True)
        with uninterrupted():
            place.rename(old)
            new.rename(place)
        shutil.rmtree(old, ignore_errors=True)
    else:
        new.rename(place)


def write_archive(folder: Path, path: Path) -> None:
    """Write *folder* as a tar whose bytes depend on its files alone: no clock, no owner, sorted."""
    # a name that nobody can guess: a stranger's folder may hold links
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".new")
    part = Path(name)
    try:
        with (
            os.fdopen(descriptor, "wb") as made,
            tarfile.open(fileobj=made, mode="w", format=tarfile.PAX_FORMAT) as archive,
        ):
            for one in [folder, *sorted(folder.rglob("*"))]:
                where = one.relative_to(folder.parent).as_posix()
                entry = tarfile.TarInfo(where)
                about = one.stat()
                if stat.S_ISDIR(about.st_mode):
                    entry.type, entry.mode = tarfile.DIRTYPE, 0o755
                    archive.addfile(entry)
                    continue
                entry.size = about.st_size
                entry.mode = 0o755 if one.suffix == ".sh" else 0o644
                with opened(one) as file:
                    archive.addfile(entry, file)
        part.chmod(0o644)
        part.replace(path)
    finally:
        with suppress(OSError):
            part.unlink()
