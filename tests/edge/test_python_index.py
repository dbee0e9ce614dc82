"""Pages and metadata from servers of every quality, through the cache and without the network."""

from __future__ import annotations

import hashlib
import json
import os
import re
import socket
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge.cache import Cache
from robokit_plan.edge.python_index import (
    Fetched,
    HashMismatch,
    IndexSettings,
    IndexSource,
    IndexUnreachable,
    PythonIndexes,
    index_settings,
    kept_for,
)
from robokit_plan.model import DistributionName, IndexFile

from .certificates import NEEDS_OPENSSL, made_certificate, server_context
from .index_server import IndexServer, Request, metadata, serving, tarball, wheel

WHEEL = "hull_math-1.0-py3-none-any.whl"
HULL = DistributionName("hull-math")


@pytest.fixture
def index() -> Iterator[IndexServer]:
    with serving() as found:
        yield found


def _settings(index: IndexServer, **changes: Any) -> IndexSettings:
    source = IndexSource(name="default", url=f"{index.url}/simple")
    return replace(IndexSettings(indexes=(source,), timeout_s=5), **changes)


def _indexes(
    index: IndexServer, cache: Cache | None = None, *, offline: bool = False, **changes: Any
) -> PythonIndexes:
    return PythonIndexes(
        _settings(index, **changes),
        cache or Cache(None),
        offline=offline,
        sleep=lambda _: None,
    )


def _secure(url: str, **changes: Any) -> PythonIndexes:
    source = IndexSource(name="default", url=f"{url}/simple")
    settings = replace(IndexSettings(indexes=(source,), timeout_s=5, retries=0), **changes)
    return PythonIndexes(settings, Cache(None))


def _page(indexes: PythonIndexes, name: DistributionName = HULL) -> tuple[IndexFile, ...]:
    (page,) = indexes.fetch([name]).pages[name]
    assert page.name == name
    return page.files


def _only(fetched: Fetched) -> Any:
    (found,) = fetched.metadata.values()
    return found


