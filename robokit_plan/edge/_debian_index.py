"""
A Packages file as a small database that answers by name.

Parsing 60,000 stanzas takes seconds, a plan needs a few hundred of them. So each file is parsed
once into SQLite, under the SHA-256 of the file itself; what bears that name never changes, and
two processes that build the same one merely do the work twice.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, suppress
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

from robokit_plan.model import DebianName, DebianPackage

from .ordinary import check_ordinary, opened

# Raised when the columns below change meaning; old files are then simply not found.
FORMAT = 2

_FIELDS = (
    "Version",
    "Architecture",
    "Section",
    "Priority",
    "Essential",
    "Protected",
    "Important",
    "Multi-Arch",
    "Pre-Depends",
    "Depends",
    "Recommends",
    "Conflicts",
    "Breaks",
    "Replaces",
    "Provides",
    "Filename",
    "Size",
    "Installed-Size",
    "SHA256",
)
# apt numbers names as it first meets them, in this order (deblistparser.cc, apt 2.6).
_MENTIONS = (
    "Pre-Depends",
    "Depends",
    "Conflicts",
    "Breaks",
    "Recommends",
    "Suggests",
    "Replaces",
    "Enhances",
    "Provides",
)
_WANTED = "|".join(dict.fromkeys(("Package", "Status", *_FIELDS, *_MENTIONS)))
_FIELD = re.compile(rf"^({_WANTED}):[ \t]*(.*(?:\n[ \t].*)*)", re.MULTILINE | re.IGNORECASE)
_NAME = re.compile(r"(?:^|[,|])\s*([a-z0-9][a-z0-9+.-]+)(?![a-z0-9+.:-])")
_PROVIDED = re.compile(r"(?:^|,)\s*([a-z0-9][a-z0-9+.-]+)(?![a-z0-9+.-])")
"""The architecture that may follow is for the resolver to judge."""
_SEPARATOR = "\x1f"
_CHUNK = 500


class IndexRecord(NamedTuple):
    """One stanza as stored; `rank` is the place of its name among all names of the file."""

    name: DebianName
    rank: int
    values: tuple[str, ...]


def stanzas(chunks: Iterable[bytes]) -> Iterator[str]:
    """Yield the paragraphs of a control file (Policy 5.1) that arrives in pieces."""
    rest = b""
    for chunk in chunks:
        *whole, rest = (rest + chunk).split(b"\n\n")
        for part in whole:
            if part.strip():
                yield part.decode("utf-8", "replace")
    if rest.strip():
        yield rest.decode("utf-8", "replace")


def fields_of(stanza: str) -> dict[str, str]:
    """Return the fields that we use, by their usual spelling; folded lines are joined."""
    found = {}
    for key, value in _FIELD.findall(stanza):
        found[key] = " ".join(value.split()) if "\n" in value else value.strip()
    return found


def write_index(path: Path, chunks: Iterable[bytes]) -> int:
    """
    Parse a Packages file into a database at *path*; return the number of stanzas.

    The file appears whole or not at all. `chunks` is read once, as it comes.
    """
    partial = path.with_name(f"{path.name}.{_unique()}.part")
    try:
        with closing(sqlite3.connect(partial, isolation_level=None)) as database:
            for pragma in ("journal_mode=OFF", "synchronous=OFF", "cache_size=-8000"):
                database.execute(f"PRAGMA {pragma}")
            database.execute("BEGIN")
            count = _fill(database, chunks)
            database.execute("COMMIT")
        partial.replace(path)
    finally:
        with suppress(OSError):
            partial.unlink()
    return count


def _unique() -> str:
    import os
    import uuid

    return f"{os.getpid()}-{uuid.uuid4().hex[:8]}"


def _fill(database: sqlite3.Connection, chunks: Iterable[bytes]) -> int:
    database.execute("CREATE TABLE stanza (name TEXT, place INTEGER, record TEXT)")
    database.execute("CREATE TABLE provision (virtual TEXT, name TEXT)")
    database.execute("CREATE TABLE core (name TEXT)")
    ranks: dict[str, int] = {}
    rows: list[tuple[str, int, str]] = []
    provisions: list[tuple[str, str]] = []
    core: list[tuple[str]] = []
    count = 0
    for stanza in stanzas(chunks):
        # What separates our columns stands in no field of an archive; a stranger may put it there.
        fields = fields_of(stanza.replace(_SEPARATOR, " "))
        name = fields.get("Package", "")
        if not name or "Version" not in fields:
            continue
        count += 1
        rank = ranks.setdefault(name, len(ranks))
        for key in _MENTIONS:
            if key in fields:
                for mentioned in _NAME.findall(fields[key]):
                    if mentioned not in ranks:
                        ranks[mentioned] = len(ranks)
        rows.append((name, rank, _SEPARATOR.join([fields.get(key, "") for key in _FIELDS])))
        if "Provides" in fields:
            virtuals = set(_PROVIDED.findall(fields["Provides"]))
            provisions += [(virtual, name) for virtual in virtuals]
        if fields.get("Essential") == "yes" or fields.get("Priority") in {"required", "important"}:
            core.append((name,))
        if len(rows) >= 5000:
            database.executemany("INSERT INTO stanza VALUES (?,?,?)", rows)
            rows.clear()
    database.executemany("INSERT INTO stanza VALUES (?,?,?)", rows)
    database.executemany("INSERT INTO provision VALUES (?,?)", provisions)
    database.executemany("INSERT INTO core VALUES (?)", core)
    database.execute("CREATE INDEX by_name ON stanza (name)")
    database.execute("CREATE INDEX by_virtual ON provision (virtual)")
    return count


def is_whole(path: Path) -> bool:
    """
    Whether *path* is a database as long as it says of itself; a look that costs nothing.

    Source: SQLite database file format 1.3, fields page size and size in pages.
    """
    try:
        with opened(path) as file:
            head = file.read(100)
            length = os.fstat(file.fileno()).st_size
    except OSError:
        return False
    if len(head) < 100 or not head.startswith(b"SQLite format 3\0"):
        return False
    page = int.from_bytes(head[16:18], "big")
    return length == (65536 if page == 1 else page) * int.from_bytes(head[28:32], "big")


class PackagesIndex:
    """
    One parsed Packages file, open for reading.

    `suite`, `component`, `source` and `pin` are what its packages shall say of themselves.
    """

    def __init__(
        self, path: Path, *, suite: str, component: str, source: str = "", pin: int = 500
    ) -> None:
        self.path = path
        self.suite = suite
        self.component = component
        self.source = source
        self.pin = pin
        # The file never changes once it has its name, so no lock is needed.
        address = f"file:{quote(str(path))}?mode=ro&immutable=1"
        check_ordinary(path)
        self._database = sqlite3.connect(address, uri=True, check_same_thread=False)

    def close(self) -> None:
        """Let the file go."""
        self._database.close()

    def __del__(self) -> None:
        # Where opening an archive failed half-way, nobody else holds the files already open.
        with suppress(AttributeError):
            self._database.close()

    def read_records(self, names: list[DebianName]) -> list[IndexRecord]:
        """Return the stanzas that bear one of *names*."""
        return [
            IndexRecord(DebianName(name), int(rank), tuple(record.split(_SEPARATOR)))
            for name, rank, record in self._select(
                "SELECT name, place, record FROM stanza WHERE name IN", names
            )
        ]

    def read_provisions(self, names: list[DebianName]) -> list[tuple[DebianName, DebianName]]:
        """Return (virtual name, providing package) for what provides one of *names*."""
        return [
            (DebianName(virtual), DebianName(name))
            for virtual, name in self._select(
                "SELECT virtual, name FROM provision WHERE virtual IN", names
            )
        ]

    def read_names(self) -> list[DebianName]:
        """Return every name in the file."""
        return [DebianName(name) for (name,) in self._database.execute("SELECT name FROM stanza")]

    def read_names_like(
        self, name: str, exact: Iterable[str], *, libraries: bool
    ) -> list[DebianName]:
        """
        Return the names that may be meant by *name*: those in *exact*, and those of about its
        length that begin or end alike; with *libraries* those of all libraries too.
        """
        same = [*exact]
        rows = self._database.execute(
            f"SELECT DISTINCT name FROM stanza WHERE name IN ({','.join('?' * len(same))})"  # noqa: S608  only marks
            " OR (? AND name >= 'lib' AND name < 'lic')"
            " OR (length(name) BETWEEN ? AND ?"
            " AND (substr(name, 1, 2) = ? OR substr(name, -4) = ?))",
            (*same, libraries, len(name) - 2, len(name) + 2, name[:2], name[-4:]),
        )
        return [DebianName(one) for (one,) in rows]

    def read_core(self) -> list[DebianName]:
        """Return the essential names and those of Priority required or important."""
        return [DebianName(name) for (name,) in self._database.execute("SELECT name FROM core")]

    def package(self, record: IndexRecord) -> DebianPackage:
        """Return *record* as a value."""
        return package_of(
            record.name,
            dict(zip(_FIELDS, record.values, strict=True)),
            suite=self.suite,
            component=self.component,
            source=self.source,
            pin=self.pin,
        )

    def _select(self, query: str, names: list[DebianName]) -> Iterator[tuple[str, ...]]:
        for start in range(0, len(names), _CHUNK):
            part = names[start : start + _CHUNK]
            marks = ",".join("?" * len(part))
            yield from self._database.execute(f"{query} ({marks})", part)


def package_of(
    name: str,
    fields: Mapping[str, str],
    *,
    suite: str,
    component: str = "",
    source: str = "",
    pin: int = 500,
) -> DebianPackage:
    """Return a package from the fields of a stanza (Policy 5.3; repository format)."""
    return DebianPackage(
        name=DebianName(name),
        version=fields.get("Version", ""),
        architecture=fields.get("Architecture", ""),
        suite=suite,
        component=component,
        source=source,
        section=fields.get("Section", ""),
        priority=fields.get("Priority", "") or "optional",
        essential=fields.get("Essential") == "yes",
        # apt guards both names of the field alike (deblistparser.cc, apt 2.6).
        protected="yes" in {fields.get("Protected"), fields.get("Important")},
        multi_arch=fields.get("Multi-Arch", "") or "no",
        pre_depends=fields.get("Pre-Depends", ""),
        depends=fields.get("Depends", ""),
        recommends=fields.get("Recommends", ""),
        conflicts=fields.get("Conflicts", ""),
        breaks=fields.get("Breaks", ""),
        replaces=fields.get("Replaces", ""),
        provides=fields.get("Provides", ""),
        filename=fields.get("Filename", ""),
        size=_number(fields.get("Size")),
        # Installed-Size counts units of 1024 bytes (Policy 5.6.20).
        installed_size=_number(fields.get("Installed-Size")) * 1024,
        sha256=fields.get("SHA256", "").lower(),
        pin=pin,
    )


def _number(text: str | None) -> int:
    # No size has more digits; beyond thousands of them Python reads no number at all.
    return int(text) if text and re.fullmatch("[0-9]{1,18}", text) else 0
