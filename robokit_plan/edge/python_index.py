"""
The Python indexes: project pages and core metadata, fetched in parallel and kept.

The pure resolver says what it needs; `PythonIndexes.fetch` answers from the cache and asks
the network for the rest. What is read here never depends on the order in which answers come.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from types import TracebackType
from typing import TYPE_CHECKING, Self

from robokit_plan.model import (
    DistributionMetadata,
    DistributionName,
    IndexFile,
    ProjectPage,
    dataclass,
    few,
    field,
    replace,
)

from ._index_errors import HashMismatch, IndexTrouble, IndexUnreachable
from ._index_page import (
    ACCEPT,
    Keep,
    parse_page,
    parse_stored_page,
    stored_page,
    thin_page,
)
from ._index_rows import PageUnreadable
from ._metadata import parse_stored_metadata, stored_metadata, unknown
from ._pip_config import IndexSettings, IndexSource, config_files, index_settings, normal_name
from .cache import Cache
from .kept_rows import BUILT, HEAD, PageHead, built_states, is_fresh, parse_head, stored_head

if TYPE_CHECKING:
    from ._transport import Client, Reply

__all__ = [
    "Fetched",
    "HashMismatch",
    "IndexSettings",
    "IndexSource",
    "IndexTrouble",
    "IndexUnreachable",
    "Progress",
    "PythonIndexes",
    "config_files",
    "index_settings",
    "kept_for",
]

Progress = Callable[[int, int, str], None]
"""Called in the caller's thread with jobs done, jobs known and the name of the last one."""

_PAGE, _METADATA = "page-1", "metadata-1"
_THIN = "page-1-for"
"""A page without the files that a machine cannot use, after the digest of the whole page."""
_FRESH_S = 600.0
"""How long a page counts as fresh where the server does not say; public indexes say the same."""
_MAX_FRESH_S = 86_400.0
_DOUBTFUL_FRESH_S = 86_400.0
"""Metadata of a wheel without a hash, or one that could not be read, is read again after a day."""
_MAX_PAGE = 100_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Fetched:
    """
    Answers to one question.

    Shape:
        `pages` name -> its page on each index asked, in index order, one for every name that
        was asked; `metadata` `IndexFile.key` -> metadata, one for every file that was asked.
        `age_s`: age of the oldest page among them, 0 where all were just read. `states` and
        `built` as `Rows` has them; `doubtful`: some metadata is read anew after a day.
    """

    pages: Mapping[DistributionName, tuple[ProjectPage, ...]] = field(default_factory=dict)
    metadata: Mapping[str, DistributionMetadata] = field(default_factory=dict)
    age_s: int = 0
    states: Mapping[str, str] = field(default_factory=dict)
    built: Mapping[str, str] = field(default_factory=dict)
    doubtful: bool = False