class TestPages:
    def test_a_page_and_the_metadata_of_its_wheel(self, index: IndexServer) -> None:
        """The whole way: JSON page, relative link, range, directory of the wheel."""
        body = wheel(
            "hull_math",
            "1.0",
            "Requires-Dist: numpy>=1.24",
            "Requires-Dist: rich; extra == 'Show_it'",
            "Requires-Python: >=3.9",
            "Provides-Extra: Show_it",
            "License-Expression: MIT",
            files={"hull_math/core.py": b"x" * 500, "_fast.cpython-313-x.so": b"", "LICENSE": b"a"},
        )
        index.add("hull-math", {WHEEL: body}, more={"requires-python": ">=3.9"})
        indexes = _indexes(index)
        (file,) = _page(indexes)
        assert file == IndexFile(
            filename=WHEEL,
            url=f"{index.url}/files/{WHEEL}",
            sha256=hashlib.sha256(body).hexdigest(),
            size=len(body),
            requires_python=">=3.9",
        )
        found = _only(indexes.fetch(metadata=[file]))
        assert found.name == "hull-math"
        assert found.version == "1.0"
        assert found.requires_dist == ("numpy>=1.24", "rich; extra == 'Show_it'")
        assert found.requires_python == ">=3.9"
        assert found.provides_extra == ("show-it",)
        assert found.license == "MIT"
        assert found.modules == ("_fast", "hull_math")
        assert found.source == "wheel"
        assert found.installed_size > 500
        # PEP 658: metadata beside the wheel is asked for only where it is advertised.
        assert index.paths() == [f"/files/{WHEEL}", "/simple/hull-math/"]

    def test_html_where_the_server_speaks_no_json(self, index: IndexServer) -> None:
        text = f'<a href="/files/{WHEEL}#sha256={"0a" * 32}">x</a>'.encode()
        index.routes["/simple/hull-math/"] = lambda request: request.answer(
            200, text, {"Content-Type": "text/html"}
        )
        (file,) = _page(_indexes(index))
        assert file.url == f"{index.url}/files/{WHEEL}"
        assert file.sha256 == "0a" * 32
        ((_, headers),) = index.seen
        assert headers["accept"] == (
            "application/vnd.pypi.simple.v1+json, "
            "application/vnd.pypi.simple.v1+html;q=0.2, text/html;q=0.01"
        )

    def test_a_packed_page_is_unpacked(self, index: IndexServer) -> None:
        index.page("hull-math", [index.entry(WHEEL, b"")], zipped=True)
        assert [one.filename for one in _page(_indexes(index))] == [WHEEL]

    def test_a_project_that_is_not_there_is_an_empty_page(self, index: IndexServer) -> None:
        """And that is remembered for a while, too."""
        cache = Cache(None)
        assert _page(_indexes(index, cache)) == ()
        assert _page(_indexes(index, cache)) == ()
        assert index.paths() == ["/simple/hull-math/"]

    def test_redirects_are_followed_and_links_are_relative_to_the_end(
        self, index: IndexServer
    ) -> None:
        index.page("hull-math", [{"filename": WHEEL, "url": WHEEL}])
        index.routes["/moved/page/"] = index.routes["/simple/hull-math/"]
        index.routes["/simple/hull-math/"] = lambda request: request.answer(
            301, b"gone there", {"Location": "../../moved/page/"}
        )
        (file,) = _page(_indexes(index))
        assert file.url == f"{index.url}/moved/page/{WHEEL}"

    @pytest.mark.parametrize(
        ("target", "why"),
        [
            ("http://files.example/", "it leads to an address without encryption"),
            ("file:///etc/passwd", "it leads to an address without encryption"),
            ("https://[::1/", "it leads to an address that is not valid"),
            ("", "it redirects in a circle"),
        ],
    )
    def test_redirects_that_lead_astray(self, index: IndexServer, target: str, why: str) -> None:
        index.routes["/simple/hull-math/"] = lambda request: request.answer(
            302, b"", {"Location": target or "/simple/hull-math/"}
        )
        with pytest.raises(IndexUnreachable) as caught:
            _page(_indexes(index))
        assert caught.value.why == why

    def test_pages_in_index_order_from_all_that_may_answer(self, index: IndexServer) -> None:
        """A bound name comes from its index; whether the default one has it too is looked up."""
        index.page("hull-math", [index.entry(WHEEL, b"one")])
        index.page("numpy", [])
        for project in ("hull-math", "numpy"):
            index.routes[f"/own/{project}/"] = index.routes[f"/simple/{project}/"]
        sources = (
            IndexSource(name="default", url=f"{index.url}/simple"),
            IndexSource(name="extra-1", url=f"{index.url}/own"),
            IndexSource(name="own", url=f"{index.url}/own", only=(HULL,)),
        )
        indexes = PythonIndexes(IndexSettings(indexes=sources), Cache(None))
        numpy = DistributionName("numpy")
        found = indexes.fetch([numpy, HULL]).pages
        assert [page.index for page in found[numpy]] == ["default", "extra-1"]
        assert [page.index for page in found[HULL]] == ["own", "default"]
        assert [one.index for one in found[HULL][0].files] == ["own"]
        asked = ["/own/hull-math/", "/own/numpy/", "/simple/hull-math/", "/simple/numpy/"]
        assert sorted(index.paths()) == asked
        indexes.fetch([numpy, HULL])
        assert sorted(index.paths()) == asked, "what is fresh was asked for again"

    def test_an_index_that_is_only_glanced_at_may_be_silent(self, index: IndexServer) -> None:
        """Where the default index does not answer, a bound name is planned all the same."""
        index.page("hull-math", [index.entry(WHEEL, b"one")])
        index.routes["/own/hull-math/"] = index.routes.pop("/simple/hull-math/")
        index.routes["/simple/hull-math/"] = lambda request: request.answer(503)
        sources = (
            IndexSource(name="default", url=f"{index.url}/simple"),
            IndexSource(name="own", url=f"{index.url}/own", only=(HULL,)),
        )
        indexes = PythonIndexes(
            IndexSettings(indexes=sources, retries=0), Cache(None), sleep=lambda _: None
        )
        found = indexes.fetch([HULL])
        assert [page.index for page in found.pages[HULL]] == ["own"]
        assert found.doubtful, "the next run may learn more"

    def test_a_page_of_links_serves_every_project_on_it(self, index: IndexServer) -> None:
        """pip's find-links: asked once, each project takes its own files."""
        text = f'<a href="{WHEEL}">x</a><a href="hull.math-0.9.tar.gz">x</a><a href="a-1.zip">'
        index.routes["/links.html"] = lambda request: request.answer(
            200, text.encode(), {"Content-Type": "text/html"}
        )
        source = IndexSource(name="links-1", url=f"{index.url}/links.html", flat=True)
        indexes = PythonIndexes(IndexSettings(indexes=(source,)), Cache(None))
        found = indexes.fetch([HULL, DistributionName("a")]).pages
        assert [one.filename for one in found[HULL][0].files] == [WHEEL, "hull.math-0.9.tar.gz"]
        assert [one.filename for one in found[DistributionName("a")][0].files] == ["a-1.zip"]
        assert index.paths() == ["/links.html"]

    def test_no_index_at_all(self) -> None:
        with pytest.raises(IndexUnreachable) as caught:
            PythonIndexes(IndexSettings(indexes=()), Cache(None)).fetch([HULL])
        assert str(caught.value) == (
            "no Python index may be asked for hull-math: neither pip's configuration nor the"
            " robot file names one that can be used"
        )

    @pytest.mark.parametrize(
        ("architecture", "left"),
        [("arm64", [0, 1, 5, 6, 7, 8, 9]), ("amd64", [0, 2, 5, 6, 7, 8, 9]), ("armhf", range(10))],
    )
    def test_files_for_other_machines_may_be_left_out(
        self, index: IndexServer, architecture: str, left: Iterable[int]
    ) -> None:
        """But never where a version has nothing for this one: then they are what explains it."""
        names = [
            "hull_math-2.0-py3-none-any.whl",
            "hull_math-1.0-cp313-cp313-manylinux_2_28_aarch64.whl",
            "hull_math-1.0-cp313-cp313-manylinux_2_17_x86_64.manylinux2014_x86_64.whl",
            "hull_math-1.0-cp313-cp313-win_arm64.whl",
            "hull_math-1.0-cp313-cp313-macosx_11_0_arm64.whl",
            "hull_math-1.0.tar.gz",
            "hull_math-0.9-cp311-cp311-macosx_11_0_arm64.whl",
            "hull_math-0.9-cp311-cp311-win_amd64.whl",
            "hull_math-0.9.tar.gz",
            "nonsense.whl",
        ]
        index.page("hull-math", [index.entry(name, b"") for name in names])
        keep = kept_for(architecture)
        indexes = PythonIndexes(_settings(index), Cache(None), keep=keep)
        assert [one.filename for one in _page(indexes)] == [names[n] for n in left]


