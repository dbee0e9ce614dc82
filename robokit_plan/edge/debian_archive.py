"""
The Debian archive of the target, read through the mirror that this machine's apt knows.

`debian_archive` finds mirror, suites and keys; what it returns reads rows by name.
"""

from __future__ import annotations

import re
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import Self

from robokit_plan.model import (
    DebianArchive,
    DebianName,
    DebianPackage,
    Finding,
    Origin,
    Place,
    Severity,
    Source,
    System,
    age_text,
    dataclass,
    field,
    finding,
    replace,
)

from ._cached_yaml import DATA, read_data_file
from ._debian_apt_config import (
    AptSettings,
    AptSource,
    read_apt_settings,
    read_apt_sources,
)
from ._debian_fetch import Fetcher
from ._debian_index import PackagesIndex
from ._debian_names import near_names, read_name_facts
from ._debian_rows import RowReader
from ._debian_status import read_status_file
from ._debian_suite import KnownRelease, SuiteAddress, SuiteStore
from ._index_errors import HashMismatch, IndexTrouble, IndexUnreachable
from .files import passing_folder
from .interruption import worker_pool
from .kept_rows import ARCHIVE_FRESH_S, Rows
from .ordinary import read_bytes

APT_PLACE = Origin(file="apt configuration")
"""Where apt's settings come from; the machine's own paths stay out of what we print."""
_TRIES = 3
_MAX_KEY = 4_000_000

Progress = Callable[[int, int, str], object]


@dataclass(frozen=True, kw_only=True, slots=True)
class Mirrors:
    """Addresses of Debian itself: tried in turn, and whether what answers must call itself so."""

    main: tuple[SuiteAddress, ...]
    security: tuple[SuiteAddress, ...]
    must_be_debian: bool
    place: Origin
    dated: bool = False


