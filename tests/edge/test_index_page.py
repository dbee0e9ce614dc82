"""Project pages: what the standards show, and what no standard foresees."""

from __future__ import annotations

import html
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.edge._index_page import (
    parse_page,
    parse_stored_page,
    stored_page,
)
from robokit_plan.edge._index_rows import PageUnreadable, Row
from robokit_plan.model import IndexFile

JSON = "application/vnd.pypi.simple.v1+json"
URL = "https://index.example/simple/holygrail/"
HASH = "ae1f" * 16


def _rows(page: object, content_type: str = JSON, url: str = URL) -> list[Row]:
    body = page if isinstance(page, bytes) else json.dumps(page).encode()
    return parse_page(body, content_type, url)


def _html(text: str, url: str = URL) -> list[Row]:
    return parse_page(text.encode(), "text/html; charset=utf-8", url)


def _row(**changes: Any) -> Row:
    known: dict[str, Any] = {
        "filename": "holygrail-1.0.tar.gz",
        "url": "https://index.example/files/holygrail-1.0.tar.gz",
        "sha256": None,
        "size": None,
        "requires_python": None,
        "yanked": None,
        "upload_time": None,
        "metadata": None,
    }
    return Row(**{**known, **changes})


def test_the_page_that_the_standard_shows() -> None:
    """
    The project detail example of the JSON form.

    Source: PEP 691 "Project Detail" with the fields of PEP 700 and 714 (example values of the
    PEPs; the hashes there are shortened by an ellipsis, so ours stand in).
    """
    page = {
        "meta": {"api-version": "1.0"},
        "name": "holygrail",
        "files": [
            {
                "filename": "holygrail-1.0.tar.gz",
                "url": "https://example.com/files/holygrail-1.0.tar.gz",
                "hashes": {"sha256": HASH, "blake2b": "..."},
                "requires-python": ">=3.7",
                "yanked": "Had a vulnerability",
                "size": 123456,
            },
            {
                "filename": "holygrail-1.0-py3-none-any.whl",
                "url": "https://example.com/files/holygrail-1.0-py3-none-any.whl",
                "hashes": {"sha256": HASH, "blake2b": "..."},
                "requires-python": ">=3.7",
                "dist-info-metadata": True,
                "size": 1337,
                "upload-time": "2022-01-31T17:07:28.000000Z",
            },
        ],
    }
    assert _rows(page) == [
        Row(
            filename="holygrail-1.0.tar.gz",
            url="https://example.com/files/holygrail-1.0.tar.gz",
            sha256=HASH,
            size=123456,
            requires_python=">=3.7",
            yanked="Had a vulnerability",
            upload_time=None,
            metadata=None,
        ),
        Row(
            filename="holygrail-1.0-py3-none-any.whl",
            url="https://example.com/files/holygrail-1.0-py3-none-any.whl",
            sha256=HASH,
            size=1337,
            requires_python=">=3.7",
            yanked=None,
            upload_time="2022-01-31T17:07:28.000000Z",
            metadata="",
        ),
    ]


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ({}, None),
        ({"core-metadata": True}, ""),
        ({"core-metadata": False}, None),
        ({"core-metadata": {"sha256": HASH}}, HASH),
        ({"core-metadata": {"md5": "x"}}, ""),
        ({"dist-info-metadata": {"sha256": HASH}}, HASH),
        # PEP 714: "clients ... MUST prefer the new key".
        ({"core-metadata": False, "dist-info-metadata": True}, None),
    ],
)
def test_what_advertises_metadata(keys: dict[str, Any], expected: str | None) -> None:
    """PEP 658 and its correction of names, PEP 714."""
    file = {"filename": "a-1-py3-none-any.whl", "url": "a-1-py3-none-any.whl", **keys}
    (row,) = _rows({"files": [file]})
    assert row.metadata == expected


