"""One suite of one archive: its Release file and its parsed indices, from cache or mirror."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import threading
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from robokit_plan.model import dataclass

from ._debian_fetch import Fetcher
from ._debian_index import FORMAT, PackagesIndex, is_whole, write_index
from ._debian_release import ListedFile, Release, Verdict, clear_text, parse_release, verify
from ._index_errors import HashMismatch, IndexUnreachable
from .files import CannotWrite
from .kept_rows import release_state
from .ordinary import read_bytes

_MAX_RELEASE = 8_000_000
_MAX_INDEX = 400_000_000
_TRIES = 3
_TOUCH_S = 86_400
_KEEP_UNUSED_S = 45 * 86_400
"""How long a parsed index that nobody opens stays in the cache."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SuiteAddress:
    """
    Where a suite stands and what shall be read of it.

    `suite` ending in a slash: a flat archive without components. `source` "" for Debian itself.
    `label` names it in messages, without host.
    """

    url: str
    suite: str
    components: tuple[str, ...]
    keys: tuple[bytes, ...] = ()
    trusted: bool = False
    source: str = ""
    pin: int | None = None

    @property
    def root(self) -> str:
        """Address of the folder that holds the Release file."""
        base = self.url.rstrip("/")
        return f"{base}/{self.suite}".rstrip("/") if self.flat else f"{base}/dists/{self.suite}"

    @property
    def flat(self) -> bool:
        """Whether it has no components."""
        return self.suite.endswith("/")

    @property
    def label(self) -> str:
        """What a message calls it."""
        return f"{self.source} {self.suite}" if self.source else self.suite


