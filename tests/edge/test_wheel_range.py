"""Metadata from the end of a wheel, whatever the server and whatever the wheel."""

from __future__ import annotations

import hashlib
import io
import os
import random
import zipfile
from collections.abc import Iterator
from importlib.metadata import distributions
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.edge._metadata import (
    MAX_BYTES,
    MetadataUnusable,
    parse_metadata,
    parse_stored_metadata,
    stored_metadata,
)
from robokit_plan.edge._pip_access import PipAccess
from robokit_plan.edge._pip_config import normal_name
from robokit_plan.edge._transport import Client
from robokit_plan.edge._wheel_range import (
    FileGone,
    _content_range,
    wheel_contents,
    wheel_metadata,
)
from robokit_plan.edge.python_index import HashMismatch, IndexSettings, IndexUnreachable
from robokit_plan.model import DistributionMetadata, DistributionName, IndexFile

from .index_server import IndexServer, Request, metadata, serving, wheel

HULL = DistributionName("hull-math")
WHEEL = "hull_math-1.0-py3-none-any.whl"
PATH = f"/files/{WHEEL}"
NOISE = {f"hull_math/data{n}.bin": os.urandom(30_000) for n in range(10)}
MANY = {f"hull_math/part_{n:05}_of_a_name_that_is_long.py": b"" for n in range(3000)}


@pytest.fixture(scope="module")
def server() -> Iterator[IndexServer]:
    with serving() as found:
        yield found


@pytest.fixture
def index(server: IndexServer) -> IndexServer:
    server.routes.clear()
    server.seen.clear()
    return server


def _client() -> Client:
    return Client(
        PipAccess(IndexSettings(indexes=(), timeout_s=5, retries=1)), sleep=lambda _: None
    )


def _file(index: IndexServer, body: bytes, **changes: Any) -> IndexFile:
    known: dict[str, Any] = {
        "filename": WHEEL,
        "url": index.url + PATH,
        "sha256": hashlib.sha256(body).hexdigest(),
        "size": len(body),
    }
    return IndexFile(**{**known, **changes})


def _read(index: IndexServer, body: bytes, **changes: Any) -> DistributionMetadata:
    index.file(PATH, body, ranges=changes.pop("ranges", True))
    return wheel_metadata(_client(), _file(index, body, **changes))


@pytest.mark.parametrize(
    ("files", "first", "requests"),
    [
        ({}, False, 1),  # all of it within the first range
        (NOISE, False, 1),  # metadata at the end, as build back ends write it
        (MANY, False, 2),  # a directory longer than the first range
        (NOISE, True, 2),  # metadata at the beginning
        ({**MANY, **NOISE}, True, 3),
    ],
)
@pytest.mark.parametrize("size_known", [True, False])
def test_few_ranges_suffice(
    index: IndexServer, files: dict[str, bytes], first: bool, requests: int, size_known: bool
) -> None:
    body = wheel("hull_math", "1.0", "Requires-Dist: numpy", files=files, first=first)
    changes = {} if size_known else {"size": None}
    found = _read(index, body, **changes)
    assert found.requires_dist == ("numpy",)
    assert found.modules == ("hull_math",)
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        assert found.installed_size == sum(one.file_size for one in archive.infolist())
    assert len(index.seen) == requests
    assert all("range" in headers for _, headers in index.seen)
    assert all(headers["accept-encoding"] == "identity" for _, headers in index.seen)


def test_a_server_without_ranges_sends_the_whole_and_its_hash_is_checked(
    index: IndexServer,
) -> None:
    body = wheel("hull_math", "1.0", "Requires-Dist: numpy", files=NOISE)
    assert _read(index, body, ranges=False).requires_dist == ("numpy",)
    assert len(index.seen) == 1
    with pytest.raises(HashMismatch) as caught:
        _read(index, body, ranges=False, sha256="00" * 32)
    assert caught.value.message == (
        f"the Python index default sent something else than the file {WHEEL}"
    )


@pytest.mark.parametrize("status", [400, 405, 416, 501])
def test_a_server_that_trips_over_a_range_is_asked_for_the_whole(
    index: IndexServer, status: int
) -> None:
    body = wheel("hull_math", "1.0", files=NOISE)

    def picky(request: Request) -> None:
        if "Range" in request.headers:
            request.answer(status)
        else:
            request.answer(200, body)

    index.routes[PATH] = picky
    assert wheel_metadata(_client(), _file(index, body)).requires_dist == ()


