"""
Whether rows that a plan read still stand, told from the cache without reading them again.

Light on purpose: a command that finds its answer kept imports this and little more.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from .ordinary import read_bytes

_MOST = 64_000_000
"""Bytes of what is kept of a Release file."""

if TYPE_CHECKING:
    from .cache import Cache

HEAD, BUILT = "page-head-1", "built-metadata-1"
"""Kinds of the cache: what is known of a project page; metadata that a build told."""
ARCHIVE_FRESH_S = 3600
"""How long a Release file is taken as it is before the mirror is asked again."""
ABSENT = "absent"
"""State of a page that its index does not have."""


class PageHead(NamedTuple):
    """
    What is kept beside a page.

    `fresh_s`: how long it holds. `absent`: the index has no such project. `digest`: of the
    body. `hashed`: every file has a hash.
    """

    fresh_s: float
    etag: str = ""
    modified: str = ""
    absent: bool = False
    digest: str = ""
    hashed: bool = True

    @property
    def state(self) -> str:
        """What a plan over this page rests on; "" where the page alone does not tell."""
        if self.absent:
            return ABSENT
        return self.digest if self.hashed else ""


def stored_head(head: PageHead) -> bytes:
    """Return *head* as the cache keeps it."""
    return json.dumps(list(head)).encode()


def parse_head(stored: bytes) -> PageHead | None:
    """Return the head that `stored_head` made; None where it is damaged."""
    try:
        fresh_s, etag, modified, absent, digest, hashed = json.loads(stored)
        return PageHead(
            float(fresh_s), str(etag), str(modified), bool(absent), str(digest), bool(hashed)
        )
    except (ValueError, RecursionError, TypeError):
        return None


def is_fresh(fresh_s: float, at: float, now: float, *, offline: bool) -> bool:
    """Whether a page read at *at* is taken as it is; a clock set back keeps none for long."""
    return offline or abs(now - at) < fresh_s


class Rows(NamedTuple):
    """
    What a plan read of the indices.

    Shape:
        `pages` address -> `PageHead.state`; `built` key of metadata that a build may tell ->
        SHA-256 of what it told, "" for nothing; `releases` path of a kept Release file -> its
        `release_state`; `files` that hold rows of those; `moments` pairs of a time (seconds
        since 1970) and whether it had passed; `ages` what was said of how old each Release
        file is, () where nothing was said; `absent` address of a page -> whether its index
        lacked the project when it was read last, however long ago.
    """

    pages: Mapping[str, str]
    built: Mapping[str, str]
    releases: Mapping[str, str]
    files: tuple[str, ...]
    moments: tuple[tuple[float, bool], ...]
    ages: tuple[str, ...] = ()
    absent: Mapping[str, bool] = {}

    def of_python(self) -> Rows:
        """Return those of Python's indices alone."""
        return NO_ROWS._replace(pages=self.pages, built=self.built)

    def beside(self, other: Rows) -> Rows:
        """Return these, and those of Python's indices in *other*."""
        return self._replace(
            pages={**self.pages, **other.pages}, built={**self.built, **other.built}
        )


NO_ROWS = Rows(pages={}, built={}, releases={}, files=(), moments=())


def parse_rows(stored: Mapping[str, Any]) -> Rows:
    """
    Return the rows whose ``_asdict`` went through JSON.

    Raises:
        ValueError: They did not.
    """
    try:
        moments = tuple((float(at), bool(passed)) for at, passed in stored["moments"])
        return Rows(**stored)._replace(
            moments=moments, files=tuple(stored["files"]), ages=tuple(stored["ages"])
        )
    except (KeyError, TypeError) as error:
        raise ValueError(str(error)) from error


def rows_stand(rows: Rows, cache: Cache, *, now: float, offline: bool) -> bool:
    """Whether a run at *now* would read the same rows, and ask nobody for them."""
    return (
        all((now > moment) == passed for moment, passed in rows.moments)
        and _pages_stand(rows.pages, cache, now, offline=offline)
        and built_states(cache, rows.built) == rows.built
        and absent_states(cache, rows.absent) == rows.absent
        and _releases_stand(rows, now, offline=offline)
        and all(Path(one).exists() for one in rows.files)
    )


def _pages_stand(pages: Mapping[str, str], cache: Cache, now: float, *, offline: bool) -> bool:
    heads = cache.get_many(HEAD, pages)
    for url, state in pages.items():
        entry = heads.get(url)
        head = None if entry is None else parse_head(entry.value)
        if head is None or entry is None or not state or head.state != state:
            return False
        if not is_fresh(head.fresh_s, entry.at, now, offline=offline):
            return False
    return True


def built_states(cache: Cache, keys: Iterable[str]) -> dict[str, str]:
    """Return key -> SHA-256 of the metadata that a build told, "" where none did."""
    asked = list(keys)
    found = cache.get_many(BUILT, asked)
    return {key: sha256(found[key].value).hexdigest() if key in found else "" for key in asked}


def absent_states(cache: Cache, urls: Iterable[str]) -> dict[str, bool]:
    """Return address of a page -> whether its index lacked the project when it was read last."""
    asked = list(urls)
    found = cache.get_many(HEAD, asked)
    heads = {url: parse_head(entry.value) for url, entry in found.items()}
    return {url: (head := heads.get(url)) is not None and head.absent for url in asked}


def release_state(text: str, *, verified: bool, why: str, repair: str) -> str:
    """Return what a plan over a Release file with that verdict rests on."""
    return sha256(json.dumps([text, verified, why, repair]).encode()).hexdigest()


def _releases_stand(rows: Rows, now: float, *, offline: bool) -> bool:
    ages = []
    for path, state in rows.releases.items():
        try:
            kept = json.loads(read_bytes(path, _MOST))
            verified, read_at = kept["verified"] is True, float(kept["read_at"])
            found = release_state(
                str(kept["text"]),
                verified=verified,
                why=str(kept["why"]),
                repair=str(kept["repair"]),
            )
        except (OSError, ValueError, RecursionError, KeyError, TypeError):
            return False
        if found != state:
            return False
        if not offline and not (verified and 0 <= now - read_at < ARCHIVE_FRESH_S):
            return False
        ages.append(now - read_at)
    if not rows.ages:
        return True
    from robokit_plan.model import age_text  # a kept answer is found without it

    return tuple(age_text(one) for one in ages) == rows.ages
