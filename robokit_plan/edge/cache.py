"""
What was read from the indices once, kept in one SQLite file.

The cache may be deleted at any time: it only ever saves work. So no trouble with it ends a run;
a broken file is moved aside and begun anew, and where the folder cannot be written, memory
takes its place for this run.
"""

from __future__ import annotations

import contextlib
import threading
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, NamedTuple, Self

from .ordinary import NotOrdinary, check_ordinary

if TYPE_CHECKING:
    import sqlite3

FOLDER_VARIABLE = "ROBOKIT_PLAN_CACHE"
_SCHEMA = 1
_FILE = f"index-{_SCHEMA}.sqlite"
"""The schema is in the name, so two versions of this tool never fight over one file."""
_LIMIT_BYTES = 512_000_000
_BUSY_S = 10.0
_WORTH_PACKING = 512
_PLAIN, _PACKED = 0, 1
_MAX_UNPACKED = 256_000_000


class Entry(NamedTuple):
    """One stored value and the time (seconds since 1970) at which it was stored."""

    value: bytes
    at: float


def sealed(value: bytes) -> bytes:
    """Return *value* behind its own digest, for what nothing else can be held against."""
    return sha256(value).hexdigest().encode() + value


def find_unsealed(stored: bytes) -> bytes | None:
    """Return what was `sealed`; None where it is damaged."""
    seal, value = stored[:64], stored[64:]
    return value if sha256(value).hexdigest().encode() == seal else None


def cache_file(environ: Mapping[str, str]) -> Path:
    """Return where the cache belongs for this user; ``ROBOKIT_PLAN_CACHE`` names a folder."""
    named = environ.get(FOLDER_VARIABLE)
    if named:
        return Path(named) / _FILE
    import platformdirs

    return Path(platformdirs.user_cache_dir("robokit-plan", appauthor=False)) / _FILE


class Cache:
    """
    A map (kind, key) -> bytes that outlives the process.

    Safe with several threads and several processes at once. A value is whatever its kind says;
    a kind carries the version of its own format in its name (``page-1``). Values come from a
    file that others might have written, so readers must not trust them: no pickle.

    Args:
        path: The SQLite file; None keeps everything in memory.
        clock: Seconds since 1970, for tests.
        limit: Size of the file in bytes above which `close` drops what was stored longest ago.
    """

    def __init__(
        self,
        path: Path | None,
        *,
        clock: Callable[[], float] = time.time,
        limit: int = _LIMIT_BYTES,
    ) -> None:
        self.path = path
        self._clock = clock
        self._limit = limit
        self._lock = threading.RLock()
        self._memory: dict[tuple[str, str], Entry] = {}
        self._disk: sqlite3.Connection | None = None
        self._opened = False
        self._writable = False
        self._wrote = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def persistent(self) -> bool:
        """Whether what is put now will be there in the next run."""
        with self._lock:
            self._connection()
            return self._writable

    def get(self, kind: str, key: str) -> bytes | None:
        """Return the value of *key*, None where there is none."""
        found = self.entry(kind, key)
        return None if found is None else found.value

    def entry(self, kind: str, key: str) -> Entry | None:
        """Return the value of *key* with its time, None where there is none."""
        return self.get_many(kind, (key,)).get(key)

    def get_many(self, kind: str, keys: Iterable[str]) -> dict[str, Entry]:
        """Return those of *keys* that are stored, in the order asked."""
        wanted = list(dict.fromkeys(keys))
        with self._lock:
            missing = [key for key in wanted if (kind, key) not in self._memory]
            rows: dict[str, Entry] = {}
            for start in range(0, len(missing), 500):
                rows.update(self._read(kind, missing[start : start + 500]))
            found = {}
            for key in wanted:
                one = self._memory.get((kind, key)) or rows.get(key)
                if one is not None:
                    found[key] = one
            return found

    def put(self, kind: str, key: str, value: bytes) -> None:
        """Store *value* under *key*, in place of what was there."""
        self.put_many([(kind, key, value)])

    def put_many(self, items: Iterable[tuple[str, str, bytes]]) -> None:
        """Store all of *items* (kind, key, value) at once: all become visible, or none."""
        now = self._clock()
        stored = list(items)
        if not stored:
            return
        with self._lock:
            if not self._write(stored, now):
                for kind, key, value in stored:
                    self._memory[kind, key] = Entry(value, now)

    def close(self) -> None:
        """Drop what is too much and close the file; the cache may be used again afterwards."""
        with self._lock:
            if self._disk is not None:
                if self._wrote and self._writable:
                    self._shrink(self._disk)
                with contextlib.suppress(_errors()):
                    self._disk.close()
            self._disk, self._opened, self._writable, self._wrote = None, False, False, False

    # --- the file ---------------------------------------------------------------------------

    def _connection(self) -> sqlite3.Connection | None:
        if not self._opened:
            self._opened = True
            if self.path is not None:
                self._open(self.path)
        return self._disk

    def _open(self, path: Path) -> None:
        import sqlite3

        for _ in range(2):
            try:
                self._disk = _created(path)
            except sqlite3.OperationalError:
                break
            except sqlite3.DatabaseError:
                if not _moved_aside(path):
                    return
            except OSError:
                break
            else:
                self._writable = True
                return
        self._disk = _opened_to_read(path)

    def _read(self, kind: str, keys: list[str]) -> dict[str, Entry]:
        marks = ",".join("?" * len(keys))
        query = f"SELECT key, value, form, at FROM entry WHERE kind=? AND key IN ({marks})"  # noqa: S608  only marks
        rows: list[tuple[str, bytes, int, float]] = []
        with self._healing():
            connection = self._connection()
            if connection is not None:
                rows = connection.execute(query, (kind, *keys)).fetchall()
        found = {}
        for key, value, form, at in rows:
            plain = _unpacked(value, form)
            if plain is not None:
                found[key] = Entry(plain, at)
        return found

    def _write(self, items: list[tuple[str, str, bytes]], now: float) -> bool:
        """Return whether *items* are in the file now."""
        connection = self._connection()
        if connection is None or not self._writable:
            return False
        rows = [(kind, key, now, *_packed(value)) for kind, key, value in items]
        done = False
        with self._healing():
            with connection:
                connection.executemany(
                    "INSERT OR REPLACE INTO entry (kind, key, at, form, value) VALUES (?,?,?,?,?)",
                    rows,
                )
            done = self._wrote = True
        return done

    @contextlib.contextmanager
    def _healing(self) -> Iterator[None]:
        """Turn trouble with the file into an absent value; never an exception."""
        import sqlite3

        try:
            yield
        except sqlite3.OperationalError as error:
            # A lock held too long, a full disk or one that was taken away: the entries stay, and
            # what this run learns goes to memory. A table that is not there is damage.
            if "no such" in str(error):
                self._begin_anew()
            else:
                self._writable = False
        except sqlite3.DatabaseError:
            self._begin_anew()

    def _begin_anew(self) -> None:
        if self._disk is not None:
            with contextlib.suppress(_errors()):
                self._disk.close()
        self._disk, self._writable = None, False
        if self.path is not None and _moved_aside(self.path):
            self._open(self.path)

    def _shrink(self, connection: sqlite3.Connection) -> None:
        with contextlib.suppress(_errors()):
            if _size(connection) <= self._limit:
                return
            rows = connection.execute(
                "SELECT at, length(value) FROM entry ORDER BY at DESC"
            ).fetchall()
            held = 0
            oldest: float | None = None
            for at, length in rows:
                held += length
                if held > self._limit // 2:
                    oldest = at
                    break
            if oldest is not None:
                with connection:
                    connection.execute("DELETE FROM entry WHERE at <= ?", (oldest,))
            # As a script, since a statement alone would be stepped once and free one page.
            connection.executescript("PRAGMA incremental_vacuum")