@pytest.mark.parametrize(
    "span", ["", "bytes 0-9/*", "bytes 5-2/10", "bytes 0-65535/9999999", "lines 1-2/3"]
)
def test_a_range_that_makes_no_sense_is_not_believed(index: IndexServer, span: str) -> None:
    body = wheel("hull_math", "1.0", files=NOISE)

    def confused(request: Request) -> None:
        if "Range" in request.headers:
            request.answer(206, body[:65_536], {"Content-Range": span} if span else {})
        else:
            request.answer(200, body)

    index.routes[PATH] = confused
    assert wheel_metadata(_client(), _file(index, body)).requires_dist == ()


def test_a_server_that_changes_its_mind_about_ranges(index: IndexServer) -> None:
    body = wheel("hull_math", "1.0", files=NOISE, first=True)
    index.file(PATH, body)
    good = index.routes[PATH]
    assert not isinstance(good, list)
    index.routes[PATH] = [good, lambda request: request.answer(200, body)]
    found = wheel_metadata(_client(), _file(index, body))
    assert (found.requires_dist, found.reason) == (None, "it is not a valid wheel")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        # Source: RFC 9110 section 14.4, examples of Content-Range.
        ("bytes 42-1233/1234", (42, 1233, 1234)),
        ("bytes 42-1233/*", None),
        ("bytes */1234", None),
        ("bytes 9-8/10", None),
        ("bytes 0-10/10", None),
        ("bytes 0-9/99999999999999999999", None),
    ],
)
def test_content_range(text: str, found: tuple[int, int, int] | None) -> None:
    assert _content_range(text) == found


def test_a_small_wheel_that_is_another_than_listed_is_refused(index: IndexServer) -> None:
    """All of it came in the first range, so its hash can be checked."""
    with pytest.raises(HashMismatch):
        _read(index, wheel("hull_math", "1.0"), sha256="00" * 32)


def test_a_wheel_that_is_gone_or_forbidden(index: IndexServer) -> None:
    file = _file(index, b"")
    with pytest.raises(FileGone):
        wheel_metadata(_client(), file)
    index.routes[PATH] = lambda request: request.answer(403)
    with pytest.raises(IndexUnreachable):
        wheel_metadata(_client(), file)


def _zip(files: dict[str, bytes]) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, body in files.items():
            archive.writestr(path, body)
    return held.getvalue()


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"", "it is not a valid wheel"),
        (b"PK" * 100, "it is not a valid wheel"),
        (_zip({}), "it holds no metadata of hull-math"),
        (
            _zip({"other-1.0.dist-info/METADATA": metadata("other", "1.0")}),
            "it holds no metadata of hull-math",
        ),
        (
            _zip(
                {
                    "hull_math-1.0.dist-info/METADATA": metadata("hull-math", "1.0"),
                    "Hull.Math-1.dist-info/METADATA": metadata("hull-math", "1.0"),
                }
            ),
            "it holds more than one metadata of hull-math",
        ),
        (
            _zip({"hull_math-1.0.dist-info/METADATA": metadata("hull-math", "1.1")}),
            "its metadata is of hull-math 1.1, its file name says hull-math 1.0",
        ),
        (
            _zip({"hull_math-1.0.dist-info/METADATA": b"Name: hull-math\n"}),
            "its metadata names no project and version",
        ),
        (
            _zip({"hull_math-1.0.dist-info/METADATA": b"\0" * (MAX_BYTES + 1)}),
            "its metadata is too large",
        ),
        (
            wheel("hull_math", "1.0", "Requires-Dist: pytz (>dev)"),
            "its requirement 'pytz (>dev)' is not valid",
        ),
    ],
)
def test_a_wheel_of_no_use_says_why(index: IndexServer, body: bytes, reason: str) -> None:
    """Trouble with one file is told of that file; resolving goes on with others."""
    found = _read(index, body)
    assert (found.name, found.requires_dist, found.reason) == (HULL, None, reason)
    assert found.invalid


def test_a_file_name_that_is_none(index: IndexServer) -> None:
    found = wheel_metadata(_client(), _file(index, b"", filename="hull_math.whl"))
    assert found.reason == "its file name is not that of a wheel"