def test_links_as_html() -> None:
    """
    Every attribute and fragment that PEP 503, 592, 658 and 714 give a meaning.

    Source: PEP 503 "Specification": relative links, hash in the fragment, ``data-requires-python``
    with ``<`` and ``>`` encoded; PEP 592: ``data-yanked`` with or without a reason.
    """
    rows = _html(
        f"""<!DOCTYPE html><html><head><meta name="pypi:repository-version" content="1.1"></head>
        <body><a href="../../files/holygrail-1.0.tar.gz#sha256={HASH.upper()}"
          data-requires-python="&gt;=3.7,&lt;4">holygrail-1.0.tar.gz</a>
        <a href=holygrail-2-py3-none-any.whl#md5=abc data-yanked>x</a>
        <a href="holygrail-3-py3-none-any.whl" data-yanked="broken &amp; gone"
          data-dist-info-metadata="sha256={HASH}">x</a>
        <a href="https://u:p@files.example/holygrail-4%2Blocal-py3-none-any.whl?x=1"
          data-core-metadata="true">x</a>
        <a href="holygrail-5-py3-none-any.whl" data-core-metadata=false data-dist-info-metadata>
        <a name=top>no link</a><a href="../">up</a><a href="readme.txt">readme</a></body>"""
    )
    here = URL
    assert rows == [
        _row(sha256=HASH, requires_python=">=3.7,<4"),
        _row(
            filename="holygrail-2-py3-none-any.whl",
            url=f"{here}holygrail-2-py3-none-any.whl",
            yanked="",
        ),
        _row(
            filename="holygrail-3-py3-none-any.whl",
            url=f"{here}holygrail-3-py3-none-any.whl",
            yanked="broken & gone",
            metadata=HASH,
        ),
        _row(
            filename="holygrail-4+local-py3-none-any.whl",
            url="https://files.example/holygrail-4%2Blocal-py3-none-any.whl?x=1",
            metadata="",
        ),
        _row(filename="holygrail-5-py3-none-any.whl", url=f"{here}holygrail-5-py3-none-any.whl"),
    ]


def test_a_base_element_moves_relative_links() -> None:
    (row,) = _html('<base href="/mirror/"><a href="holygrail-1.0.tar.gz">')
    assert row.url == "https://index.example/mirror/holygrail-1.0.tar.gz"


@pytest.mark.parametrize(
    "link",
    [
        "file:///etc/holygrail-1.0.tar.gz",
        "ftp://index.example/holygrail-1.0.tar.gz",
        "http://index.example/holygrail-1.0.tar.gz",  # out of an encrypted page
        "javascript:holygrail-1.0.tar.gz",
        "https://[::1/holygrail-1.0.tar.gz",
        "https://index.example:99999/holygrail-1.0.tar.gz",
        "https://index.example/a b/holygrail-1.0.tar.gz",
        "https://index.example/\n/holygrail-1.0.tar.gz",
    ],
)
def test_links_that_lead_astray_are_left_out(link: str) -> None:
    assert _rows({"files": [{"filename": "holygrail-1.0.tar.gz", "url": link}]}) == []
    if "\n" not in link:  # HTML itself takes line breaks out of an address
        assert _html(f'<a href="{link}">') == []


@pytest.mark.parametrize(
    "name",
    ["a-1.egg", "a-1.exe", "a-1.tar.gz.asc", "../a-1.tar.gz", "a\n-1.tar.gz", "a-1.tar.gz\t", ""],
)
def test_files_that_no_installer_takes_are_left_out(name: str) -> None:
    assert _rows({"files": [{"filename": name, "url": "https://index.example/x"}]}) == []


@pytest.mark.parametrize(
    ("body", "content_type", "words"),
    [
        (b"{", JSON, "its page is not valid JSON"),
        (b"[]", JSON, "its page is not a JSON object"),
        (b"{}", JSON, "its page lists no files"),
        (b'{"files": {}}', JSON, "its page lists no files"),
        (b"\xff\xfe\x00", JSON, "its page is not valid JSON"),
        (b"[" * 100_000, JSON, "its page is not valid JSON"),
        (
            b'{"meta": {"api-version": "2.0"}, "files": []}',
            JSON,
            "it speaks version 2.0 of the Simple API",
        ),
        (
            b'<meta name="pypi:repository-version" content="2.0">',
            "text/html",
            "it speaks version 2.0 of the Simple API",
        ),
        (b"hello", "text/plain", "it sent text/plain, not a project page"),
        (b"{}", "application/json", "it sent application/json, not a project page"),
        (b"", "", "it sent no type, not a project page"),
    ],
)
def test_what_is_no_page_is_refused_in_words(body: bytes, content_type: str, words: str) -> None:
    """PEP 629: a client must refuse a greater major version; PEP 691: the content type decides."""
    with pytest.raises(PageUnreadable) as caught:
        parse_page(body, content_type, URL)
    assert str(caught.value) == words


