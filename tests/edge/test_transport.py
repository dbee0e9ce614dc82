"""
One transport for both kinds of index.

Each test runs as a Python index is asked and as a Debian archive is: what holds of one holds of
the other.
"""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from robokit_plan.edge._debian_apt_config import AptSettings
from robokit_plan.edge._debian_fetch import AptAccess, Fetcher
from robokit_plan.edge._index_errors import IndexUnreachable
from robokit_plan.edge._pip_access import PipAccess
from robokit_plan.edge._pip_config import IndexSettings
from robokit_plan.edge._transport import Access, Client, Stopped, TooLarge

from .certificates import NEEDS_OPENSSL, made_certificate, server_context
from .index_server import IndexServer, serving

OK = b"HTTP/1.1 200 OK\r\n"
Act = Callable[[socket.socket], None]


def pip(**changes: object) -> Access:
    return PipAccess(IndexSettings(indexes=(), retries=0, **changes))  # type: ignore[arg-type]


def apt(certificates: str = "", users: str = "") -> Access:
    options = {"acquire::https::cainfo": certificates} if certificates else {}
    found = AptAccess(AptSettings(options=options), {})
    if users:
        found.bare(users)
    return found


class Short:
    """Another access, with short waits and few tries."""

    def __init__(self, of: Access, *, silence_s: float = 5, retries: int = 0) -> None:
        self._of = of
        self.silence_s = silence_s
        self.retries = retries

    def __getattr__(self, name: str) -> object:
        return getattr(self._of, name)


BOTH = pytest.mark.parametrize("access", [pip(), apt()], ids=["pip", "apt"])


@contextmanager
def raw(act: Act, tls: ssl.SSLContext | None = None) -> Iterator[str]:
    """Serve the address of a server that does *act* with each connection."""
    listening = socket.create_server(("127.0.0.1", 0))
    done = threading.Event()
    made_here: list[socket.socket] = []
    threads: list[threading.Thread] = []

    def one(made: socket.socket) -> None:
        with suppress(OSError), made:
            if tls is None:
                act(made)
                done.wait(3)
                return
            with tls.wrap_socket(made, server_side=True) as secure:
                made_here.append(secure)
                act(secure)

    def serve() -> None:
        while not done.is_set():
            try:
                made, _ = listening.accept()
            except OSError:
                return
            made_here.append(made)
            threads.append(threading.Thread(target=one, args=(made,), daemon=True))
            threads[-1].start()

    serving_here = threading.Thread(target=serve, daemon=True)
    serving_here.start()
    try:
        yield f"http{'s' if tls else ''}://127.0.0.1:{listening.getsockname()[1]}/x"
    finally:
        done.set()
        # A thread that waits on a closed descriptor would wait on whatever has its number next.
        with suppress(OSError):
            listening.shutdown(socket.SHUT_RDWR)
        serving_here.join()
        listening.close()
        for open_ in made_here:
            with suppress(OSError):
                open_.shutdown(socket.SHUT_RDWR)
        for thread in threads:
            thread.join()


def drip(head: bytes, piece: bytes, every_s: float = 0.02) -> Act:
    """Send *head*, then *piece* again and again."""

    def act(made: socket.socket) -> None:
        made.recv(65536)
        made.sendall(head)
        while True:
            made.sendall(piece)
            time.sleep(every_s)

    return act


def silent(made: socket.socket) -> None:
    while made.recv(65536):
        pass


def flood(head: bytes, piece: bytes) -> Act:
    def act(made: socket.socket) -> None:
        made.recv(65536)
        made.sendall(head)
        while True:
            made.sendall(piece * 100)

    return act


def asked(client: Client, url: str, limit: int = 1_000_000, *, as_stored: bool = False) -> bytes:
    return client.ask(
        url, lambda reply: reply.body(limit), index="pond", what="a file", as_stored=as_stored
    )


SLOW = {
    "status": drip(b"", b"H"),
    "headers": drip(OK, b"X: y\r\n"),
    "one header": drip(OK + b"X: ", b"y"),
    "continue": drip(b"", b"HTTP/1.1 100 Continue\r\n\r\n"),
    "body": drip(OK + b"Content-Length: 900000\r\n\r\n", b"x"),
    "body without length": drip(OK + b"\r\n", b"x"),
    "chunks": drip(OK + b"Transfer-Encoding: chunked\r\n\r\n", b"1\r\nx\r\n"),
    "size of a chunk": drip(OK + b"Transfer-Encoding: chunked\r\n\r\n", b"0"),
    "extension": drip(OK + b"Transfer-Encoding: chunked\r\n\r\n1;", b"e"),
    "trailers": drip(OK + b"Transfer-Encoding: chunked\r\n\r\n0\r\n", b"X: y\r\n"),
}
"""A server that sends a byte every now and then, wherever in an answer (RFC 9112) it may."""