class DebianReader:
    """
    An archive that grows with what is asked of it.

    Shape:
        `archive` what was read so far; `findings` about mirror, signatures and age; `age_s` how
        old the oldest Release file on this machine is; `grounds` what all of this rests on, None
        where the next run would ask a mirror again.
    """

    def __init__(
        self,
        archive: DebianArchive,
        rows: RowReader,
        indices: tuple[PackagesIndex, ...],
        *,
        findings: tuple[Finding, ...] = (),
        age_s: int = 0,
        grounds: Rows | None = None,
        folder: tempfile.TemporaryDirectory[str] | None = None,
    ) -> None:
        self.archive = archive
        self.findings = findings
        self.age_s = age_s
        self.grounds = grounds
        self._rows = rows
        self._indices = indices
        self._folder = folder

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let all files go."""
        for index in self._indices:
            index.close()
        if self._folder is not None:
            self._folder.cleanup()

    def read(self, names: Iterable[DebianName]) -> DebianArchive:
        """Return the archive with rows for *names* and what they lead to added."""
        asked = [DebianName(name) for name in names]
        try:
            self._rows.read(asked)
        except sqlite3.DatabaseError:
            raise _damaged() from None
        facts = self.archive.name_facts
        for name in asked:
            row = self._rows.rows[name]
            if not row.packages and not row.near:
                facts = facts or read_name_facts()
                if not row.providers:
                    near = near_names(name, self._indices)
                    self._rows.rows[name] = replace(row, near=near)
        self.archive = replace(self.archive, rows=dict(self._rows.rows), name_facts=facts)
        return self.archive


def debian_archive(
    system: System,
    *,
    root: Path,
    environ: Mapping[str, str],
    offline: bool = False,
    progress: Progress | None = None,
    folder: Path | None = None,
    settings: AptSettings | None = None,
    now: Callable[[], float] = time.time,
    sleep: Callable[[float], object] = time.sleep,
) -> DebianReader | str:
    """
    Return the archive of *system*'s release, or why none is known.

    Args:
        root: The robot's folder; key files and the status file stand below it.
        environ: PATH, proxies, certificates, ``ROBOKIT_PLAN_CACHE``.
        offline: Ask nobody; use what the cache holds.
        progress: Told about requests: done, known, label.
        folder: The cache folder; default as `environ` says.
        settings: apt's configuration; default: this machine's.

    Raises:
        IndexTrouble: A mirror is known and gives no usable answer, or offline nothing is cached.
        UnreadableFile: The status file of ``system: {base: ...}``.
    """
    data = read_data_file(DATA / "debian" / "releases.yaml")
    release = data["releases"].get(system.release)
    if release is None:
        return f"the archive of {system.release} is not known"
    settings = settings or read_apt_settings(environ)
    mirrors = archive_mirrors(system, settings, str(release["codename"]), data)
    if isinstance(mirrors, str):
        return mirrors
    if folder is None:
        folder = _cache_folder(environ)
    # What it holds is used, whether or not it takes more.
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    spare: list[tempfile.TemporaryDirectory[str]] = []

    def make_spare() -> Path:
        spare.append(passing_folder())
        return Path(spare[0].name)

    fetcher = Fetcher(settings, environ, sleep=sleep)
    try:
        job = _Job(
            system=system,
            root=root,
            mirrors=mirrors,
            store=SuiteStore(folder, fetcher, environ, spare=make_spare, now=now, sleep=sleep),
            offline=offline,
            progress=progress or (lambda _done, _known, _label: None),
            now=now,
            sleep=sleep,
        )
        reader = job.reader(str(release["codename"]), data)
    except BaseException:
        for one in spare:
            one.cleanup()
        raise
    finally:
        fetcher.close()
    if spare:
        reader._folder = spare[0]  # noqa: SLF001  it goes with what reads from it
        reader.grounds = None
    return reader


def _cache_folder(environ: Mapping[str, str]) -> Path:
    from .cache import cache_file

    return cache_file(environ).parent / "debian"


# Mirrors ----------------------------------------------------------------------------------


def archive_mirrors(
    system: System, settings: AptSettings, codename: str, data: Mapping[str, object]
) -> Mirrors | str:
    """
    Return where the archive of Debian itself is: what *system* names, else apt's own sources.

    Args:
        system: Of the robot file.
        settings: apt's configuration on this machine.
        codename: Of the release.
        data: What ``data/debian/releases.yaml`` holds.

    Returns:
        The mirrors, or in words why none is known.
    """
    keys = _debian_keys(settings, data)
    components = tuple(str(one) for one in _list(data, "components"))
    address = system.mirror if system.snapshot is None else system.dated_archive
    if system.snapshot is not None and address is None:
        return (
            f"system: {{snapshot: {system.snapshot}}} names a day, and system: {{mirror: ...}} no "
            "archive of snapshots"
        )
    if address is not None:
        word = "snapshot" if system.snapshot else "mirror"
        place = system.places.get(word) or system.places.get("system") or APT_PLACE
        main = SuiteAddress(url=address, suite=codename, components=components, keys=keys)
        return Mirrors(
            main=(main,),
            security=tuple(replace(main, url=one) for one in _security_beside(address)),
            must_be_debian=False,
            place=place,
            dated=system.snapshot is not None,
        )
    found: dict[str, SuiteAddress] = {}
    security: dict[str, SuiteAddress] = {}
    for source in read_apt_sources(settings):
        side = _side(source, data)
        if side is None:
            continue
        into = security if side == "security" else found
        into.setdefault(
            source.uri.rstrip("/"),
            SuiteAddress(
                url=source.uri,
                suite=codename,
                components=components,
                keys=(*_keys_of(source, settings), *keys),
                trusted=source.trusted,
            ),
        )
    if not found:
        if settings.etc is None:
            return "apt is not on this machine and system: {mirror: ...} names no archive"
        return (
            "apt on this machine is not configured for Debian, and system: {mirror: ...} is not set"
        )
    for main in list(found.values()):
        for beside in _security_beside(main.url):
            security.setdefault(beside.rstrip("/"), replace(main, url=beside))
    return Mirrors(
        main=tuple(found.values()),
        security=tuple(security.values()),
        must_be_debian=True,
        place=APT_PLACE,
    )


def _list(data: Mapping[str, object], key: str) -> list[object]:
    value = data[key]
    return list(value) if isinstance(value, list) else []


def _side(source: AptSource, data: Mapping[str, object]) -> str | None:
    """Return ``main`` or ``security`` for an entry that may be Debian's own, None for others."""
    scheme = source.uri.partition(":")[0]
    if scheme not in {"http", "https", "file", "copy"} or "main" not in source.components:
        return None
    name, dash, rest = source.suite.replace("/", "-").partition("-")
    if name not in _list(data, "suite-names"):
        return None
    if not dash or rest in {"updates", "proposed-updates"}:
        # The old spelling "CODENAME/updates" was the security archive.
        return "security" if "/" in source.suite else "main"
    return "security" if rest == "security" else None