class TestTries:
    @pytest.mark.parametrize("status", [429, 500, 502, 503])
    def test_a_server_that_recovers(self, index: IndexServer, status: int) -> None:
        index.page("hull-math", [index.entry(WHEEL, b"")])
        good = index.routes["/simple/hull-math/"]
        assert not isinstance(good, list)
        bad = lambda request: request.answer(status, b"later")  # noqa: E731
        index.routes["/simple/hull-math/"] = [bad, bad, good]
        assert len(_page(_indexes(index))) == 1

    def test_a_server_that_does_not(self, index: IndexServer) -> None:
        """Bounded tries, then words without any host in them."""
        index.routes["/simple/hull-math/"] = lambda request: request.answer(503)
        with pytest.raises(IndexUnreachable) as caught:
            _page(_indexes(index, retries=2))
        assert len(index.seen) == 3
        error = caught.value
        assert str(error) == (
            "the Python index default did not give the page of hull-math: it answers 503, which"
            " asks to come back later (tried 3 times)"
        )
        assert error.repair == ("check the network, then type the same command again",)
        assert error.index == "default"
        assert "127.0.0.1" not in str(error)

    def test_it_waits_as_long_as_the_server_asks(self, index: IndexServer) -> None:
        """RFC 9110 section 10.2.3, within a bound."""
        index.page("hull-math", [])
        good = index.routes["/simple/hull-math/"]
        assert not isinstance(good, list)
        index.routes["/simple/hull-math/"] = [
            lambda request: request.answer(503, b"", {"Retry-After": "3"}),
            lambda request: request.answer(503, b"", {"Retry-After": "86400"}),
            lambda request: request.answer(503),
            good,
        ]
        waits: list[float] = []
        PythonIndexes(_settings(index), Cache(None), sleep=waits.append).fetch([HULL])
        assert waits == [3, 10, 1]

    @pytest.mark.parametrize("status", [401, 403])
    def test_a_refusal_names_the_way_to_say_who_you_are(
        self, index: IndexServer, status: int
    ) -> None:
        index.routes["/simple/hull-math/"] = lambda request: request.answer(status)
        with pytest.raises(IndexUnreachable) as caught:
            _page(_indexes(index))
        assert caught.value.why == f"it answers {status}, it wants another user or password"
        assert "~/.netrc" in caught.value.repair[0]
        assert len(index.seen) == 1

    def test_an_answer_that_breaks_off_is_asked_for_again(self, index: IndexServer) -> None:
        index.page("hull-math", [index.entry(WHEEL, b"")])
        good = index.routes["/simple/hull-math/"]
        assert not isinstance(good, list)

        def torn(request: Request) -> None:
            request.answer(200, b"{", {"Content-Length": "100"})
            request.close_connection = True

        index.routes["/simple/hull-math/"] = [torn, good]
        assert len(_page(_indexes(index))) == 1

    def test_an_answer_that_breaks_off_for_ever(self, index: IndexServer) -> None:
        def torn(request: Request) -> None:
            request.answer(200, b"{", {"Content-Length": "100"})
            request.close_connection = True

        index.routes["/simple/hull-math/"] = torn
        with pytest.raises(IndexUnreachable) as caught:
            _page(_indexes(index, retries=1))
        assert caught.value.why == "the connection broke off (tried 2 times)"

    def test_a_body_that_cannot_be_unpacked(self, index: IndexServer) -> None:
        index.routes["/simple/hull-math/"] = lambda request: request.answer(
            200, b"not gzip", {"Content-Encoding": "gzip"}
        )
        with pytest.raises(IndexUnreachable) as caught:
            _page(_indexes(index, retries=0))
        assert caught.value.why == "its answer was damaged"

    def test_a_server_that_says_nothing(self, index: IndexServer) -> None:
        over = threading.Event()
        waited: list[bool] = []

        def silent(_: Request) -> None:
            waited.append(over.wait(5))

        index.routes["/simple/hull-math/"] = silent
        try:
            with pytest.raises(IndexUnreachable) as caught:
                _page(_indexes(index, retries=0, timeout_s=0.2))
        finally:
            over.set()
        assert caught.value.why == "it sent nothing for 0.2 s"
        assert False not in waited, "the server lost patience first"

    def test_nobody_at_the_address(self) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]  # held, but nobody listens
            source = IndexSource(name="own", url=f"http://127.0.0.1:{port}/simple")
            settings = IndexSettings(indexes=(source,))
            indexes = PythonIndexes(settings, Cache(None), sleep=lambda _: None)
            with pytest.raises(IndexUnreachable) as caught:
                indexes.fetch([HULL])
        assert caught.value.why == "nothing answers at its address (tried 3 times)"
        assert caught.value.index == "own"

    def test_a_name_that_does_not_resolve(self) -> None:
        """RFC 6761 section 6.4: ``.invalid`` never does."""
        source = IndexSource(name="default", url="https://index.invalid/simple")
        settings = IndexSettings(indexes=(source,), retries=0)
        with pytest.raises(IndexUnreachable) as caught:
            PythonIndexes(settings, Cache(None)).fetch([HULL])
        assert caught.value.why == "the name of its server cannot be resolved here"

    def test_a_server_that_speaks_no_tls(self, index: IndexServer) -> None:
        with pytest.raises(IndexUnreachable) as caught:
            _page(_secure(index.url.replace("http:", "https:")))
        assert caught.value.why.startswith("its certificate was not accepted (")

    def test_certificates_that_are_not_there(self) -> None:
        with pytest.raises(IndexUnreachable) as caught:
            _page(_secure("https://127.0.0.1:9", certificates="/no/such/file.pem"))
        assert caught.value.why == (
            "the configured certificates cannot be read (no such file or directory)"
        )

    def test_what_others_learned_is_kept_where_one_fails(self, index: IndexServer) -> None:
        index.page("good", [])
        failed = threading.Event()

        def late(request: Request) -> None:
            deadline = time.monotonic() + 300
            while not any("good" in path for path, _ in index.seen):
                assert time.monotonic() < deadline
                time.sleep(0.01)
            time.sleep(0.1)
            failed.set()
            request.answer(403)

        index.routes["/simple/bad/"] = late
        cache = Cache(None)
        indexes = _indexes(index, cache)
        with pytest.raises(IndexUnreachable):
            indexes.fetch([DistributionName("bad"), DistributionName("good")])
        assert failed.is_set()
        assert _page(_indexes(index, cache, offline=True), DistributionName("good")) == ()


