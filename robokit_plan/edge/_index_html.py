"""
Project pages as HTML (PEP 503), for indexes that do not speak JSON.

A module of its own, since most runs never need a parser of HTML.
"""

from __future__ import annotations

from html.parser import HTMLParser
from urllib.parse import unquote, urldefrag, urlsplit

from ._index_rows import PageUnreadable, Row, check_version, checked_row, hash_of, joined


class _Links(HTMLParser):
    """Collects anchors, the base address and the version of the interface."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.anchors: list[dict[str, str | None]] = []
        self.base: str | None = None
        self.version: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        # The first of a repeated attribute counts, as in HTML itself.
        found = dict(reversed(attrs))
        if tag == "a" and found.get("href"):
            self.anchors.append(found)
        elif tag == "base" and self.base is None:
            self.base = found.get("href")
        elif tag == "meta" and found.get("name") == "pypi:repository-version":
            self.version = found.get("content")


def parse_html(body: bytes, charset: str, url: str) -> list[Row]:
    """Return the files of an HTML page; see `parse_page`."""
    try:
        text = body.decode(charset, "replace")
    except (LookupError, ValueError):  # a charset that is none, or none for text
        text = body.decode("utf-8", "replace")
    links = _Links()
    try:
        links.feed(text)
        links.close()
    except (AssertionError, ValueError):  # what html.parser raises on some broken declarations
        raise PageUnreadable("its page is not valid HTML") from None
    check_version(links.version)
    base = (joined(url, links.base) if links.base else None) or url
    rows = (_html_row(one, base) for one in links.anchors)
    return [row for row in rows if row is not None]


def _html_row(anchor: dict[str, str | None], page_url: str) -> Row | None:
    try:
        link, fragment = urldefrag((anchor.get("href") or "").strip())
        filename = unquote(urlsplit(link).path.rpartition("/")[2])
    except ValueError:
        return None
    sha256 = None
    for part in fragment.split("&"):
        name, _, value = part.partition("=")
        if name.lower() == "sha256":
            sha256 = hash_of(value)
    metadata = anchor.get("data-core-metadata", anchor.get("data-dist-info-metadata"))
    advertised: str | None = None
    if metadata is not None and metadata.strip().lower() != "false":
        name, _, value = metadata.partition("=")
        advertised = (hash_of(value) if name.strip().lower() == "sha256" else None) or ""
    return checked_row(
        filename=filename,
        url=link,
        page_url=page_url,
        sha256=sha256,
        size=None,
        requires_python=anchor.get("data-requires-python"),
        yanked=(anchor["data-yanked"] or "") if "data-yanked" in anchor else None,
        upload_time=None,
        metadata=advertised,
    )