def _security_beside(url: str) -> list[str]:
    """Return where the security archive of a mirror at *url* usually stands, likeliest first."""
    bare = url.rstrip("/")
    dated = re.sub(r"/debian/(\d{8}T\d{6}Z)$", r"/debian-security/\1", bare)
    beside = re.sub(r"/debian$", "/debian-security", bare)
    return list(dict.fromkeys([one for one in (dated, beside) if one != bare] + [bare]))


def _debian_keys(settings: AptSettings, data: Mapping[str, object]) -> tuple[bytes, ...]:
    root = Path(settings.option("Dir") or "/")
    found = []
    for path in _list(data, "keyrings"):
        for start in dict.fromkeys((root, Path("/"))):
            key = _read_key(start / str(path))
            if key:
                found.append(key)
                break
    return tuple(dict.fromkeys(found))


def _keys_of(source: AptSource, settings: AptSettings) -> tuple[bytes, ...]:
    if "BEGIN PGP PUBLIC KEY BLOCK" in source.signed_by:
        # An empty line inside a field is written as a full stop (deb822(5)).
        lines = [line.strip() for line in source.signed_by.splitlines()]
        return ("\n".join("" if line == "." else line for line in lines).encode(),)
    if source.signed_by:
        return tuple(
            key
            for word in source.signed_by.split()
            if word.startswith("/") and (key := _read_key(Path(word)))
        )
    if settings.etc is None:
        return ()
    try:
        paths = sorted((settings.etc / "trusted.gpg.d").iterdir())
    except OSError:
        return ()
    return tuple(
        key for path in paths if path.suffix in {".gpg", ".asc"} and (key := _read_key(path))
    )


def _read_key(path: Path) -> bytes:
    try:
        return read_bytes(path, _MAX_KEY)
    except OSError:
        return b""


# Reading ----------------------------------------------------------------------------------