def test_a_greater_minor_version_is_read() -> None:
    """PEP 629: minor versions only add."""
    assert _rows({"meta": {"api-version": "1.99"}, "files": []}) == []


JSON_VALUE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8) | st.just(HASH),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=6,
)
FILE_KEYS = st.sampled_from(
    [
        "filename",
        "url",
        "hashes",
        "requires-python",
        "yanked",
        "size",
        "upload-time",
        "core-metadata",
    ]
)
LIKELY = st.sampled_from(
    ["a-1-py3-none-any.whl", "a-1.tar.gz", "https://f.example/a-1.tar.gz", "../a-1.tar.gz", "\t\n"]
)
FILE = st.dictionaries(FILE_KEYS, LIKELY | JSON_VALUE, max_size=8)


class TestGarbage:
    """Whatever a server sends ends in rows that can be stored, or in `PageUnreadable`."""

    @settings(max_examples=150, deadline=None)
    @given(st.lists(FILE | JSON_VALUE, max_size=4), JSON_VALUE)
    def test_json(self, files: list[object], meta: object) -> None:
        self._check(json.dumps({"meta": meta, "files": files}).encode(), JSON)

    @settings(max_examples=150, deadline=None)
    @given(
        st.lists(
            st.dictionaries(
                st.sampled_from(["href", "data-yanked", "data-requires-python", "x"]),
                LIKELY | st.text(max_size=12),
                max_size=4,
            ),
            max_size=4,
        ),
        st.text(max_size=10),
        st.sampled_from(["utf-8", "idna", "rot13", "utf-16", "no such", "punycode", "latin-1"]),
    )
    def test_html(self, anchors: list[dict[str, str]], noise: str, charset: str) -> None:
        tags = (
            " ".join(f'{k}="{html.escape(v)}"' if v else k for k, v in one.items())
            for one in anchors
        )
        text = noise + noise.join(f"<a {tag}>" for tag in tags)
        self._check(text.encode("utf-8", "replace"), f"text/html; charset={charset}")

    @settings(max_examples=100, deadline=None)
    @given(st.binary(max_size=200), st.sampled_from([JSON, "text/html", "text/html; charset=x"]))
    def test_bytes(self, body: bytes, content_type: str) -> None:
        self._check(body, content_type)

    @staticmethod
    def _check(body: bytes, content_type: str) -> None:
        try:
            rows = parse_page(body, content_type, URL)
        except PageUnreadable:
            return
        assert parse_stored_page(stored_page(rows), "own") == tuple(
            IndexFile(
                filename=row.filename,
                url=row.url,
                sha256=row.sha256,
                size=row.size,
                requires_python=row.requires_python,
                yanked=row.yanked,
                upload_time=row.upload_time,
                metadata_sha256=row.metadata,
                index="own",
            )
            for row in rows
        )


def test_a_stored_page_keeps_only_what_is_asked_for() -> None:
    rows = [_row(), _row(filename="b-1.zip", url="https://elsewhere.example/b-1.zip")]
    found = parse_stored_page(
        stored_page(rows), "own", lambda names: [name == "b-1.zip" for name in names]
    )
    assert found is not None
    assert [one.url for one in found] == ["https://elsewhere.example/b-1.zip"]


@pytest.mark.parametrize(
    "stored", [b"x\ny", b"x\na\tb", b"\xff", b"b\n" + b"\t" * 9, b"b\na\t+\t\tx\t\t\t\t"]
)
def test_a_damaged_entry_is_none(stored: bytes) -> None:
    assert parse_stored_page(stored, "own") is None