class PythonIndexes:
    """
    Reads Python indexes.

    Args:
        settings: What `index_settings` found.
        cache: Kept between runs.
        offline: Use only what the cache holds, however old.
        progress: Told of every finished request.
        keep: Which files of a page are worth making, by their names. For speed alone, since of
            a project's thousands of files few fit a robot. See `kept_for`.
        kept_as: Names what `keep` keeps; pages without the rest are then kept under it.
        clock: Seconds since 1970, for tests; the cache has its own.
        sleep: Waits so many seconds between tries, for tests.
    """

    def __init__(
        self,
        settings: IndexSettings,
        cache: Cache,
        *,
        offline: bool = False,
        progress: Progress | None = None,
        keep: Keep | None = None,
        kept_as: str = "",
        clock: Callable[[], float] = time.time,
        sleep: Callable[[float], object] | None = None,
    ) -> None:
        self.settings = settings
        self._cache = cache
        self._offline = offline
        self._progress = progress
        self._keep = keep
        self._thin = f"{_THIN}-{kept_as}" if keep is not None and kept_as else ""
        self._clock = clock
        self._sleep = sleep
        self._client: Client | None = None

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
        """Drop all connections; the cache stays open, it is the caller's."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def fetch(
        self,
        pages: Iterable[DistributionName] = (),
        metadata: Iterable[IndexFile] = (),
        *,
        contents: bool = False,
    ) -> Fetched:
        """
        Return what is asked, from the cache where it is fresh there, else from the indexes.

        Args:
            pages: Projects; each is asked of the indexes that may answer for it.
            metadata: Files whose core metadata is wanted. Trouble with one file is no
                exception: its `requires_dist` is None and its `reason` says why.
            contents: Wheels must also tell modules and installed size, which metadata that an
                index advertises beside the wheel does not.

        Raises:
            IndexUnreachable: No index is known, one gave no answer, or `offline` and the
                cache does not hold it.
            HashMismatch: A file is not the one whose hash the index lists.
        """
        names = tuple(dict.fromkeys(pages))
        files = {file.key: file for file in metadata}
        asked = {name: self._sources(name) for name in names}
        beside, unread = self._beside(names)
        asked = {name: (*asked[name], *beside.get(name, ())) for name in names}
        sources = {source.page_url(name): source for name in names for source in asked[name]}
        projects = {source.page_url(name): name for name in names for source in asked[name]}
        held = self._held_pages(sources)
        known = self._known_metadata(files.values(), contents=contents)
        now = self._clock()
        glanced = {source.page_url(name) for name in beside for source in beside[name]}
        old = [url for url in sources if not self._fresh(held.get(url), now) and url not in glanced]
        missing = [file for key, file in files.items() if key not in known]
        if self._offline:
            self._refuse(old, missing, sources, projects)
        elif old or missing:
            jobs: list[tuple[str, Callable[[], _Learned]]] = [
                (
                    projects[url],
                    partial(self._ask_page, url, sources[url], projects[url], held.get(url)),
                )
                for url in old
            ]
            jobs += [
                (file.filename, partial(self._ask_metadata, file, contents)) for file in missing
            ]
            for learned in self._run(jobs):
                held.update(learned.pages)
                known.update(learned.metadata)
        held = self._thinned(held, sources)
        return Fetched(
            pages={
                name: tuple(
                    self._page(source, name, held[source.page_url(name)]) for source in asked[name]
                )
                for name in names
            },
            metadata={key: known[key] for key in files},
            age_s=max(0, int(now - min((held[url].at for url in sources), default=now))),
            states={url: _head_of(held[url]).state for url in sources},
            built=built_states(self._cache, _built_keys(files.values())),
            doubtful=unread or any(_is_doubtful(file, known[key]) for key, file in files.items()),
        )

    def digest(self, pages: Iterable[DistributionName]) -> str | None:
        """
        Return a SHA-256 over the pages of *pages* as `fetch` would return them now.

        Reads no page, so a plan that was kept under it costs next to nothing to confirm.

        Returns:
            None where `fetch` would ask the network, or where some file has no hash, so that
            its metadata might change while its page does not.
        """
        urls = {
            source.page_url(name): source.name for name in pages for source in self._sources(name)
        }
        now = self._clock()
        total = hashlib.sha256()
        heads = self._cache.get_many(HEAD, sorted(urls))
        for url in sorted(urls):
            entry = heads.get(url)
            head = None if entry is None else _held_of(entry.value, entry.at, b"")
            if head is None or not head.hashed or not self._fresh(head, now):
                return None
            total.update(f"{urls[url]} {url} {head.digest}\n".encode())
        return total.hexdigest()

    def build_metadata(
        self, files: Iterable[IndexFile], environ: Mapping[str, str]
    ) -> dict[str, DistributionMetadata]:
        """
        Return what the builds of *files*, sdists, say: runs code of strangers, only where asked.

        One after the other, since a build may use the whole machine. Kept by hash, so checking
        profits later without building.

        Args:
            files: Sdists whose `fetch` knew no `requires_dist`.
            environ: Environment variables; what pip and a compiler need of them is passed on.

        Raises:
            IndexUnreachable, HashMismatch: As `fetch`.
        """
        from ._build_metadata import built_metadata
        from ._wheel_range import FileGone

        found = {}
        unique = {file.key: file for file in files}
        for number, (key, file) in enumerate(unique.items(), 1):
            stored = self._cache.get(BUILT, _metadata_key(file))
            one = None if stored is None else parse_stored_metadata(stored)
            if one is None:
                try:
                    one = built_metadata(self._connected(), file, environ)
                except FileGone:
                    one = _gone(file)
                if one.requires_dist is not None:
                    self._cache.put(BUILT, _metadata_key(file), stored_metadata(one))
            found[key] = one
            if self._progress is not None:
                self._progress(number, len(unique), file.filename)
        return found

    def _run(self, jobs: list[tuple[str, Callable[[], _Learned]]]) -> list[_Learned]:
        """
        Return the results of *jobs* in their order; all is kept, even where one failed.

        Raises:
            IndexTrouble: Of the first in order that failed.
        """
        from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait

        from ._transport import CONNECTIONS, Stopped

        client = self._connected()
        pool = ThreadPoolExecutor(min(CONNECTIONS, len(jobs)), thread_name_prefix="index")
        learned: list[_Learned] = []
        abandoned = True
        try:
            futures = [pool.submit(job) for _, job in jobs]
            labels = dict(zip(futures, (label for label, _ in jobs), strict=True))
            open_ = set(futures)
            while open_:
                done, open_ = wait(open_, return_when=FIRST_COMPLETED)
                if any(future.exception() is not None for future in done):
                    break
                for future in sorted(done, key=futures.index):
                    if self._progress is not None:
                        self._progress(len(jobs) - len(open_), len(jobs), labels[future])
            abandoned = False
        finally:
            # Also on Ctrl-C: what is under way ends at its next piece of data. Who is interrupted
            # does not wait for that.
            failed = any(not future.done() or future.exception() for future in futures)
            if failed:
                client.stop()
            pool.shutdown(wait=not abandoned, cancel_futures=True)
            errors = []
            for future in futures:
                if not future.done():
                    continue
                error = None if future.cancelled() else future.exception()
                if error is not None and not isinstance(error, Stopped):
                    errors.append(error)
                elif error is None and not future.cancelled():
                    learned.append(future.result())
            self._cache.put_many(item for one in learned for item in one.items)
            if failed:
                self.close()
        if errors:
            raise errors[0]
        return learned

    def _connected(self) -> Client:
        from ._pip_access import PipAccess
        from ._transport import Client

        if self._client is None:
            self._client = Client(PipAccess(self.settings), sleep=self._sleep)
        return self._client

    # --- pages ------------------------------------------------------------------------------

    def _sources(self, name: DistributionName) -> tuple[IndexSource, ...]:
        asked = self.settings.asked_for(name)
        if not asked:
            raise IndexUnreachable(
                f"no Python index may be asked for {name}",
                index="default",
                why="neither pip's configuration nor the robot file names one that can be used",
                repair=("pip config set global.index-url https://…",),
            )
        return asked

    def _beside(
        self, names: Iterable[DistributionName]
    ) -> tuple[dict[DistributionName, tuple[IndexSource, ...]], bool]:
        """
        Return where else bound ones of *names* were looked for, and whether some was not read.

        Only a word about strangers depends on it, so an index that does not answer is no trouble.
        """
        wanted = {name: found for name in names if (found := self.settings.beside(name))}
        if not wanted:
            return {}, False
        sources = {source.page_url(name): source for name in wanted for source in wanted[name]}
        projects = {source.page_url(name): name for name in wanted for source in wanted[name]}
        held = self._held_pages(sources)
        now = self._clock()
        old = [url for url in sources if not self._fresh(held.get(url), now)]
        if old and not self._offline:
            with suppress(IndexTrouble):
                self._run(
                    [
                        (
                            projects[url],
                            partial(
                                self._ask_page, url, sources[url], projects[url], held.get(url)
                            ),
                        )
                        for url in old
                    ]
                )
            held = self._held_pages(sources)
        read = {
            name: tuple(one for one in wanted[name] if one.page_url(name) in held)
            for name in wanted
        }
        return read, not self._offline and any(not found for found in read.values())

    def _held_pages(self, urls: Iterable[str]) -> dict[str, _Held]:
        """Return what the cache holds, url -> page; the fresh and the old."""
        asked = list(urls)
        heads = self._cache.get_many(HEAD, asked)
        thin = self._cache.get_many(self._thin, heads) if self._thin else {}
        held = {}
        whole = []
        for url, (value, at) in heads.items():
            page = _held_of(value, at, b"")
            if page is None:
                continue
            held[url] = page
            if url in thin and page.digest and thin[url].value[:64] == page.digest.encode():
                held[url] = replace(page, body=thin[url].value[64:], thin=True)
            elif not page.absent:
                whole.append(url)
        bodies = self._cache.get_many(_PAGE, whole)
        for url in whole:
            if url in bodies:
                held[url] = replace(held[url], body=bodies[url].value)
            else:
                del held[url]
        return held

    def _thinned(
        self, pages: Mapping[str, _Held], sources: Mapping[str, IndexSource]
    ) -> dict[str, _Held]:
        """Return *pages* without files that no robot of this machine uses, kept for next time."""
        if not self._thin or self._keep is None:
            return dict(pages)
        found = dict(pages)
        items = []
        for url, page in pages.items():
            if page.thin or page.absent or not page.digest or sources[url].flat:
                continue
            body = thin_page(page.body, self._keep)
            if body is not None:
                items.append((self._thin, url, page.digest.encode() + body))
                found[url] = replace(page, body=body, thin=True)
        self._cache.put_many(items)
        return found

    def _fresh(self, page: _Held | None, now: float) -> bool:
        if page is None:
            return False
        return is_fresh(page.fresh_s, page.at, now, offline=self._offline)

    def _page(self, source: IndexSource, name: DistributionName, held: _Held) -> ProjectPage:
        keep = partial(_belongs, name) if source.flat else self._keep
        unsifted = None if held.thin else keep
        files = () if held.absent else parse_stored_page(held.body, source.name, unsifted)
        if files is None:
            # A damaged entry; the row stays wrong until it is asked anew.
            url = source.page_url(name)
            if self._offline:
                self._refuse([url], [], {url: source}, {url: name})
            (learned,) = self._run([(name, partial(self._ask_page, url, source, name, None))])
            files = parse_stored_page(learned.pages[url].body, source.name, keep) or ()
        return ProjectPage(name=name, index=source.name, files=files)

    def _ask_page(
        self, url: str, source: IndexSource, name: DistributionName, held: _Held | None
    ) -> _Learned:
        what = "its list of files" if source.flat else f"the page of {name}"
        headers = {"Accept": ACCEPT}
        if held is not None and not held.absent:
            if held.etag:
                headers["If-None-Match"] = held.etag
            if held.modified:
                headers["If-Modified-Since"] = held.modified

        def use(reply: Reply) -> _Held:
            now = self._clock()
            fresh_s = _fresh_seconds(reply.headers.get("cache-control", ""))
            if reply.status == 304 and held is not None:
                return replace(held, at=now, fresh_s=fresh_s)
            if reply.status in {404, 410}:
                return _Held(at=now, fresh_s=min(fresh_s, _FRESH_S), absent=True)
            check_status(reply.status, source.name, what)
            rows = parse_page(
                reply.body(_MAX_PAGE), reply.headers.get("content-type", ""), reply.url
            )
            body = stored_page(rows)
            return _Held(
                at=now,
                fresh_s=fresh_s,
                etag=reply.headers.get("etag", ""),
                modified=reply.headers.get("last-modified", ""),
                digest=hashlib.sha256(body).hexdigest(),
                hashed=all(row.sha256 for row in rows),
                body=body,
            )

        from ._transport import TooLarge
        from ._wheel_range import check_status

        try:
            page = self._connected().ask(url, use, index=source.name, what=what, headers=headers)
        except (PageUnreadable, TooLarge) as error:
            raise IndexUnreachable(
                f"the Python index {source.name} did not give {what}",
                index=source.name,
                why=str(error) or "its page is larger than any page should be",
                repair=("pip config list  (is the address that of a Simple API index?)",),
            ) from None
        items = [(HEAD, url, stored_head(_head_of(page)))]
        if not page.absent and (held is None or page.body is not held.body):
            items.append((_PAGE, url, page.body))
        return _Learned(pages={url: page}, items=tuple(items))

    # --- metadata ---------------------------------------------------------------------------

    def _known_metadata(
        self, files: Iterable[IndexFile], *, contents: bool
    ) -> dict[str, DistributionMetadata]:
        """Return what the cache holds, `IndexFile.key` -> metadata."""
        by_key = {_metadata_key(file): file for file in files}
        now = self._clock()
        found = {}
        for key, (value, at) in self._cache.get_many(_METADATA, by_key).items():
            file = by_key[key]
            one = parse_stored_metadata(value)
            if one is None:
                continue
            wheel = file.filename.endswith(".whl")
            if wheel and contents and one.requires_dist is not None and one.modules is None:
                continue
            # The bytes behind a hash never change; all else may.
            if not _is_doubtful(file, one) or self._offline or abs(now - at) < _DOUBTFUL_FRESH_S:
                found[file.key] = one
        unknown = {
            key: file
            for key, file in by_key.items()
            if file.key in found and found[file.key].requires_dist is None
        }
        for key, (value, _) in self._cache.get_many(BUILT, unknown).items():
            one = parse_stored_metadata(value)
            if one is not None:
                found[unknown[key].key] = one
        return found

    def _ask_metadata(self, file: IndexFile, contents: bool) -> _Learned:
        from ._sdist import sdist_metadata
        from ._wheel_range import FileGone, advertised_metadata, wheel_metadata

        client = self._connected()
        found = None
        try:
            if not file.filename.endswith(".whl"):
                found = sdist_metadata(client, file)
            elif file.metadata_sha256 is not None and not contents:
                found = advertised_metadata(client, file)
            if found is None:
                found = wheel_metadata(client, file)
        except FileGone:
            return _Learned(metadata={file.key: _gone(file)})
        item = (_METADATA, _metadata_key(file), stored_metadata(found))
        return _Learned(metadata={file.key: found}, items=(item,))

    def _refuse(
        self,
        urls: list[str],
        files: list[IndexFile],
        sources: Mapping[str, IndexSource],
        projects: Mapping[str, DistributionName],
    ) -> None:
        """Refuse to go on where the network may not be used and the cache does not suffice."""
        what = [f"the page of {projects[url]}" for url in urls]
        what += [f"the metadata of {file.filename}" for file in files]
        if not what:
            return
        raise IndexUnreachable(
            f"{few(what, 3)} {'was' if len(what) == 1 else 'were'} never read",
            index=sources[urls[0]].name if urls else files[0].index,
            why="the network is not to be used, and the cache of this machine does not hold it",
            repair=("the same command once with the network",),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Held:
    """
    A page as it is kept.

    `at`: when it was last read or confirmed. `fresh_s`: how long that holds. `absent`: the index
    has no such project. `digest`: of the whole body. `hashed`: every file has a hash. `body`: see
    `stored_page`; `thin`: it lacks what is not used here, see `thin_page`.
    """

    at: float
    fresh_s: float
    etag: str = ""
    modified: str = ""
    absent: bool = False
    digest: str = ""
    hashed: bool = True
    body: bytes = b""
    thin: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class _Learned:
    """What one request taught, and the entries that keep it."""

    pages: Mapping[str, _Held] = field(default_factory=dict)
    metadata: Mapping[str, DistributionMetadata] = field(default_factory=dict)
    items: tuple[tuple[str, str, bytes], ...] = ()


def kept_for(architecture: str) -> Keep:
    """
    Return which files a robot of Debian's *architecture* needs to know of.

    A wheel for another machine is left out only where its version has a wheel for this machine
    or for any: so where nothing fits, a message can still list all that there is.
    """
    machine = {"arm64": "aarch64", "armhf": "armv7l", "amd64": "x86_64"}.get(architecture, "")
    fitting: dict[str, bool] = {}

    def fits(platforms: str) -> bool:
        found = fitting.get(platforms)
        if found is None:
            found = fitting[platforms] = any(
                one == "any" or ("linux" in one and one.endswith(machine))
                for one in platforms.removesuffix(".whl").split(".")
            )
        return found

    def keep(names: Sequence[str]) -> list[bool]:
        versions: list[str | None] = []
        served = set()
        for name in names:
            version = None
            if name.endswith(".whl"):
                pieces = name.split("-", 2)
                if len(pieces) == 3:
                    version = pieces[1]
                    if fits(name[name.rfind("-") + 1 :]):
                        served.add(version)
                        version = None
            versions.append(version)
        return [version not in served for version in versions]

    return keep


def _belongs(name: DistributionName, filenames: Sequence[str]) -> list[bool]:
    """Return which files of a page of many projects are those of *name*."""
    return [
        normal_name(one.partition("-")[0] if one.endswith(".whl") else one.rpartition("-")[0])
        == name
        for one in filenames
    ]


def _gone(file: IndexFile) -> DistributionMetadata:
    project = normal_name(file.filename.partition("-")[0])
    return unknown(project, "", "its index lists this file but does not have it", "index")


def _built_keys(files: Iterable[IndexFile]) -> list[str]:
    """Return the keys under which a build's metadata of *files* may be kept."""
    return [_metadata_key(file) for file in files if not file.filename.endswith(".whl")]