ENOUGH_S = 20
"""Without an end it would be for ever: seconds, so long that a busy machine is not judged."""


class TestEnd:
    @BOTH
    @pytest.mark.parametrize("act", SLOW.values(), ids=SLOW.keys())
    def test_a_slow_answer_ends(self, access: Access, act: Act) -> None:
        client = Client(Short(access, silence_s=3), start_s=-2.7)  # type: ignore[arg-type]
        start = time.monotonic()
        with raw(act) as url, pytest.raises(IndexUnreachable) as caught:
            asked(client, url)
        assert time.monotonic() - start < ENOUGH_S
        assert "its answer was not at its end" in caught.value.why

    @NEEDS_OPENSSL
    @pytest.mark.parametrize("place", ["body", "headers"])
    def test_a_slow_encrypted_answer_ends(self, place: str, tmp_path: Path) -> None:
        certificate = made_certificate(tmp_path)
        access = Short(apt(str(certificate)), silence_s=3)
        client = Client(access, start_s=-2.5)  # type: ignore[arg-type]
        start = time.monotonic()
        with (
            raw(SLOW[place], server_context(certificate)) as url,
            pytest.raises(IndexUnreachable) as caught,
        ):
            asked(client, url)
        assert time.monotonic() - start < ENOUGH_S
        assert "its answer was not at its end" in caught.value.why

    @NEEDS_OPENSSL
    def test_a_slow_handshake_ends(self, tmp_path: Path) -> None:
        """A record of TLS (RFC 8446 section 5.1) that comes byte by byte."""
        certificate = made_certificate(tmp_path)
        access = Short(apt(str(certificate)), silence_s=3)
        client = Client(access, start_s=-2.7)  # type: ignore[arg-type]
        start = time.monotonic()
        with (
            raw(drip(b"\x16\x03\x03\x40\x00", b"\x02", 0.05)) as url,
            pytest.raises(IndexUnreachable),
        ):
            asked(client, url.replace("http:", "https:"))
        assert time.monotonic() - start < ENOUGH_S

    def test_a_slow_proxy_ends(self) -> None:
        with raw(drip(b"", b"H")) as url:
            proxies = {"https": url.removesuffix("/x")}
            access = Short(pip(proxies=proxies), silence_s=3)
            client = Client(access, start_s=-2.7)  # type: ignore[arg-type]
            start = time.monotonic()
            with pytest.raises(IndexUnreachable):
                asked(client, "https://pond.example/x")
        assert time.monotonic() - start < ENOUGH_S

    @BOTH
    def test_all_tries_have_one_end(self, access: Access) -> None:
        """A server that breaks off late each time is not asked for ever."""

        def act(made: socket.socket) -> None:
            made.recv(65536)
            made.sendall(OK + b"Content-Length: 900\r\n\r\n")
            for _ in range(8):
                made.sendall(b"x")
                time.sleep(0.02)
            made.shutdown(socket.SHUT_RDWR)

        short = Short(access, silence_s=3, retries=50)
        client = Client(short, sleep=lambda _: None, start_s=0.6 - 51 * 3)  # type: ignore[arg-type]
        start = time.monotonic()
        with raw(act) as url, pytest.raises(IndexUnreachable):
            asked(client, url)
        assert time.monotonic() - start < ENOUGH_S

    @BOTH
    def test_a_server_that_keeps_up_is_heard_out(self, access: Access) -> None:
        """Each 4,000 bytes add a second."""
        body = b"x" * 1000

        def act(made: socket.socket) -> None:
            made.recv(65536)
            made.sendall(OK + b"Content-Length: 20000\r\n\r\n")
            for _ in range(20):
                made.sendall(body)
                time.sleep(0.03)

        client = Client(Short(access, silence_s=3), start_s=-2.8)  # type: ignore[arg-type]
        with raw(act) as url:
            assert len(asked(client, url)) == 20_000

    @BOTH
    @pytest.mark.parametrize(
        ("head", "piece"),
        [
            (b"", b"HTTP/1.1 100 Continue\r\n\r\n"),
            (OK + b"Transfer-Encoding: chunked\r\n\r\n0\r\n", b"X: y\r\n"),
            # RFC 1952 section 2.2: members may follow each other, and one may hold nothing
            (
                OK + b"Content-Encoding: gzip\r\n\r\n",
                bytes.fromhex("1f8b08000000000000030300000000000000 0000"),
            ),
            (OK + b"\r\n", b"x" * 100),
        ],
        ids=["continue", "trailers", "packed nothing", "body"],
    )
    def test_a_fast_answer_without_end(self, access: Access, head: bytes, piece: bytes) -> None:
        client = Client(access)
        start = time.monotonic()
        with raw(flood(head, piece)) as url, pytest.raises((IndexUnreachable, TooLarge)):
            asked(client, url, 100_000)
        assert time.monotonic() - start < ENOUGH_S

    @BOTH
    def test_it_stops_when_told(self, access: Access) -> None:
        client = Client(access)
        timer = threading.Timer(0.1, client.stop)
        timer.start()
        start = time.monotonic()
        with raw(silent) as url, pytest.raises(Stopped):
            asked(client, url)
        assert time.monotonic() - start < ENOUGH_S