def _created(path: Path) -> sqlite3.Connection:
    """Return a connection that may write; the file, its folder and table are made if need be."""
    import sqlite3

    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    if not _is_ordinary(path):
        raise sqlite3.DatabaseError("no ordinary file")
    connection = sqlite3.connect(path, timeout=_BUSY_S, check_same_thread=False)
    try:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version != _SCHEMA:
            if connection.execute("SELECT 1 FROM sqlite_master").fetchone() is not None:
                # Not ours, or torn while it was made.
                raise sqlite3.DatabaseError("unknown layout")  # noqa: TRY301  closed below
            connection.execute("PRAGMA auto_vacuum=INCREMENTAL")
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=NORMAL")
        if version != _SCHEMA:
            # One transaction: a second process sees no table, or the finished one.
            connection.executescript(
                "BEGIN IMMEDIATE;"
                "CREATE TABLE IF NOT EXISTS entry (kind TEXT NOT NULL, key TEXT NOT NULL,"
                " at REAL NOT NULL, form INTEGER NOT NULL, value BLOB NOT NULL,"
                " PRIMARY KEY (kind, key));"
                f"PRAGMA user_version={_SCHEMA}; COMMIT;"
            )
        # Touches the lock and the journal: tells now whether writing works here.
        connection.execute("BEGIN IMMEDIATE")
        connection.rollback()
    except BaseException:
        connection.close()
        raise
    return connection


def _opened_to_read(path: Path) -> sqlite3.Connection | None:
    """Return a connection that only reads, None where there is nothing to read."""
    import sqlite3

    if not _is_ordinary(path):
        return None
    for mode in ("mode=ro", "mode=ro&immutable=1"):
        try:
            connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?{mode}", uri=True, check_same_thread=False
            )
        except sqlite3.Error:
            continue
        try:
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            connection.execute("SELECT 1 FROM entry LIMIT 1").fetchone()
        except sqlite3.Error:
            connection.close()
            continue
        if version == _SCHEMA:
            return connection
        connection.close()
    return None


def _is_ordinary(path: Path) -> bool:
    """Whether *path* and what the library opens beside it are files, as far as they are there."""
    try:
        for suffix in ("", "-wal", "-shm", "-journal"):
            check_ordinary(f"{path}{suffix}")
    except NotOrdinary:
        return False
    return True


def _moved_aside(path: Path) -> bool:
    """Return whether the broken *path* is out of the way, kept beside it for whoever asks."""
    try:
        path.replace(path.with_suffix(".broken"))
        for suffix in ("-wal", "-shm", "-journal"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return True


def _size(connection: sqlite3.Connection) -> int:
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    (free,) = connection.execute("PRAGMA freelist_count").fetchone()
    (each,) = connection.execute("PRAGMA page_size").fetchone()
    return int((pages - free) * each)


def _packed(value: bytes) -> tuple[int, bytes]:
    """Return form and bytes; packed only where that saves an eighth or more."""
    if len(value) >= _WORTH_PACKING:
        small = zlib.compress(value, 1)
        if len(small) * 8 < len(value) * 7:
            return _PACKED, small
    return _PLAIN, value


def _unpacked(value: object, form: object) -> bytes | None:
    """Return the value as it was put, None where the row is damaged."""
    if not isinstance(value, bytes):
        return None
    if form == _PLAIN:
        return value
    if form != _PACKED:
        return None
    unpacking = zlib.decompressobj()
    try:
        plain = unpacking.decompress(value, _MAX_UNPACKED)
    except zlib.error:
        return None
    return plain if unpacking.eof else None


def _errors() -> type[Exception]:
    import sqlite3

    return sqlite3.Error
