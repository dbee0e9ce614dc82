"""
Project pages of an index: what a server sends, and the short form that the cache keeps.

Source:
    "Simple repository API" of the PyPA specifications (PEP 503, 592, 629, 658, 691, 700, 714).
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from itertools import compress
from typing import Any

from robokit_plan.model import IndexFile

from ._index_rows import PageUnreadable, Row, check_version, checked_row, hash_of
from ._words import one_line

ACCEPT = (
    "application/vnd.pypi.simple.v1+json, "
    "application/vnd.pypi.simple.v1+html;q=0.2, text/html;q=0.01"
)
_JSON = "application/vnd.pypi.simple.v1+json"
_HTML = ("application/vnd.pypi.simple.v1+html", "text/html", "application/xhtml+xml")

Keep = Callable[[Sequence[str]], Sequence[bool]]
"""File names of one page -> which of them are wanted."""


def parse_page(body: bytes, content_type: str, url: str) -> list[Row]:
    """
    Return the files of a page in its own order; files that cannot be used are left out.

    Args:
        body: As sent, any transfer encoding undone.
        content_type: Of the answer; what it says decides how *body* is read.
        url: Where the page was finally found; links are relative to it.

    Raises:
        PageUnreadable: Neither JSON nor HTML of the Simple API, or a greater major version.
    """
    kind = content_type.partition(";")[0].strip().lower()
    if kind == _JSON:
        return _parse_json(body, url)
    if kind in _HTML:
        charset = re.search(r"charset=[\"']?([\w.:-]+)", content_type, re.IGNORECASE)
        from ._index_html import parse_html

        return parse_html(body, charset.group(1) if charset else "utf-8", url)
    named = one_line(kind) or "no type"
    raise PageUnreadable(f"it sent {named}, not a project page")


def stored_page(rows: list[Row]) -> bytes:
    """
    Return *rows* as the cache keeps them.

    One line a file, fields parted by tabs, the file name first: a reader that wants few of
    thousands of files looks at no more than their names. The part that all addresses share
    stands once, in the first line.
    """
    base = _shared_start([row.url for row in rows])
    lines = [base]
    for row in rows:
        url = row.url
        if url.startswith(base) and url.endswith("/" + row.filename):
            url = "+" + url[len(base) : -len(row.filename)]
        lines.append(
            "\t".join(
                (
                    row.filename,
                    url,
                    row.sha256 or "",
                    "" if row.size is None else str(row.size),
                    row.requires_python or "",
                    "" if row.yanked is None else "y" + row.yanked,
                    row.upload_time or "",
                    "" if row.metadata is None else "m" + row.metadata,
                )
            )
        )
    return "\n".join(lines).encode()


def parse_stored_page(
    stored: bytes, index: str, keep: Keep | None = None
) -> tuple[IndexFile, ...] | None:
    """
    Return the files of a stored page; None where it is damaged.

    Args:
        stored: What `stored_page` made.
        index: Name of the index, written into each file.
        keep: Called once with all file names; false leaves a file out.
    """
    try:
        base, *lines = stored.decode().split("\n")
        if keep is not None:
            verdicts = keep([line[: line.index("\t")] for line in lines])
            lines = list(compress(lines, verdicts))
        files = []
        for line in lines:
            name, url, sha256, size, python, yanked, uploaded, metadata = line.split("\t")
            file = _new(IndexFile)
            _set_filename(file, name)
            _set_url(file, f"{base}{url[1:]}{name}" if url[:1] == "+" else url)
            _set_sha256(file, sha256 or None)
            _set_size(file, int(size) if size else None)
            _set_requires_python(file, python or None)
            _set_yanked(file, yanked[1:] if yanked else None)
            _set_upload_time(file, uploaded or None)
            _set_metadata_sha256(file, metadata[1:] if metadata else None)
            _set_index(file, index)
            files.append(file)
    except ValueError:
        return None
    return tuple(files)


def thin_page(stored: bytes, keep: Keep) -> bytes | None:
    """Return a stored page with the files that *keep* leaves; None where it is damaged."""
    try:
        base, *lines = stored.decode().split("\n")
        verdicts = keep([line[: line.index("\t")] for line in lines])
    except ValueError:
        return None
    return "\n".join([base, *compress(lines, verdicts)]).encode()


# A frozen dataclass is filled through `object.__setattr__`, which looks every name up anew; its
# slots set directly take a third of the time, and a plan reads tens of thousands of files.
_new = object.__new__
_set_filename = IndexFile.__dict__["filename"].__set__
_set_url = IndexFile.__dict__["url"].__set__
_set_sha256 = IndexFile.__dict__["sha256"].__set__
_set_size = IndexFile.__dict__["size"].__set__
_set_requires_python = IndexFile.__dict__["requires_python"].__set__
_set_yanked = IndexFile.__dict__["yanked"].__set__
_set_upload_time = IndexFile.__dict__["upload_time"].__set__
_set_metadata_sha256 = IndexFile.__dict__["metadata_sha256"].__set__
_set_index = IndexFile.__dict__["index"].__set__


def _shared_start(urls: list[str]) -> str:
    """Return what all of *urls* begin with, up to a slash; the least and the greatest tell."""
    least, greatest = min(urls, default=""), max(urls, default="")
    length = next(
        (at for at, (one, other) in enumerate(zip(least, greatest, strict=False)) if one != other),
        len(least),
    )
    return least[:length].rpartition("/")[0] + "/"


def _parse_json(body: bytes, url: str) -> list[Row]:
    try:
        page = json.loads(body)
    except (ValueError, RecursionError):
        raise PageUnreadable("its page is not valid JSON") from None
    if not isinstance(page, dict):
        raise PageUnreadable("its page is not a JSON object")
    meta = page.get("meta")
    check_version(meta.get("api-version") if isinstance(meta, dict) else None)
    files = page.get("files")
    if not isinstance(files, list):
        raise PageUnreadable("its page lists no files")
    rows = (_json_row(one, url) for one in files if isinstance(one, dict))
    return [row for row in rows if row is not None]


def _json_row(one: dict[str, Any], page_url: str) -> Row | None:
    filename = one.get("filename")
    url = one.get("url")
    if not isinstance(filename, str) or not isinstance(url, str):
        return None
    yanked = one.get("yanked")
    # PEP 714: the new key wins wherever it is there, whatever it says.
    metadata = one.get("core-metadata", one.get("dist-info-metadata"))
    size = one.get("size")
    python = one.get("requires-python")
    uploaded = one.get("upload-time")
    return checked_row(
        filename=filename,
        url=url,
        page_url=page_url,
        sha256=_hash_in(one.get("hashes")),
        size=size if isinstance(size, int) and not isinstance(size, bool) and size >= 0 else None,
        requires_python=python if isinstance(python, str) else None,
        yanked=yanked if isinstance(yanked, str) else "" if yanked is True else None,
        upload_time=uploaded if isinstance(uploaded, str) else None,
        metadata=""
        if metadata is True
        else (_hash_in(metadata) or "")
        if isinstance(metadata, dict)
        else None,
    )


def _hash_in(hashes: object) -> str | None:
    found = hashes.get("sha256") if isinstance(hashes, dict) else None
    return hash_of(found) if isinstance(found, str) else None