@NEEDS_OPENSSL
class TestCertificates:
    """A server whose certificate nobody but the test knows."""

    @pytest.fixture(scope="class")
    @staticmethod
    def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
        return made_certificate(tmp_path_factory.mktemp("tls"))

    @pytest.fixture
    @staticmethod
    def secure(certificate: Path) -> Iterator[IndexServer]:
        with serving(server_context(certificate)) as found:
            found.page("hull-math", [])
            yield found

    def test_unknown_it_is_refused_at_once(self, secure: IndexServer) -> None:
        with pytest.raises(IndexUnreachable) as caught:
            _page(_secure(secure.url))
        why = caught.value.why
        assert why == "its certificate was not accepted (self-signed certificate)"
        assert caught.value.repair[0].startswith("pip config set global.cert")
        assert secure.seen == []

    def test_named_as_authority_it_is_accepted(
        self, secure: IndexServer, certificate: Path
    ) -> None:
        assert _page(_secure(secure.url, certificates=str(certificate))) == ()
        with_key = str(certificate.with_name("all.pem"))
        both = _secure(secure.url, certificates=with_key, client_certificate=with_key)
        assert _page(both) == ()

    def test_a_folder_of_authorities(self, secure: IndexServer, certificate: Path) -> None:
        """Source: OpenSSL `c_rehash`: files named by the hash of their subject."""
        command = ["openssl", "x509", "-hash", "-noout", "-in", str(certificate)]
        name = subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()
        folder = certificate.parent / "authorities"
        folder.mkdir(exist_ok=True)
        (folder / f"{name}.0").write_bytes(certificate.read_bytes())
        assert _page(_secure(secure.url, certificates=str(folder))) == ()

    def test_a_trusted_host_needs_none(self, secure: IndexServer) -> None:
        """As pip's trusted-host; other hosts stay checked."""
        host = secure.url.removeprefix("https://")
        assert _page(_secure(secure.url, trusted_hosts=(host,))) == ()
        with pytest.raises(IndexUnreachable):
            _page(_secure(secure.url, trusted_hosts=("other.example", "127.0.0.1:1")))

    def test_a_redirect_out_of_encryption_is_refused(self, secure: IndexServer) -> None:
        secure.routes["/simple/hull-math/"] = lambda request: request.answer(
            302, b"", {"Location": "http://plain.example/simple/hull-math/"}
        )
        host = secure.url.removeprefix("https://")
        with pytest.raises(IndexUnreachable) as caught:
            _page(_secure(secure.url, trusted_hosts=(host,)))
        assert caught.value.why == "it leads to an address without encryption"


class TestPrivacy:
    def test_credentials_go_to_their_host_alone(self, index: IndexServer) -> None:
        """Also after a redirect to another port of the same machine."""
        with serving() as other:
            other.page("hull-math", [])
            index.routes["/simple/hull-math/"] = lambda request: request.answer(
                302, b"", {"Location": f"{other.url}/simple/hull-math/"}
            )
            host = index.url.removeprefix("http://")
            _page(_indexes(index, credentials={host: ("crew", "secret")}))
            ((_, sent),) = index.seen
            ((_, leaked),) = other.seen
        # RFC 7617: base64 of "crew:secret".
        assert sent["authorization"] == "Basic Y3JldzpzZWNyZXQ="
        assert "authorization" not in leaked

    def test_netrc_where_the_address_has_none(self, index: IndexServer, tmp_path: Path) -> None:
        path = tmp_path / "netrc"
        path.write_text(
            "machine 127.0.0.1 login crew password secret\ndefault login x password y\n"
        )
        index.page("hull-math", [])
        _page(_indexes(index, netrc=path))
        ((_, sent),) = index.seen
        assert sent["authorization"] == "Basic Y3JldzpzZWNyZXQ="

    def test_a_broken_netrc_is_no_reason_to_stop(self, index: IndexServer, tmp_path: Path) -> None:
        path = tmp_path / "netrc"
        path.write_bytes(b"machine \xff\xfe nonsense {{{")
        assert _page(_indexes(index, netrc=path)) == ()
        assert "authorization" not in index.seen[0][1]

    def test_no_password_is_written_anywhere(self, index: IndexServer, tmp_path: Path) -> None:
        index.page("hull-math", [index.entry(WHEEL, b"")])
        url = index.url.replace("http://", "http://crew:s3cr3t@")
        settings = index_settings((), {"PIP_INDEX_URL": f"{url}/simple"}, files=())
        with Cache(tmp_path / "cache.sqlite") as cache:
            (page,) = PythonIndexes(settings, cache).fetch([HULL]).pages[HULL]
        assert index.seen[0][1]["authorization"].startswith("Basic ")
        assert "s3cr3t" not in repr(page) + repr(settings)
        assert b"s3cr3t" not in b"".join(one.read_bytes() for one in tmp_path.iterdir())

    def test_a_proxy_is_asked_in_its_place(self, index: IndexServer) -> None:
        """RFC 9112 section 3.2.2: a proxy gets the whole address; no_proxy goes past it."""
        index.routes["http://index.example/simple/hull-math/"] = lambda request: request.answer(404)
        settings = IndexSettings(
            indexes=(IndexSource(name="default", url="http://index.example/simple"),),
            trusted_hosts=("index.example",),
            proxies={"http": index.url.replace("//", "//u:p@"), "https": index.url},
            no_proxy="other.example,10.0.0.0/8",
        )
        PythonIndexes(settings, Cache(None)).fetch([HULL])
        ((path, headers),) = index.seen
        assert path == "http://index.example/simple/hull-math/"
        assert headers["proxy-authorization"] == "Basic dTpw"  # RFC 7617: base64 of "u:p"

    @pytest.mark.parametrize(
        "no_proxy", ["127.0.0.1", "*", "localhost, 127.0.0.0/8", "10.0.0.0/8,127.0.0.1"]
    )
    def test_no_proxy_goes_past_it(self, index: IndexServer, no_proxy: str) -> None:
        index.page("hull-math", [])
        proxies = {"http": "http://127.0.0.1:9", "https": "http://127.0.0.1:9"}
        assert _page(_indexes(index, proxies=proxies, no_proxy=no_proxy)) == ()