def _is_doubtful(file: IndexFile, one: DistributionMetadata) -> bool:
    """Whether metadata is read anew after a day, since nothing vouches for it."""
    wheel = file.filename.endswith(".whl")
    return not file.sha256 or (wheel and one.requires_dist is None)


def _metadata_key(file: IndexFile) -> str:
    """Return what names the bytes *and* who vouches for them: another index may lie about both."""
    return f"{file.sha256 or ''} {file.url}"


def _fresh_seconds(cache_control: str) -> float:
    """Return how long an answer is fresh (RFC 9111 section 5.2), within sane bounds."""
    fresh: float = _FRESH_S
    for one in cache_control.lower().split(","):
        name, _, value = one.strip().partition("=")
        if name in {"no-store", "no-cache"}:
            return 0
        if name == "max-age" and value.strip('"').isdecimal():
            fresh = min(float(value.strip('"')), _MAX_FRESH_S)
    return fresh


def _head_of(page: _Held) -> PageHead:
    return PageHead(
        fresh_s=page.fresh_s,
        etag=page.etag,
        modified=page.modified,
        absent=page.absent,
        digest=page.digest,
        hashed=page.hashed,
    )


def _held_of(stored: bytes, at: float, body: bytes) -> _Held | None:
    head = parse_head(stored)
    return None if head is None else _Held(at=at, body=body, **head._asdict())
