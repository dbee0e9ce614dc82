"""
Single files on a page of an index, checked, whichever form the page has.

Source:
    "Simple repository API" of the PyPA specifications (PEP 503, 592, 629, 658, 691, 700, 714).
"""

from __future__ import annotations

import re
from typing import NamedTuple
from urllib.parse import urldefrag, urljoin, urlsplit, urlunsplit

from ._words import UNPRINTABLE, one_line

_MAJOR = 1
_ENDINGS = (".whl", ".tar.gz", ".zip", ".tar.bz2", ".tar.xz", ".tgz")
"""Files that the standards still install from; eggs and installers of other systems are not."""
_PLAIN_LINK = re.compile(
    r"https://[a-z0-9.-]*[a-z][a-z0-9.-]*/(?:[A-Za-z0-9_~+-][A-Za-z0-9._~+-]*/)*[A-Za-z0-9._~+-]*"
)
"""Complete, encrypted and without anything to resolve or to remove, as nearly all are."""
_SHA256 = re.compile(r"[0-9a-f]{64}", re.ASCII)


class PageUnreadable(ValueError):  # noqa: N818  said of the page
    """A page is not what the standards say; the text tells in words what is wrong."""


class Row(NamedTuple):
    """
    One file of a page: an `IndexFile` in the making, without the name of the index.

    `yanked` and `metadata` as in `IndexFile`. No field holds a control character.
    """

    filename: str
    url: str
    sha256: str | None
    size: int | None
    requires_python: str | None
    yanked: str | None
    upload_time: str | None
    metadata: str | None


def hash_of(text: str) -> str | None:
    """Return *text* as a SHA-256 in lower case, None where it is not one."""
    lower = text.strip().lower()
    return lower if _SHA256.fullmatch(lower) else None


def checked_row(
    *,
    filename: str,
    url: str,
    page_url: str,
    sha256: str | None,
    size: int | None,
    requires_python: str | None,
    yanked: str | None,
    upload_time: str | None,
    metadata: str | None,
) -> Row | None:
    """Return a checked row, None for a file that must not or cannot be used."""
    if not filename.endswith(_ENDINGS) or "/" in filename or not filename.isprintable():
        return None
    full = joined(page_url, url)
    if full is None:
        return None
    return Row(
        filename=filename,
        url=full,
        sha256=sha256,
        size=size,
        requires_python=one_line(requires_python or "") or None,
        yanked=None if yanked is None else one_line(yanked),
        upload_time=one_line(upload_time or "") or None,
        metadata=metadata,
    )


def joined(page_url: str, link: str) -> str | None:
    """
    Return the address of *link* without credentials and fragment; None where it is unusable.

    A page that came over TLS must not lead to one that does not, nor to files of this machine.
    """
    if _PLAIN_LINK.fullmatch(link):
        return link
    if UNPRINTABLE.search(link):
        return None
    try:
        full = urldefrag(urljoin(page_url, link)).url
        parts = urlsplit(full)
        _ = parts.port
    except ValueError:
        return None
    if parts.scheme not in {"http", "https"} or not parts.hostname or " " in full:
        return None
    if parts.scheme == "http" and page_url.startswith("https:"):
        return None
    if "@" in parts.netloc:
        full = urlunsplit(parts._replace(netloc=parts.netloc.rpartition("@")[2]))
    return full


def check_version(version: object) -> None:
    """Refuse a greater major version, as PEP 629 asks; none at all means 1.0."""
    if version is None:
        return
    major, _, _ = str(version).partition(".")
    if major.isdecimal() and float(major) > _MAJOR:
        raise PageUnreadable(f"it speaks version {one_line(str(version), 20)} of the Simple API")