class Clock:
    """Time that a test moves."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


class TestFreshness:
    @pytest.fixture
    def clock(self) -> Clock:
        return Clock()

    def _fetch(
        self, index: IndexServer, cache: Cache, clock: Clock, *, offline: bool = False
    ) -> Fetched:
        indexes = PythonIndexes(_settings(index), cache, offline=offline, clock=clock)
        return indexes.fetch([HULL])

    @pytest.mark.parametrize(
        ("control", "fresh_s"),
        [
            ("", 600),
            ("max-age=60", 60),
            ("public, Max-Age=3600", 3600),
            ("max-age=99999999", 86_400),
            ("no-cache", 0),
            ("no-store, max-age=60", 0),
            ("max-age=nonsense", 600),
        ],
    )
    def test_a_page_is_fresh_as_long_as_its_server_says(
        self, index: IndexServer, clock: Clock, control: str, fresh_s: int
    ) -> None:
        """RFC 9111 section 5.2.2, in bounds; ten minutes where nothing is said."""
        index.page("hull-math", [], headers={"Cache-Control": control} if control else {})
        cache = Cache(None, clock=clock)
        self._fetch(index, cache, clock)
        clock.now += fresh_s - 1
        assert self._fetch(index, cache, clock).age_s == max(0, fresh_s - 1) or not fresh_s
        assert len(index.seen) == (1 if fresh_s else 2)
        clock.now += 2
        assert self._fetch(index, cache, clock).age_s == 0
        assert len(index.seen) == (2 if fresh_s else 3)

    def test_an_unchanged_page_is_not_sent_again(self, index: IndexServer, clock: Clock) -> None:
        """RFC 9110 section 13.1: If-None-Match, If-Modified-Since, 304."""
        date = "Wed, 21 Oct 2015 07:28:00 GMT"
        index.page(
            "hull-math",
            [index.entry(WHEEL, b"")],
            headers={"ETag": '"a1"', "Last-Modified": date, "Cache-Control": "max-age=60"},
        )
        cache = Cache(None, clock=clock)
        first = self._fetch(index, cache, clock)
        index.routes["/simple/hull-math/"] = lambda request: request.answer(304)
        clock.now += 100
        assert self._fetch(index, cache, clock) == first
        assert index.seen[-1][1]["if-none-match"] == '"a1"'
        assert index.seen[-1][1]["if-modified-since"] == date
        clock.now += 500
        assert self._fetch(index, cache, clock).pages == first.pages
        assert len(index.seen) == 2

    def test_a_changed_page_takes_the_place_of_the_old(
        self, index: IndexServer, clock: Clock
    ) -> None:
        cache = Cache(None, clock=clock)
        index.page("hull-math", [index.entry(WHEEL, b"")], headers={"ETag": '"a1"'})
        self._fetch(index, cache, clock)
        index.page("hull-math", [], headers={"ETag": '"a2"'})
        clock.now += 601
        assert self._fetch(index, cache, clock).pages[HULL][0].files == ()

    def test_a_clock_that_was_set_back_keeps_nothing_for_ever(
        self, index: IndexServer, clock: Clock
    ) -> None:
        index.page("hull-math", [])
        cache = Cache(None, clock=clock)
        self._fetch(index, cache, clock)
        clock.now -= 1e6
        self._fetch(index, cache, clock)
        assert len(index.seen) == 2

    def test_offline_uses_what_is_there_and_tells_how_old_it_is(
        self, index: IndexServer, clock: Clock
    ) -> None:
        index.page("hull-math", [index.entry(WHEEL, b"")])
        cache = Cache(None, clock=clock)
        online = self._fetch(index, cache, clock)
        clock.now += 1e7
        offline = self._fetch(index, cache, clock, offline=True)
        assert offline.pages == online.pages
        assert offline.age_s == 10_000_000
        assert len(index.seen) == 1

    def test_offline_says_what_it_does_not_have(self, index: IndexServer) -> None:
        indexes = _indexes(index, offline=True)
        names = [DistributionName(name) for name in ("a", "b", "c", "d")]
        file = IndexFile(filename=WHEEL, url="https://x.example/w.whl", sha256="00" * 32)
        with pytest.raises(IndexUnreachable) as caught:
            indexes.fetch(names, [file])
        assert caught.value.message == (
            "the page of a, the page of b, the page of c and 2 more were never read"
        )
        with pytest.raises(IndexUnreachable) as caught:
            indexes.fetch((), [file])
        assert caught.value.message == f"the metadata of {WHEEL} was never read"
        assert index.seen == []

    def test_the_digest_tells_whether_anything_changed(
        self, index: IndexServer, clock: Clock
    ) -> None:
        """None where the network would be asked; the same as long as the pages are the same."""
        cache = Cache(None, clock=clock)
        indexes = PythonIndexes(_settings(index), cache, clock=clock)
        absent = DistributionName("absent")
        index.page("hull-math", [index.entry(WHEEL, b"1")])
        assert indexes.digest([HULL]) is None
        indexes.fetch([HULL, absent])
        first = indexes.digest([HULL, absent])
        assert first is not None
        assert first == indexes.digest([absent, HULL])
        assert len({first, indexes.digest([HULL]), indexes.digest([absent])}) == 3
        clock.now += 601
        assert indexes.digest([HULL, absent]) is None
        assert PythonIndexes(_settings(index), cache, offline=True).digest([HULL, absent]) == first
        indexes.fetch([HULL, absent])
        assert indexes.digest([HULL, absent]) == first
        index.page("hull-math", [index.entry(WHEEL, b"2")])
        clock.now += 601
        indexes.fetch([HULL, absent])
        assert indexes.digest([HULL, absent]) not in {None, first}

    def test_files_without_hash_have_no_digest(self, index: IndexServer) -> None:
        index.page("hull-math", [{"filename": WHEEL, "url": WHEEL}])
        indexes = _indexes(index)
        _page(indexes)
        assert indexes.digest([HULL]) is None

    @pytest.mark.parametrize("kind", ["page-1", "page-head-1"])
    def test_a_damaged_entry_is_read_anew(self, index: IndexServer, kind: str) -> None:
        cache = Cache(None)
        index.page("hull-math", [index.entry(WHEEL, b"")])
        before = _page(_indexes(index, cache))
        cache.put(kind, f"{index.url}/simple/hull-math/", b"x\ny")
        assert _page(_indexes(index, cache)) == before
        assert len(index.seen) == 2
        assert _page(_indexes(index, cache)) == before
        assert len(index.seen) == 2

    def test_a_damaged_entry_is_missing_offline(self, index: IndexServer) -> None:
        cache = Cache(None)
        index.page("hull-math", [index.entry(WHEEL, b"")])
        _page(_indexes(index, cache))
        cache.put("page-1", f"{index.url}/simple/hull-math/", b"x\ny")
        with pytest.raises(IndexUnreachable, match="the page of hull-math was never read"):
            _page(_indexes(index, cache, offline=True))


class TestMetadata:
    def _file(self, index: IndexServer, body: bytes, **more: Any) -> IndexFile:
        """Return the one wheel; *more* keys of its entry, with ``_`` for ``-``."""
        keys = {key.replace("_", "-"): value for key, value in more.items()}
        index.add("hull-math", {WHEEL: body}, more=keys)
        (file,) = _page(_indexes(index))
        index.seen.clear()
        return file

    def test_advertised_metadata_is_taken_and_its_hash_checked(self, index: IndexServer) -> None:
        text = metadata("hull-math", "1.0", "Requires-Dist: numpy")
        file = self._file(
            index,
            wheel("hull_math", "1.0"),
            core_metadata={"sha256": hashlib.sha256(text).hexdigest()},
        )
        index.file(f"/files/{WHEEL}.metadata", text)
        found = _only(_indexes(index).fetch(metadata=[file]))
        assert found.requires_dist == ("numpy",)
        assert found.modules is None
        assert index.paths() == [f"/files/{WHEEL}.metadata"]
        index.file(f"/files/{WHEEL}.metadata", text + b"x")
        with pytest.raises(HashMismatch) as caught:
            _indexes(index).fetch(metadata=[file])
        assert caught.value.message == (
            f"the Python index default sent something else than the metadata of {WHEEL}"
        )

    def test_advertised_metadata_that_is_not_there(self, index: IndexServer) -> None:
        file = self._file(index, wheel("hull_math", "1.0"), core_metadata=True)
        found = _only(_indexes(index).fetch(metadata=[file]))
        assert found.requires_dist == ()
        assert found.modules == ("hull_math",)

    def test_contents_are_read_from_the_wheel_where_they_are_wanted(
        self, index: IndexServer
    ) -> None:
        """Metadata beside the wheel does not tell what can be imported."""
        cache = Cache(None)
        file = self._file(index, wheel("hull_math", "1.0"), core_metadata=True)
        index.file(f"/files/{WHEEL}.metadata", metadata("hull-math", "1.0"))
        indexes = _indexes(index, cache)
        assert _only(indexes.fetch(metadata=[file])).modules is None
        assert _only(indexes.fetch(metadata=[file], contents=True)).modules == ("hull_math",)
        assert _only(indexes.fetch(metadata=[file])).modules == ("hull_math",)
        assert index.paths() == [f"/files/{WHEEL}", f"/files/{WHEEL}.metadata"]

    def test_metadata_is_kept_for_ever_by_hash(self, index: IndexServer) -> None:
        clock = Clock()
        cache = Cache(None, clock=clock)
        file = self._file(index, wheel("hull_math", "1.0"))
        first = _indexes(index, cache).fetch(metadata=[file])
        assert len(index.seen) == 1
        clock.now += 1e9
        assert _indexes(index, cache, offline=True).fetch(metadata=[file]) == first
        assert _indexes(index, cache).fetch(metadata=[file]) == first
        assert len(index.seen) == 1

    def test_another_address_with_the_same_hash_is_not_believed(self, index: IndexServer) -> None:
        """A page may claim any hash: what one index says must not answer for another's file."""
        cache = Cache(None)
        file = self._file(index, wheel("hull_math", "1.0", "Requires-Dist: evil"))
        _indexes(index, cache).fetch(metadata=[file])
        elsewhere = f"/elsewhere/{WHEEL}"
        index.file(elsewhere, wheel("hull_math", "1.0"))
        other = replace(file, url=index.url + elsewhere, size=None, sha256=file.sha256)
        with pytest.raises(HashMismatch):  # small enough to be read whole, so even this shows
            _indexes(index, cache).fetch(metadata=[other])

    def test_without_a_hash_it_is_kept_for_a_day(self, index: IndexServer) -> None:
        clock = Clock()
        cache = Cache(None, clock=clock)
        file = replace(self._file(index, wheel("hull_math", "1.0")), sha256=None)
        for later, requests in ((0, 1), (3600, 1), (86_400, 2)):
            clock.now += later
            indexes = PythonIndexes(_settings(index), cache, clock=clock)
            assert _only(indexes.fetch(metadata=[file])).requires_dist == ()
            assert len(index.seen) == requests

    def test_a_file_that_is_gone(self, index: IndexServer) -> None:
        """Said of the file, not kept; other files go on."""
        cache = Cache(None)
        file = self._file(index, wheel("hull_math", "1.0"))
        del index.routes[f"/files/{WHEEL}"]
        for _ in range(2):
            found = _only(_indexes(index, cache).fetch(metadata=[file]))
            assert found.requires_dist is None
            assert found.reason == "its index lists this file but does not have it"
        assert len(index.seen) == 2

    def test_a_damaged_entry_is_read_anew(self, index: IndexServer) -> None:
        cache = Cache(None)
        file = self._file(index, wheel("hull_math", "1.0"))
        first = _indexes(index, cache).fetch(metadata=[file])
        good = json.loads(cache.get("metadata-1", f"{file.sha256} {file.url}") or b"")
        for bad in (b"", b"{}", b"[]", json.dumps({**good, "modules": 7}).encode()):
            cache.put("metadata-1", f"{file.sha256} {file.url}", bad)
            assert _indexes(index, cache).fetch(metadata=[file]) == first

    def test_forty_files_at_once_and_progress(self, index: IndexServer) -> None:
        """In parallel over few connections; progress ends complete and comes in this thread."""
        files = {
            f"hull_math-1.{n}-py3-none-any.whl": wheel("hull_math", f"1.{n}") for n in range(40)
        }
        index.add("hull-math", files)
        told: list[tuple[int, int, str]] = []
        here = threading.get_ident()

        def progress(done: int, known: int, what: str) -> None:
            assert threading.get_ident() == here
            told.append((done, known, what))

        indexes = PythonIndexes(_settings(index), Cache(None), progress=progress)
        listed = _page(indexes)
        fetched = indexes.fetch(metadata=listed)
        assert list(fetched.metadata) == [one.key for one in listed]
        assert [one.version for one in fetched.metadata.values()] == [f"1.{n}" for n in range(40)]
        assert told[0] == (1, 1, "hull-math")
        assert told[-1][:2] == (40, 40)
        assert len(told) == 41

    def test_answers_do_not_depend_on_their_order(self, index: IndexServer) -> None:
        names = [DistributionName(f"p{n}") for n in range(8)]
        for n, name in enumerate(names):
            index.page(name, [{"filename": f"{name}-1.zip", "url": f"{n}.zip"}])
        slow = index.routes["/simple/p0/"]
        assert not isinstance(slow, list)

        def late(request: Request) -> None:
            time.sleep(0.2)
            slow(request)

        index.routes["/simple/p0/"] = late
        found = _indexes(index).fetch(names)
        assert list(found.pages) == names

    def test_the_same_question_twice_is_asked_once(self, index: IndexServer) -> None:
        file = self._file(index, wheel("hull_math", "1.0"))
        _indexes(index).fetch([HULL, HULL], [file, file])
        assert len(index.seen) == 2