@NEEDS_OPENSSL
class TestEncryption:
    @pytest.fixture(scope="class")
    @staticmethod
    def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
        return made_certificate(tmp_path_factory.mktemp("tls"))

    @pytest.fixture(params=["pip", "apt"])
    @staticmethod
    def client(request: pytest.FixtureRequest, certificate: Path) -> Client:
        if request.param == "pip":
            return Client(pip(certificates=str(certificate)))
        return Client(apt(str(certificate)))

    def test_a_redirect_never_leads_out(self, client: Client, certificate: Path) -> None:
        """
        Not to this machine either, nor over several steps.

        Source: apt 2.6, methods/basehttp.cc, which refuses a redirect from https to http (from
        memory).
        """
        with serving(server_context(certificate)) as secure, serving() as plain:
            plain.file("/x", b"plain")
            secure.routes["/x"] = lambda to: to.answer(302, b"", {"Location": "/y"})
            secure.routes["/y"] = lambda to: to.answer(302, b"", {"Location": f"{plain.url}/x"})
            with pytest.raises(IndexUnreachable) as caught:
                asked(client, f"{secure.url}/x")
            assert plain.seen == []
        assert caught.value.why == "it leads to an address without encryption"

    def test_a_redirect_may_lead_in(self, client: Client, certificate: Path) -> None:
        with serving(server_context(certificate)) as secure, serving() as plain:
            secure.file("/x", b"secure")
            plain.routes["/x"] = lambda to: to.answer(307, b"", {"Location": f"{secure.url}/x"})
            assert asked(client, f"{plain.url}/x") == b"secure"

    @pytest.mark.parametrize("target", ["file:///etc/hostname", "ftp://pond.example/x"])
    def test_a_redirect_to_no_server(self, client: Client, target: str) -> None:
        with serving() as plain:
            plain.routes["/x"] = lambda to: to.answer(302, b"", {"Location": target})
            with pytest.raises(IndexUnreachable):
                asked(client, f"{plain.url}/x")

    def test_an_unknown_certificate(self, certificate: Path) -> None:
        with serving(server_context(certificate)) as secure:
            for access in (pip(), apt()):
                with pytest.raises(IndexUnreachable) as caught:
                    asked(Client(access), f"{secure.url}/x")
                why = "its certificate was not accepted (self-signed certificate)"
                assert caught.value.why == why


class TestBoth:
    @pytest.fixture
    @staticmethod
    def server() -> Iterator[IndexServer]:
        with serving() as found:
            yield found

    @BOTH
    def test_a_file_as_it_is_stored(self, access: Access, server: IndexServer) -> None:
        """What a server says of a packed file's form is not undone, as its hash is of that form."""
        head = {"Content-Encoding": "gzip"}
        server.routes["/x.gz"] = lambda to: to.answer(200, b"\x1f\x8bno gzip at all", head)
        client = Client(access)
        assert asked(client, f"{server.url}/x.gz", as_stored=True) == b"\x1f\x8bno gzip at all"
        assert server.seen[0][1]["accept-encoding"] == "identity"

    def test_credentials_of_a_mirror_go_to_it_alone(self, server: IndexServer) -> None:
        """Neither to another port nor, after a redirect, to another server."""
        with serving() as other:
            other.file("/x", b"there")
            server.routes["/x"] = lambda to: to.answer(302, b"", {"Location": f"{other.url}/x"})
            host = urlsplit(server.url).netloc
            fetcher = Fetcher(AptSettings(), {})
            got = fetcher.get(f"http://crew:s3cret@{host}/x", limit=100, what="a file")
            assert got.body == b"there"
            assert server.seen[0][1]["authorization"].startswith("Basic ")
            assert "authorization" not in other.seen[0][1]

    @BOTH
    @pytest.mark.parametrize(
        ("body", "status", "why"),
        [
            (b"", 503, "it answers 503, which asks to come back later"),
            (b"", 302, "it redirects in a circle"),
        ],
    )
    def test_the_same_words(
        self, access: Access, server: IndexServer, body: bytes, status: int, why: str
    ) -> None:
        server.routes["/x"] = lambda to: to.answer(status, body, {"Location": "/x"})
        client = Client(Short(access))  # type: ignore[arg-type]
        with pytest.raises(IndexUnreachable) as caught:
            asked(client, f"{server.url}/x")
        assert caught.value.why == why