@dataclass(frozen=True, kw_only=True, slots=True)
class KnownRelease:
    """A Release file as it was read, with the verdict on its signature."""

    text: str
    release: Release
    verified: bool
    why: str
    repair: str
    read_at: float
    etag: str = ""
    modified: str = ""

    @property
    def digest(self) -> str:
        """SHA-256 of the text."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @property
    def state(self) -> str:
        """What a plan over it rests on."""
        return release_state(self.text, verified=self.verified, why=self.why, repair=self.repair)


class SuiteStore:
    """
    Reads suites, keeping what it read in *folder*.

    Safe with several threads and processes: files appear whole under names that say what they
    hold. A set is a Release file with the lists that it names of one architecture; the Release
    file is put in its place last, so that what is kept is a whole set, the old or the new one.
    What *folder* holds is used even where it takes nothing more.

    Args:
        spare: Makes a folder for this run alone, where *folder* takes no file.
    """

    def __init__(
        self,
        folder: Path,
        fetcher: Fetcher,
        environ: Mapping[str, str],
        *,
        spare: Callable[[], Path],
        now: Callable[[], float] = time.time,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self._folder = folder
        self._fetcher = fetcher
        self._environ = environ
        self._now = now
        self._sleep = sleep
        self._has_grown = False
        self._make_spare = spare
        self._spare: Path | None = None
        self._lock = threading.Lock()

    # Release files ------------------------------------------------------------------------

    def kept_release(self, address: SuiteAddress, architecture: str) -> KnownRelease | None:
        """Return the Release file of the set that is kept; None where that is nothing usable."""
        own = self.release_path(address, architecture)
        for path in (own, self._folder / _name_of(address, "")):
            try:
                return _known(json.loads(read_bytes(path, 2 * _MAX_RELEASE)))
            except (OSError, ValueError, RecursionError, KeyError, TypeError):
                continue
        return None

    def fetch_release(
        self, address: SuiteAddress, kept: KnownRelease | None
    ) -> KnownRelease | None:
        """
        Return the suite's Release file as the mirror has it now; None where it has none.

        Raises:
            IndexUnreachable: The mirror gives no usable answer.
            HashMismatch: The signature is broken.
        """
        asked: dict[str, str] = {}
        if kept is not None and kept.verified:
            if kept.etag:
                asked["If-None-Match"] = kept.etag
            if kept.modified:
                asked["If-Modified-Since"] = kept.modified
        what = f"the Release file of {address.label}"
        answer = self._fetcher.get(
            f"{address.root}/InRelease", limit=_MAX_RELEASE, what=what, headers=asked
        )
        if answer.status == 304 and kept is not None:
            return _renewed(kept, self._now())
        signed, signature, raw = True, None, answer.body
        if answer.status == 404:
            answer = self._fetcher.get(f"{address.root}/Release", limit=_MAX_RELEASE, what=what)
            if answer.status != 200:
                return None
            beside = self._fetcher.get(f"{address.root}/Release.gpg", limit=_MAX_RELEASE, what=what)
            raw = answer.body
            signed, signature = beside.status == 200, beside.body
        known = self._judged(address, raw, signature, signed=signed)
        return KnownRelease(
            **{
                **_fields(known),
                "etag": answer.headers.get("etag", "")[:200],
                "modified": answer.headers.get("last-modified", "")[:200],
            }
        )

    def _judged(
        self, address: SuiteAddress, raw: bytes, signature: bytes | None, *, signed: bool
    ) -> KnownRelease:
        what = f"the Release file of {address.label}"
        try:
            text = clear_text(raw).decode("utf-8", "replace")
            release = parse_release(text)
        except ValueError as error:
            raise IndexUnreachable(
                f"{what} could not be read",
                index="debian",
                why=str(error),
                repair=("check the address under system: {mirror: ...}",),
            ) from None
        if address.trusted:
            verdict = Verdict(True, False)
        elif not signed:
            verdict = Verdict(False, False, "it is not signed")
        else:
            verdict = verify(raw, signature, address.keys, self._environ)
        if verdict.bad:
            raise HashMismatch(
                f"{what} is not the one that was signed",
                index="debian",
                why=verdict.why,
                repair=("another mirror under system: {mirror: ...}",),
            )
        return KnownRelease(
            text=text,
            release=release,
            verified=verdict.good,
            why=verdict.why,
            repair=verdict.repair,
            read_at=self._now(),
        )

    def release_path(self, address: SuiteAddress, architecture: str) -> Path:
        """Return where the Release file of a set is kept."""
        return self._folder / _name_of(address, f"\n{architecture} {' '.join(address.components)}")

    def keep_release(
        self,
        address: SuiteAddress,
        architecture: str,
        known: KnownRelease,
        indices: Iterable[PackagesIndex],
    ) -> None:
        """
        Let *known* and its *indices*, which are all of them, be the set that is kept.

        Where one of them could not be kept, or this cannot be, the set from before stays.
        """
        if any(one.path.parent != self._folder for one in indices):
            return
        stored = {key: value for key, value in _fields(known).items() if key != "release"}
        path = self.release_path(address, architecture)
        import uuid

        part = path.with_name(f"{path.name}.{os.getpid()}-{uuid.uuid4().hex[:8]}.part")
        try:
            with suppress(OSError):
                part.write_text(json.dumps(stored), encoding="utf-8")
                part.replace(path)
        finally:
            with suppress(OSError):
                part.unlink()

    def use_kept(self, address: SuiteAddress, architecture: str) -> None:
        """Note that a kept set is used, so that `forget_unused` leaves it."""
        path = self.release_path(address, architecture)
        with suppress(OSError):
            # once a day, since what is kept of other commands rests on files that stay as they are
            if abs(self._now() - path.stat().st_mtime) > _TOUCH_S:
                os.utime(path, (self._now(), self._now()))

    # Indices ------------------------------------------------------------------------------

    def wanted_files(
        self, address: SuiteAddress, release: Release, architecture: str
    ) -> list[tuple[str, str]]:
        """Return (component, path of the uncompressed index) of what shall be read."""
        if address.flat:
            return [("", "Packages")]
        wanted = []
        for component in address.components:
            architectures = [architecture, *(["all"] if release.all_apart else [])]
            for one in architectures:
                path = f"{component}/binary-{one}/Packages"
                if any(name in release.files for name in (path, f"{path}.xz", f"{path}.gz")):
                    wanted.append((component, path))
        return wanted

    def open_index(
        self, address: SuiteAddress, release: Release, component: str, path: str, *, offline: bool
    ) -> PackagesIndex | None:
        """
        Return a parsed index; None where it is not in the cache and may not be fetched.

        Raises:
            HashMismatch: The mirror gives another file than its Release file lists.
            IndexUnreachable: It gives none.
        """
        forms = _compressed(release, path)
        if not forms:
            raise IndexUnreachable(
                f"the package index {path} of {address.label} could not be read",
                index="debian",
                why="its Release file lists none",
                repair=("check the address, suites and components in robot.yaml",),
            )
        listed = release.files.get(path) or forms[0][1]
        name = f"packages-{FORMAT}-{listed.sha256}.sqlite"
        with self._lock:
            places = [one / name for one in (self._folder, self._spare) if one is not None]
        place = next((one for one in places if is_whole(one)), None)
        if place is None:
            if offline:
                return None
            place = self._build(address, release, path, name)
            self._has_grown = True
        with suppress(OSError):
            # by the clock that `forget_unused` goes by; the disk may have another
            os.utime(place, (self._now(), self._now()))
        return PackagesIndex(
            place,
            suite=address.suite.rstrip("/") or address.source,
            component=component,
            source=address.source,
            pin=release.pin if address.pin is None else address.pin,
        )

    def _build(self, address: SuiteAddress, release: Release, path: str, place: str) -> Path:
        """Return where the parsed index called *place* now stands."""
        what = f"the package index {path} of {address.label}"
        last: HashMismatch | IndexUnreachable | None = None
        for name, listed in _compressed(release, path):
            try:
                body = self._fetch_listed(address, release, name, listed, what)
            except (HashMismatch, IndexUnreachable) as error:
                last = error
                continue
            if body is None:
                continue
            return self._written(body, name, release.files.get(path), what, place)
        raise last or IndexUnreachable(
            f"{what} could not be read",
            index="debian",
            why="the mirror lists it and does not have it",
            repair=("another mirror under system: {mirror: ...}",),
        )

    def _written(
        self, body: bytes, name: str, plain: ListedFile | None, what: str, place: str
    ) -> Path:
        trouble = "it takes no file"
        for folder in (self._folder, None):
            target = (folder or self._spare_folder()) / place
            try:
                write_index(target, _checked(_unpacked(body, name), plain, what))
            except OSError as error:
                trouble = (error.strerror or trouble).lower()
            except sqlite3.OperationalError as error:
                # a full disk, a folder that may only be read
                trouble = str(error)
            else:
                return target
        raise CannotWrite(target.parent, trouble, "type TMPDIR=FOLDER before the same command")

    def _spare_folder(self) -> Path:
        with self._lock:
            if self._spare is None:
                self._spare = self._make_spare()
            return self._spare

    def _fetch_listed(
        self, address: SuiteAddress, release: Release, name: str, listed: ListedFile, what: str
    ) -> bytes | None:
        folder, _, _ = name.rpartition("/")
        by_hash = f"{address.root}/{folder + '/' if folder else ''}by-hash/SHA256/{listed.sha256}"
        addresses = [f"{address.root}/{name}"]
        if release.by_hash:
            addresses.insert(0, by_hash)
        wrong = False
        for url in addresses:
            answer = self._fetcher.get(url, limit=min(listed.size, _MAX_INDEX) + 1, what=what)
            if answer.status != 200:
                continue
            if (
                len(answer.body) == listed.size
                and hashlib.sha256(answer.body).hexdigest() == listed.sha256
            ):
                return answer.body
            wrong = True
        if wrong:
            raise _in_between(what)
        return None

    def forget_unused(self) -> None:
        """Where an index was added, take away those that nobody opened for long; ours are open."""
        if not self._has_grown:
            return
        limit = self._now() - _KEEP_UNUSED_S
        with suppress(OSError):
            for path in self._folder.iterdir():
                old = path.name.startswith(("packages-", "release-"))
                with suppress(OSError):
                    if old and path.stat().st_mtime < limit:
                        path.unlink()


def _name_of(address: SuiteAddress, more: str) -> str:
    """Return the name of a kept Release file; without *more*, that of versions before 2026-12."""
    keys = hashlib.sha256(b"\0".join(address.keys)).hexdigest()
    words = f"{address.root}\n{address.trusted}\n{keys}{more}"
    return f"release-{hashlib.sha256(words.encode()).hexdigest()[:40]}.json"


def _fields(known: KnownRelease) -> dict[str, Any]:
    return {
        "text": known.text,
        "release": known.release,
        "verified": known.verified,
        "why": known.why,
        "repair": known.repair,
        "read_at": known.read_at,
        "etag": known.etag,
        "modified": known.modified,
    }


def _renewed(known: KnownRelease, now: float) -> KnownRelease:
    return KnownRelease(**{**_fields(known), "read_at": now})


def _known(stored: dict[str, Any]) -> KnownRelease:
    text = str(stored["text"])
    return KnownRelease(
        text=text,
        release=parse_release(text),
        verified=stored["verified"] is True,
        why=str(stored["why"]),
        repair=str(stored["repair"]),
        read_at=float(stored["read_at"]),
        etag=str(stored["etag"]),
        modified=str(stored["modified"]),
    )


def _compressed(release: Release, path: str) -> list[tuple[str, ListedFile]]:
    """Return the forms of an index that we can read, the smallest first."""
    names = (f"{path}.xz", f"{path}.gz", path)
    return [(name, release.files[name]) for name in names if name in release.files]


def _unpacked(body: bytes, name: str) -> Iterator[bytes]:
    import lzma

    view = memoryview(body)
    step = 1 << 16
    if name.endswith(".xz"):
        unpack: Any = lzma.LZMADecompressor().decompress
    elif name.endswith(".gz"):
        unpack = zlib.decompressobj(wbits=31).decompress
    else:
        unpack = bytes
    for start in range(0, len(view), step):
        yield unpack(view[start : start + step])


def _checked(chunks: Iterator[bytes], listed: ListedFile | None, what: str) -> Iterator[bytes]:
    """Pass *chunks* on and refuse at the end, before anything is kept, if they are not *listed*."""
    import lzma

    digest = hashlib.sha256()
    size = 0
    try:
        for chunk in chunks:
            digest.update(chunk)
            size += len(chunk)
            if size > (listed.size if listed else _MAX_INDEX):
                raise _in_between(what)
            yield chunk
    except (lzma.LZMAError, zlib.error):
        raise _in_between(what) from None
    if listed is not None and (size != listed.size or digest.hexdigest() != listed.sha256):
        raise _in_between(what)


def _in_between(what: str) -> HashMismatch:
    return HashMismatch(
        f"{what} is not the file that its Release file lists",
        index="debian",
        why="the mirror is probably in the middle of an update, or a proxy keeps old files",
        repair=(
            "wait some minutes, then type the same command again",
            "another mirror under system: {mirror: ...}",
        ),
    )