class TestBuild:
    """`build_metadata` runs the build back end of an sdist: here one of our own, without needs."""

    BACKEND = (
        "import os\n"
        "def get_requires_for_build_wheel(settings=None): return []\n"
        "def prepare_metadata_for_build_wheel(folder, settings=None):\n"
        "    name = 'hull_math-1.0.dist-info'\n"
        "    os.mkdir(os.path.join(folder, name))\n"
        "    with open(os.path.join(folder, name, 'METADATA'), 'w') as file:\n"
        "        file.write('Metadata-Version: 2.1\\nName: hull-math\\nVersion: 1.0\\n'\n"
        "            'Requires-Dist: numpy>=1\\n'\n"
        "            'Requires-Dist: ' + ('leak' if 'TOKEN' in os.environ else 'tight') + '\\n')\n"
        "    return name\n"
    )
    NAME = "hull_math-1.0.tar.gz"

    def _sdist(self, backend: str = BACKEND) -> bytes:
        toml = "[build-system]\nrequires = []\nbuild-backend = 'own'\nbackend-path = ['.']\n"
        return tarball(
            {
                "hull_math-1.0/PKG-INFO": metadata("hull-math", "1.0"),
                "hull_math-1.0/pyproject.toml": toml.encode(),
                "hull_math-1.0/own.py": backend.encode(),
            }
        )

    def test_a_build_tells_and_is_kept(self, index: IndexServer, tmp_path: Path) -> None:
        """It sees no more of the environment than it needs; `fetch` alone never builds."""
        index.add("hull-math", {self.NAME: self._sdist()})
        cache = Cache(None)
        indexes = _indexes(index, cache)
        (file,) = _page(indexes)
        before = _only(indexes.fetch(metadata=[file]))
        assert before.requires_dist is None
        assert before.reason == "only its own build tells what it requires"
        assert before.build_requires == ()
        environ = {
            "PATH": os.environ["PATH"],
            "HOME": str(tmp_path),
            "TOKEN": "x",
            "PIP_NO_INDEX": "1",
        }
        found = indexes.build_metadata([file], environ)[file.key]
        assert found.requires_dist == ("numpy>=1", "tight")
        assert (found.source, found.reason) == ("build", "")
        assert found.build_requires == ()
        index.routes.clear()
        assert indexes.build_metadata([file], {})[file.key] == found
        assert _only(_indexes(index, cache, offline=True).fetch(metadata=[file])) == found

    def test_files_in_the_folder_worked_in_play_no_part(
        self, index: IndexServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A stranger's folder may hold modules by the names of pip's, settings and programs."""
        here = tmp_path / "robot"
        here.mkdir()
        for name in ("pip.py", "json.py", "setuptools.py", "sitecustomize.py"):
            (here / name).write_text(
                f"open({str(tmp_path / 'sprung')!r}, 'w')\nraise SystemExit(3)\n"
            )
        for name in ("pip.conf", "setup.cfg", "pip.ini", ".pydistutils.cfg"):
            (here / name).write_text(
                "[global]\nindex-url = http://evil.example/\nno-index = nonsense\n"
            )
        monkeypatch.chdir(here)
        monkeypatch.setenv("PYTHONPATH", ".")
        index.add("hull-math", {self.NAME: self._sdist()})
        indexes = _indexes(index)
        (file,) = _page(indexes)
        environ = {
            "PATH": f".:{os.environ['PATH']}",
            "HOME": str(tmp_path),
            "PIP_NO_INDEX": "1",
            "PYTHONPATH": ".",
        }
        found = indexes.build_metadata([file], environ)[file.key]
        assert found.requires_dist == ("numpy>=1", "tight")
        assert not (tmp_path / "sprung").exists()

    def test_pips_settings_are_found_from_here(
        self, index: IndexServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """As planning reads them, though the build runs elsewhere: one that pip refuses shows it."""
        monkeypatch.chdir(tmp_path)
        (tmp_path / "mine.conf").write_text("[install]\nno-index = nonsense\n")
        index.add("hull-math", {self.NAME: self._sdist()})
        indexes = _indexes(index)
        (file,) = _page(indexes)
        environ = {"PATH": os.environ["PATH"], "PIP_CONFIG_FILE": "mine.conf"}
        found = indexes.build_metadata([file], environ)[file.key]
        assert found.reason == "its build ended with an error on this machine"

    def test_a_build_that_fails_says_so_and_is_not_kept(
        self, index: IndexServer, tmp_path: Path
    ) -> None:
        index.add("hull-math", {self.NAME: self._sdist("raise SystemExit(3)")})
        indexes = _indexes(index)
        (file,) = _page(indexes)
        environ = {"PATH": os.environ["PATH"], "HOME": str(tmp_path), "PIP_NO_INDEX": "1"}
        found = indexes.build_metadata([file], environ)[file.key]
        assert found.requires_dist is None
        assert found.reason == "its build ended with an error on this machine"
        assert (found.name, found.version) == ("hull-math", "1.0")


@pytest.mark.live
class TestLive:
    """Asks the index that pip is configured for; compares with pip itself."""

    @pytest.fixture(scope="class")
    @staticmethod
    def indexes() -> Iterator[PythonIndexes]:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with PythonIndexes(index_settings((), os.environ), Cache(None)) as found:
                yield found

    def test_pages(self, indexes: PythonIndexes) -> None:
        names = [DistributionName(one) for one in ("numpy", "smbus2", "spidev", "pyserial")]
        found = indexes.fetch([*names, DistributionName("no-such-project-of-this-name-x9")])
        default = {name: pages[0].files for name, pages in found.pages.items()}
        assert all(default[name] for name in names)
        assert len(default[names[0]]) > 3000
        assert not default[DistributionName("no-such-project-of-this-name-x9")]
        assert all(one.sha256 and one.size for files in default.values() for one in files)

    @pytest.mark.parametrize("name", ["smbus2", "pyserial", "numpy", "requests"])
    def test_requirements_as_pip_reports_them(
        self, indexes: PythonIndexes, name: str, tmp_path: Path
    ) -> None:
        """Outside check: pip's installation report of the same wheel."""
        report = tmp_path / "report.json"
        command = ["install", "--dry-run", "--ignore-installed", "--no-deps", "--quiet"]
        options = ["--only-binary", ":all:", "--report", str(report), name]
        subprocess.run([sys.executable, "-m", "pip", *command, *options], check=True)
        (installed,) = json.loads(report.read_bytes())["install"]
        sha256 = installed["download_info"]["archive_info"]["hashes"]["sha256"]
        pages = indexes.fetch([DistributionName(name)]).pages[DistributionName(name)]
        (file,) = [one for page in pages for one in page.files if one.sha256 == sha256]
        found = _only(indexes.fetch(metadata=[file]))
        told = installed["metadata"]
        assert list(found.requires_dist) == told.get("requires_dist", [])
        assert found.requires_python == told.get("requires_python")
        assert found.version == told["version"]

    def test_an_sdist_that_tells_only_by_building(self, indexes: PythonIndexes) -> None:
        pages = indexes.fetch([DistributionName("spidev")]).pages[DistributionName("spidev")]
        sdists = [one for one in pages[0].files if re.search(r"-3\.8\.tar\.gz$", one.filename)]
        found = _only(indexes.fetch(metadata=sdists))
        assert (found.name, found.version) == ("spidev", "3.8")
        assert found.requires_dist is None
        assert found.build_requires == ("setuptools>=61.0",)