@dataclass(kw_only=True, slots=True)
class _Job:
    """One opening of an archive."""

    system: System
    root: Path
    mirrors: Mirrors
    store: SuiteStore
    offline: bool
    progress: Progress
    now: Callable[[], float]
    sleep: Callable[[float], object]
    findings: list[Finding] = field(default_factory=list)
    done: int = 0
    known: int = 0
    asked_again: bool = False
    """The next run would ask a mirror even where all that was read is still fresh."""

    def reader(self, codename: str, data: Mapping[str, object]) -> DebianReader:
        """Return the opened archive."""
        wanted = self._wanted(codename, data)
        self.known = len(wanted)
        with worker_pool(4) as pool:
            opened = list(pool.map(self._opened, wanted))
        self.store.forget_unused()
        indices: list[PackagesIndex] = []
        releases: list[tuple[SuiteAddress, KnownRelease]] = []
        for (choices, must), result in zip(wanted, opened, strict=True):
            if result is None:
                self._report_absent(choices[0], must=must)
                self.asked_again = True
                continue
            address, known, files = result
            releases.append((address, known))
            indices += files
        self._report(releases)
        return self._made(indices, releases)

    def _wanted(
        self, codename: str, data: Mapping[str, object]
    ) -> list[tuple[tuple[SuiteAddress, ...], bool]]:
        """Return suites in order, each with the addresses to try and whether it must be there."""
        names = list(self.system.suites)
        must = bool(names)
        if not names:
            names = [
                f"{codename}{one['suffix']}"
                for one in _list(data, "suites")
                if isinstance(one, dict)
            ]
        wanted: list[tuple[tuple[SuiteAddress, ...], bool]] = []
        for name in names:
            side = self.mirrors.security if name.endswith("-security") else self.mirrors.main
            wanted.append(
                (tuple(replace(one, suite=name) for one in side), must or name == codename)
            )
        for source in self.system.sources:
            keys = self._source_keys(source)
            wanted += [
                (
                    (
                        SuiteAddress(
                            url=source.url,
                            suite=suite,
                            components=source.components or ("main",),
                            keys=keys,
                            source=source.name,
                            pin=source.priority,
                        ),
                    ),
                    True,
                )
                for suite in source.suites
            ]
        return wanted

    def _source_keys(self, source: Source) -> tuple[bytes, ...]:
        if source.signed_by is None:
            return ()
        path = Path(source.signed_by)
        if not path.is_absolute():
            path = (self.root / path).resolve()
            if not path.is_relative_to(self.root.resolve()):
                return ()
        key = _read_key(path)
        return (key,) if key else ()

    def _opened(
        self, wanted: tuple[tuple[SuiteAddress, ...], bool]
    ) -> tuple[SuiteAddress, KnownRelease, list[PackagesIndex]] | None:
        choices, _must = wanted
        trouble: IndexTrouble | None = None
        for address in choices:
            try:
                found = self._open_one(address)
            except IndexTrouble as error:
                trouble = error
                continue
            if found is not None:
                self.done += 1
                self.progress(self.done, self.known, address.label)
                return (address, *found)
        if trouble is not None:
            raise trouble
        return None

    def _open_one(self, address: SuiteAddress) -> tuple[KnownRelease, list[PackagesIndex]] | None:
        kept = self.store.kept_release(address, self.system.architecture)
        if kept is not None and not self._is_fit(address, kept):
            kept = None
        fresh = kept is not None and 0 <= self.now() - kept.read_at < ARCHIVE_FRESH_S
        if self.offline:
            return self._kept(address, kept, offline=True)
        if fresh and kept is not None and kept.verified:
            # A list of it may be damaged here, and on the mirror be replaced already.
            with suppress(IndexTrouble):
                return self._kept(address, kept, offline=False)
        last: IndexTrouble | None = None
        for attempt in range(_TRIES):
            if attempt:
                # Release file and indices of a mirror change one after the other; look again.
                self.sleep(2.0 * attempt)
            try:
                known = self.store.fetch_release(address, kept)
                if known is None:
                    last = None if kept is None else self._gone(address)
                    break
                if not self._is_fit(address, known):
                    return None
                indices = self._indices(address, known, offline=False)
            except HashMismatch as error:
                last = error
                if "signed" in error.message:
                    raise
                continue
            except IndexUnreachable as error:
                last = error
                break
            if indices is None:
                return None
            # Only now, as what was kept is of use until all of the new set is here.
            self.store.keep_release(address, self.system.architecture, known, indices)
            return known, indices
        if last is None:
            return None
        found = self._kept(address, kept, offline=True)
        if found is None:
            raise last
        self._report_unanswered(address, found[0], last)
        return found

    def _kept(
        self, address: SuiteAddress, kept: KnownRelease | None, *, offline: bool
    ) -> tuple[KnownRelease, list[PackagesIndex]] | None:
        """Return the set that is kept; None where it is not whole and may not be made so."""
        if kept is None:
            return None
        indices = self._indices(address, kept, offline=offline)
        if indices is None:
            return None
        architecture = self.system.architecture
        if not self.store.release_path(address, architecture).exists():
            self.store.keep_release(address, architecture, kept, indices)
        self.store.use_kept(address, architecture)
        return kept, indices

    def _gone(self, address: SuiteAddress) -> IndexUnreachable:
        return IndexUnreachable(
            f"the Release file of {address.label} could not be read",
            index="debian",
            why="the mirror had it and has it no more",
            repair=(
                "wait some minutes, as it may be in the middle of an update",
                "check system: {mirror: ..., suites: [...]} in robot.yaml",
            ),
        )

    def _is_fit(self, address: SuiteAddress, known: KnownRelease) -> bool:
        """Whether an archive found through apt is Debian's, not one with the same code names."""
        return (
            bool(address.source)
            or not self.mirrors.must_be_debian
            or known.release.origin == "Debian"
        )

    def _indices(
        self, address: SuiteAddress, known: KnownRelease, *, offline: bool
    ) -> list[PackagesIndex] | None:
        indices = []
        for component, path in self.store.wanted_files(
            address, known.release, self.system.architecture
        ):
            index = self.store.open_index(address, known.release, component, path, offline=offline)
            if index is None:
                return None
            indices.append(index)
        return indices

    # Findings -------------------------------------------------------------------------------

    def _place(self, address: SuiteAddress) -> Place:
        if address.source:
            for source in self.system.sources:
                if source.name == address.source:
                    return Place(origin=source.origin)
        return Place(origin=self.mirrors.place)

    def _report_absent(self, address: SuiteAddress, *, must: bool) -> None:
        if must:
            why = "the archive does not have it"
            if self.offline:
                why = "nothing of it is in the cache, and offline nobody is asked"
            raise IndexUnreachable(
                f"the suite {address.label} could not be read",
                index="debian",
                why=why,
                repair=(
                    "the same command without --offline, once"
                    if self.offline
                    else "check system: {mirror: ..., suites: [...]} in robot.yaml",
                ),
            )
        self.findings.append(
            finding(
                "archive-suite-missing",
                Severity.WARNING,
                f"the suite {address.suite} is not planned from",
                places=[self._place(address)],
                why="neither the mirror nor the archive beside it has it"
                if not self.offline
                else "nothing of it is in the cache, and offline nobody is asked",
                repair="system: {suites: [...]} names what the mirror has",
                resource=address.suite,
            )
        )

    def _report_unanswered(
        self, address: SuiteAddress, kept: KnownRelease, trouble: IndexTrouble
    ) -> None:
        self.findings.append(
            finding(
                "archive-stale",
                Severity.WARNING,
                f"{address.label} is planned from what was read "
                f"{age_text(self.now() - kept.read_at)}",
                places=[self._place(address)],
                why=trouble.why,
                repair=trouble.repair,
                resource=address.label,
            )
        )

    def _report(self, releases: list[tuple[SuiteAddress, KnownRelease]]) -> None:
        now = self.now()
        for address, known in releases:
            if not known.verified:
                self.findings.append(
                    finding(
                        "archive-unverified",
                        Severity.WARNING,
                        f"who made the package lists of {address.label} could not be checked",
                        places=[self._place(address)],
                        why=known.why,
                        repair=known.repair or "sudo apt-get install debian-archive-keyring gpgv",
                        resource=address.label,
                    )
                )
            until, made = known.release.valid_until, known.release.date
            if made is not None and made > now + 86_400:
                self.findings.append(
                    finding(
                        "archive-date-odd",
                        Severity.WARNING,
                        f"{address.label} was made on {_day(made)}, which is in the future here",
                        places=[self._place(address)],
                        why="the clock of this machine is probably wrong",
                        repair="timedatectl",
                        resource=address.label,
                    )
                )
            if until is not None and until < now and not self.mirrors.dated and not self.offline:
                self.findings.append(
                    finding(
                        "archive-expired",
                        Severity.WARNING,
                        f"{address.label} was valid until {_day(until)}",
                        places=[self._place(address)],
                        why="the mirror is behind, or somebody keeps newer packages from you, or "
                        "the clock of this machine is ahead",
                        repair=[
                            "another mirror under system: {mirror: ...}",
                            "timedatectl   shows the clock",
                        ],
                        resource=address.label,
                    )
                )
            if self.offline:
                self.findings.append(
                    finding(
                        "archive-stale",
                        Severity.NOTE,
                        f"{address.label} is planned from what was read "
                        f"{age_text(now - known.read_at)}",
                        places=[self._place(address)],
                        why="offline nobody is asked",
                        repair="the same command without --offline",
                        resource=address.label,
                    )
                )

    # The value ------------------------------------------------------------------------------

    def _made(
        self, indices: list[PackagesIndex], releases: list[tuple[SuiteAddress, KnownRelease]]
    ) -> DebianReader:
        only = {name: source.name for source in self.system.sources for name in source.only}
        rows = RowReader(
            indices,
            recommends=self.system.recommends,
            only=only,
            bound=[source.name for source in self.system.sources if source.only],
        )
        base: dict[DebianName, DebianPackage]
        foreign: frozenset[DebianName] = frozenset()
        complete = self.system.base is not None
        if self.system.base is not None:
            base, foreign = read_status_file(
                self.root,
                self.system.base,
                self.system.architecture,
                self.system.places.get("base")
                or self.system.places.get("image")
                or self.mirrors.place,
            )
        else:
            try:
                core = sorted({name for index in indices for name in index.read_core()})
                rows.read(core)
            except sqlite3.DatabaseError:
                raise _damaged() from None
            base = {name: rows.rows[name].packages[0] for name in core if rows.rows[name].packages}
        dates = [known.release.date for _, known in releases if known.release.date is not None]
        joined = "\n".join(
            f"{address.source} {address.suite} {known.digest}" for address, known in releases
        )
        archive = DebianArchive(
            rows=dict(rows.rows),
            base=base,
            suites=tuple(
                dict.fromkeys(address.suite for address, _ in releases if not address.source)
            ),
            as_of=_stamp(max(dates)) if dates else "",
            digest=sha256(joined.encode()).hexdigest(),
            base_complete=complete,
            base_foreign=foreign,
        )
        age = max((self.now() - known.read_at for _, known in releases), default=0)
        return DebianReader(
            archive,
            rows,
            tuple(indices),
            findings=tuple(self.findings),
            age_s=max(0, int(age)),
            grounds=self._grounds(releases, indices),
        )

    def _grounds(
        self, releases: list[tuple[SuiteAddress, KnownRelease]], indices: list[PackagesIndex]
    ) -> Rows | None:
        if self.asked_again:
            return None
        now = self.now()
        moments = [
            moment
            for _, known in releases
            for moment in (
                known.release.valid_until,
                None if known.release.date is None else known.release.date - 86_400,
            )
            if moment is not None
        ]
        return Rows(
            pages={},
            built={},
            releases={
                str(self.store.release_path(address, self.system.architecture)): known.state
                for address, known in releases
            },
            files=tuple(str(index.path) for index in indices),
            moments=tuple((moment, now > moment) for moment in sorted(set(moments))),
            ages=tuple(age_text(now - known.read_at) for _, known in releases)
            if self.offline
            else (),
        )


def _damaged() -> IndexUnreachable:
    return IndexUnreachable(
        "the kept package lists could not be read",
        index="debian",
        why="a file of the cache is damaged",
        repair=('rm -r "${ROBOKIT_PLAN_CACHE:-$HOME/.cache/robokit-plan}/debian"',),
    )


def _stamp(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _day(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d")