def test_a_directory_without_end_is_given_up(index: IndexServer) -> None:
    """A server may claim any size and then send any range it likes; that is bounded."""
    size = 10**12
    tail = _zip({"a": b""})
    # An end record that claims a directory of two gigabytes (ZIP specification 4.3.16).
    end = tail[tail.index(b"PK\x05\x06") :]
    forged = end[:12] + (2_000_000_000).to_bytes(4, "little") * 2 + end[20:]
    held = (b"\0" * 65_536 + forged)[-65_536:]

    def endless(request: Request) -> None:
        first, last = request.headers["Range"].removeprefix("bytes=").split("-")
        start, stop = int(first), int(last) + 1
        assert stop - start < 100_000_000
        request.answer(
            206, held[: stop - start], {"Content-Range": f"bytes {start}-{stop - 1}/{size}"}
        )

    index.routes[PATH] = endless
    found = wheel_metadata(_client(), _file(index, b"", size=size))
    assert (found.requires_dist, found.reason) == (None, "it is not a valid wheel")


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 12))
def test_flipped_bytes_never_escape(server: IndexServer, seed: int, flips: int) -> None:
    """Metadata, or a reason; never another exception."""
    chance = random.Random(seed)
    body = bytearray(wheel("hull_math", "1.0", "Requires-Dist: numpy"))
    for _ in range(flips):
        body[chance.randrange(len(body))] = chance.randrange(256)
    found = _read(server, bytes(body))
    assert found.name == HULL
    assert (found.requires_dist is None) == bool(found.reason)


def _members(*paths: str) -> list[zipfile.ZipInfo]:
    return [zipfile.ZipInfo(path) for path in paths]


def test_import_names_are_those_that_land_in_site_packages() -> None:
    """
    Source: PEP 427 "File contents": the root of a wheel and ``*.data/purelib`` or ``platlib``
    are installed to site-packages; ``scripts``, ``headers`` and ``data`` are not.
    """
    found = wheel_contents(
        _members(
            "cv2/__init__.py",
            "cv2/gapi/x.so",
            "single.py",
            "_native.cpython-313-aarch64-linux-gnu.so",
            "space/deep/only.py",
            "typed/only.pyi",
            "numpy.libs/libblas.so.0",
            "not-a-name/x.py",
            "a-1.data/purelib/pure/__init__.py",
            "a-1.data/platlib/plat.so",
            "a-1.data/scripts/run.py",
            "a-1.data/top.py",
            "a-1.dist-info/METADATA",
            "docs/readme.txt",
        )
    )
    assert found.modules == ("_native", "cv2", "plat", "pure", "single", "space")
    # PEP 420: a folder without __init__ is a part of a namespace, which others may fill too.
    assert found.owned == ("_native", "cv2", "plat", "pure", "single")


class TestText:
    def test_installed_distributions_say_the_same_as_the_standard_library(self) -> None:
        """Outside check: `importlib.metadata` on everything installed beside these tests."""
        compared = 0
        for one in distributions():
            text = one.read_text("METADATA")
            if text is None:
                continue
            try:
                found = parse_metadata(
                    text.encode(), name=normal_name(one.name), version=one.version
                )
            except MetadataUnusable as error:
                if "is not valid" not in str(error):
                    raise
                continue
            assert list(found.requires_dist or ()) == (one.requires or [])
            needs = one.metadata.get_all("Requires-Python") or [None]
            assert found.requires_python == needs[0]
            extras = one.metadata.get_all("Provides-Extra") or []
            assert list(found.provides_extra) == [normal_name(extra) for extra in extras]
            compared += 1
        assert compared > 10

    @settings(max_examples=150, deadline=None)
    @given(
        st.binary(max_size=300)
        | st.lists(
            st.tuples(
                st.sampled_from(
                    ["Name", "Version", "Requires-Dist", "Provides-Extra", "License", "Dynamic", ""]
                ),
                st.text(max_size=20) | st.sampled_from(["hull-math", "1.0", "numpy", "\n x", "é"]),
            ),
            max_size=8,
        ).map(lambda lines: "\n".join(f"{k}: {v}" for k, v in lines).encode("utf-8", "replace"))
    )
    def test_garbage_is_refused_in_words(self, text: bytes) -> None:
        """`MetadataUnusable`, or a value that survives being stored."""
        try:
            found = parse_metadata(text, name=HULL, version="1.0")
        except MetadataUnusable as error:
            words = str(error)
        else:
            words = ""
            assert parse_stored_metadata(stored_metadata(found)) == found
        assert "\n" not in words
