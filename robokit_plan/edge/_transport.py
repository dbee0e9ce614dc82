"""
The one client by which anything is asked over HTTP: pages and files of Python indexes, lists and
packages of Debian archives, assets.

Whom to trust and how to reach a host is an `Access`: as pip is configured, or as apt is. All else
is the same for both: one end for a whole answer, bounded tries and sizes, no way out of
encryption, a password for its own host alone. Every request ends in what the caller makes of the
reply, or in `IndexUnreachable`; nothing of urllib3 leaves this module.

The end of an answer: a server may be silent for `Access.silence_s` at most; what all tries,
redirects and headers take may not exceed `_START_S` and one silence for each try, to which each
`_RATE` bytes that arrived add a second; and nothing is listened to for longer than `_LONGEST_S`.
"""

from __future__ import annotations

import os
import re
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar
from urllib.parse import SplitResult, unquote, urljoin, urlsplit, urlunsplit

from ._index_errors import IndexUnreachable
from .ordinary import check_ordinary, named_by_descriptor, names_in, opened, read_bytes

if TYPE_CHECKING:
    from urllib3 import BaseHTTPResponse, PoolManager

T = TypeVar("T")

CONNECTIONS = 16
_HOSTS = 8
_CONNECT_S = 10.0
_CHUNK = 1 << 16
_MAX_REDIRECTS = 8
_MAX_WAIT_S = 10.0
_TRIES_TO_CONNECT = 3
_TRY_AGAIN = (408, 429, 500, 502, 503, 504, 520, 522, 524, 527)
_MOVED = (301, 302, 303, 307, 308)
_AGAIN = "check the network, then type the same command again"

_START_S = 30.0
_RATE = 4_000
"""Bytes a second below which nobody waits for the end: the lists of an archive would take an hour
and more. Common practice, no source."""
_LONGEST_S = 6 * 3600.0
_SLICE_S = 0.5
"""How soon a request that waits notices that it was told to stop."""
_HEAD_ROOM = 1_000_000
"""Bytes that may arrive before a body is read: status, headers, what says "continue"."""
_MOST_CERTIFICATES = 16_000_000
_HASHED = re.compile(r"[0-9a-f]{8}\.[0-9]+")
_PEM = re.compile(
    rb"-----BEGIN (?:TRUSTED |X509 )?CERTIFICATE-----[\x00-\x7f]*?"
    rb"-----END (?:TRUSTED |X509 )?CERTIFICATE-----"
)


class TooLarge(Exception):  # noqa: N818  no fault of the program
    """A body is greater than the caller allows."""


class Stopped(Exception):  # noqa: N818  no fault at all
    """The client was told to stop while a request was under way."""


class Access(Protocol):
    """
    How hosts are reached.

    `silence_s`: seconds without a byte after which a server is given up; `retries`: further
    tries after the first.
    """

    @property
    def silence_s(self) -> float: ...
    @property
    def retries(self) -> int: ...
    @property
    def certificate_repair(self) -> str:
        """What to type where a server's certificate is not accepted."""

    def proxy(self, url: str) -> str:
        """Return the proxy for *url*, "" for none."""

    def certificates(self, url: str) -> str:
        """Return a file or folder of authorities, "" for the system's own."""

    def client_certificate(self, url: str) -> str:
        """Return a file with certificate and key to show to the host, "" for none."""

    def verified(self, url: str) -> bool:
        """Whether the certificate of the host is looked at."""

    def may_ask(self, url: str) -> bool:
        """Whether *url*, where it is not encrypted, may be asked at all."""

    def credentials(self, parts: SplitResult) -> tuple[str, str] | None:
        """Return user and password for exactly this scheme, host and port."""

    def failed(self, index: str, what: str) -> str:
        """Return the sentence that says that *what* of *index* could not be had."""


class _TooSlowError(Exception):
    """The answer did not end in time; `received` bytes of it came in `seconds`."""


class _EndlessError(Exception):
    """More bytes came than any answer to this request has."""


class _Answer:
    """What a thread waits for: its end, and the bytes that came, whatever they are."""

    def __init__(self, start_s: float, stop: threading.Event, clock: Callable[[], float]) -> None:
        self.received = 0
        self.room = _HEAD_ROOM
        self._stop = stop
        self._clock = clock
        self._started = clock()
        self._start_s = start_s

    @property
    def waited_s(self) -> float:
        return self._clock() - self._started

    def left_s(self) -> float:
        """Return the seconds to the end; raise `Stopped`, or `_TooSlowError` beyond it."""
        if self._stop.is_set():
            raise Stopped
        left = min(self._start_s + self.received / _RATE, _LONGEST_S) - self.waited_s
        if left <= 0:
            raise _TooSlowError
        return left

    def came(self, count: int) -> None:
        self.received += count
        if self.received > self.room:
            raise _EndlessError


_ANSWER: ContextVar[_Answer | None] = ContextVar("answer", default=None)


class _BoundedSocket:
    """A socket of which each piece is waited for within the end of the thread's answer."""

    def recv_into(self, *args: Any, **more: Any) -> int:
        return int(self._bounded(super().recv_into, *args, **more))  # type: ignore[misc]

    def recv(self, *args: Any, **more: Any) -> bytes:
        return bytes(self._bounded(super().recv, *args, **more))  # type: ignore[misc]

    def do_handshake(self, *args: Any, **more: Any) -> None:
        # TLS alone; the standard library bounds all of it by the time-out, and lets the socket go
        # only where an error is the system's.
        try:
            self._bounded(super().do_handshake, *args, **more, sliced=False)  # type: ignore[misc]
        except (_TooSlowError, Stopped) as error:
            raise TimeoutError("timed out") from error

    def _bounded(
        self, act: Callable[..., Any], *args: Any, sliced: bool = True, **more: Any
    ) -> Any:
        answer = _ANSWER.get()
        silence: float | None = self.gettimeout()  # type: ignore[attr-defined]
        if answer is None or silence == 0:
            return act(*args, **more)
        silent_until = None if silence is None else time.monotonic() + silence
        try:
            while True:
                wait = answer.left_s()
                if silent_until is not None:
                    wait = min(wait, silent_until - time.monotonic())
                if wait <= 0:
                    raise TimeoutError("timed out")
                self.settimeout(min(wait, _SLICE_S) if sliced else wait)  # type: ignore[attr-defined]
                try:
                    found = act(*args, **more)
                except TimeoutError:
                    if not sliced:
                        answer.left_s()
                        raise
                    continue
                if found is not None:
                    answer.came(found if isinstance(found, int) else len(found))
                return found
        finally:
            self.settimeout(silence)  # type: ignore[attr-defined]


class _PlainSocket(_BoundedSocket, socket.socket):
    @classmethod
    def of(cls, made: socket.socket) -> _PlainSocket:
        wait = made.gettimeout()
        new = cls(made.family, made.type, made.proto, fileno=made.detach())
        new.settimeout(wait)
        return new


class _SecureSocket(_BoundedSocket, ssl.SSLSocket):
    pass


class Reply:
    """
    One reply; its body is read at most once, while the caller's function runs.

    Shape:
        `headers` with names in lower case; `url` after redirects.
    """

    def __init__(
        self, response: BaseHTTPResponse, url: str, answer: _Answer, *, as_stored: bool
    ) -> None:
        self.status = response.status
        self.headers = {name.lower(): value for name, value in response.headers.items()}
        self.url = url
        self._response = response
        self._answer = answer
        self._as_stored = as_stored

    def chunks(self, limit: int) -> Iterator[bytes]:
        """
        Yield the body piece by piece, decoded unless it was asked for as it is stored.

        Raises:
            TooLarge: It exceeds *limit* bytes.
        """
        promised = self.headers.get("content-length", "")
        if promised.isdecimal() and float(promised) > limit:
            raise TooLarge
        # Chunks of one byte take six on the way, and what is packed may unpack to nothing.
        self._answer.room = self._answer.received + 8 * limit + _HEAD_ROOM
        held = 0
        for chunk in self._response.stream(_CHUNK, decode_content=not self._as_stored):
            self._answer.left_s()
            held += len(chunk)
            if held > limit:
                raise TooLarge
            yield chunk

    def body(self, limit: int) -> bytes:
        """Return the decoded body; raise as `chunks`."""
        return b"".join(self.chunks(limit))


class Client:
    """
    Asks hosts as *access* says.

    Threads may share it.

    Args:
        access: Certificates, proxies, credentials.
        sleep: Waits so many seconds between tries; for tests.
        start_s: See above; for tests.
    """

    def __init__(
        self,
        access: Access,
        *,
        sleep: Callable[[float], object] | None = None,
        start_s: float = _START_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._access = access
        self._stop = threading.Event()
        self._sleep = sleep or self._stop.wait
        self._start_s = start_s
        self._clock = clock
        self._lock = threading.Lock()
        self._pools: dict[tuple[str, str, str, bool], PoolManager] = {}

    def stop(self) -> None:
        """Let requests that are under way end soon; for a caller that gives up."""
        self._stop.set()

    def close(self) -> None:
        """Drop all idle connections."""
        with self._lock:
            for pool in self._pools.values():
                pool.clear()
            self._pools.clear()

    def ask(
        self,
        url: str,
        use: Callable[[Reply], T],
        *,
        index: str,
        what: str,
        headers: Mapping[str, str] | None = None,
        as_stored: bool = False,
    ) -> T:
        """
        Return what *use* makes of the reply to a GET, whatever its status.

        *use* is called anew where a body breaks off and the request is tried again.

        Args:
            url: http or https, without credentials.
            use: Reads as much of the body as it wants.
            index: Name of the index, for the message.
            what: What is asked for, for the message ("the page of numpy").
            headers: Further request headers.
            as_stored: The body is wanted byte for byte as the server holds it, since its hash
                is known; what a server says of a packed form is not undone.

        Raises:
            IndexUnreachable: No reply, or only such that say "later", after all tries.
            Stopped: Another thread called `stop`.
        """
        import urllib3
        from urllib3.exceptions import ConnectTimeoutError, HTTPError, SSLError

        tries = 1 + self._access.retries
        answer = _Answer(self._start_s + tries * self._access.silence_s, self._stop, self._clock)
        sent = {"Accept-Encoding": "identity" if as_stored else "gzip", **(headers or {})}
        why = ""
        number = 0
        before = _ANSWER.set(answer)
        try:
            while number < tries:
                answer.left_s()
                answer.room = answer.received + _HEAD_ROOM
                wait = min(_MAX_WAIT_S, 0.25 * 2**number)
                try:
                    response, final = self._followed(url, sent, answer, index=index, what=what)
                    try:
                        if response.status not in _TRY_AGAIN:
                            return use(Reply(response, final, answer, as_stored=as_stored))
                        why = f"it answers {response.status}, which asks to come back later"
                        later = response.headers.get("retry-after", "")
                        if later.isdecimal():
                            wait = min(_MAX_WAIT_S, float(later))
                    finally:
                        _released(response)
                except SSLError as error:
                    raise self._unreachable(
                        index,
                        what,
                        f"its certificate was not accepted ({_reason(error)})",
                        (self._access.certificate_repair, _AGAIN),
                    ) from None
                except urllib3.exceptions.ProxySchemeUnknown:
                    why = "its proxy is of a kind that is not supported"
                    break
                except HTTPError as error:
                    why = self._words(error)
                    if isinstance(error, ConnectTimeoutError):
                        # No network, or no server: that seldom mends itself while somebody waits.
                        tries = min(tries, _TRIES_TO_CONNECT)
                answer.left_s()
                number += 1
                if number < tries:
                    self._sleep(wait)
        except _TooSlowError:
            number = 0
            came = f"{answer.received} bytes" if answer.received != 1 else "one byte"
            why = f"it sent {came} in {answer.waited_s:.0f} s, and its answer was not at its end"
        except _EndlessError:
            number = 0
            why = "its answer has no end"
        finally:
            _ANSWER.reset(before)
        if number > 1:
            why += f" (tried {number} times)"
        raise self._unreachable(index, what, why, (_AGAIN,)) from None

    def _followed(
        self, url: str, headers: Mapping[str, str], answer: _Answer, *, index: str, what: str
    ) -> tuple[BaseHTTPResponse, str]:
        """Return the first response that is no redirect, and its address."""
        from urllib3 import Timeout

        silence = self._access.silence_s
        encrypted = False
        for _ in range(_MAX_REDIRECTS):
            parts = urlsplit(url)
            encrypted = encrypted or parts.scheme == "https"
            if (
                parts.scheme not in {"http", "https"}
                or (encrypted and parts.scheme != "https")
                or not self._access.may_ask(url)
            ):
                raise self._unreachable(
                    index, what, "it leads to an address without encryption", ()
                )
            left = answer.left_s()
            response = self._pool(parts, url).request(
                "GET",
                url,
                headers=self._headers(parts, headers),
                redirect=False,
                retries=False,
                preload_content=False,
                timeout=Timeout(connect=min(_CONNECT_S, silence, left), read=silence),
            )
            target = response.headers.get("location")
            if response.status not in _MOVED or not target:
                return response, url
            _released(response)
            try:
                url = _bare(urljoin(url, target))
            except ValueError:
                raise self._unreachable(
                    index, what, "it leads to an address that is not valid", ()
                ) from None
        raise self._unreachable(index, what, "it redirects in a circle", ())

    def _headers(self, parts: SplitResult, more: Mapping[str, str]) -> dict[str, str]:
        found = {"User-Agent": "robokit-plan", **more}
        user = self._access.credentials(parts)
        if user is not None:
            import base64

            token = base64.b64encode(":".join(user).encode()).decode()
            found["Authorization"] = f"Basic {token}"
        return found

    # --- connections ------------------------------------------------------------------------

    def _pool(self, parts: SplitResult, url: str) -> PoolManager:
        proxy = self._access.proxy(url)
        authorities = own = ""
        verified = True
        if parts.scheme == "https" or proxy.startswith("https:"):
            authorities = self._access.certificates(url)
            own = self._access.client_certificate(url)
            verified = self._access.verified(url)
        secure = parts.scheme == "https" or proxy.startswith("https:")
        with self._lock:
            key = (f"{secure} {proxy}", authorities, own, verified)
            pool = self._pools.get(key)
            if pool is None:
                # Certificates take tens of milliseconds to load.
                context = self._context(authorities, own, verified=verified) if secure else None
                pool = self._pools[key] = self._new_pool(proxy, context)
        return pool

    @staticmethod
    def _new_pool(proxy: str, context: ssl.SSLContext | None) -> PoolManager:
        import urllib3

        pool: PoolManager
        if not proxy:
            pool = urllib3.PoolManager(num_pools=_HOSTS, maxsize=CONNECTIONS, ssl_context=context)
        else:
            parts = urlsplit(proxy if "://" in proxy else f"http://{proxy}")
            proxy_headers = None
            if parts.username is not None:
                user = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
                proxy_headers = urllib3.make_headers(proxy_basic_auth=user)
            pool = urllib3.ProxyManager(
                _bare(urlunsplit(parts)),
                proxy_headers=proxy_headers,
                num_pools=_HOSTS,
                maxsize=CONNECTIONS,
                ssl_context=context,
            )
        pool.pool_classes_by_scheme = _pools_that_bound()
        return pool

    def _context(self, named: str, own: str, *, verified: bool) -> ssl.SSLContext:
        try:
            if named:
                context = _trusting(named)
            else:
                paths = ssl.get_default_verify_paths()
                file_of_all = os.environ.get(paths.openssl_cafile_env) or paths.openssl_cafile
                check_ordinary(file_of_all)
                context = ssl.create_default_context()
            if own:
                with opened(own) as file:  # not by its name, under which a pipe may stand by now
                    context.load_cert_chain(named_by_descriptor(file, own))
        except (OSError, ValueError) as error:
            why = (getattr(error, "strerror", "") or "not a certificate file").lower()
            raise self._unreachable(
                "default",
                "anything",
                f"the configured certificates cannot be read ({why})",
                (self._access.certificate_repair,),
            ) from None
        context.sslsocket_class = _SecureSocket
        if not verified:
            import urllib3

            # The user's own configuration says so of this host; a warning a request would tell
            # nothing new.
            urllib3.disable_warnings(urllib3.exceptions.InsecureRequestWarning)
            context.check_hostname = False
            context.verify_mode = ssl.CERT_NONE
        return context

    # --- words ------------------------------------------------------------------------------

    def _words(self, error: Exception) -> str:
        from urllib3 import exceptions as known

        match error:
            case known.ProxyError():
                return "the proxy for it does not answer"
            case known.NameResolutionError():
                return "the name of its server cannot be resolved here"
            case known.ReadTimeoutError():
                return f"it sent nothing for {self._access.silence_s:g} s"
            case known.NewConnectionError():
                return "nothing answers at its address"
            case known.ConnectTimeoutError():
                return f"it did not answer within {min(_CONNECT_S, self._access.silence_s):g} s"
            case known.DecodeError():
                return "its answer was damaged"
            case _:
                return "the connection broke off"

    def _unreachable(
        self, index: str, what: str, why: str, repair: tuple[str, ...]
    ) -> IndexUnreachable:
        return IndexUnreachable(
            self._access.failed(index, what), index=index, why=why, repair=repair
        )


def _pools_that_bound() -> dict[str, Any]:
    """Return the pools whose connections wait within the end of an answer."""
    from urllib3 import HTTPConnectionPool, HTTPSConnectionPool
    from urllib3.connection import HTTPConnection, HTTPSConnection

    class Plain(HTTPConnection):
        def _new_conn(self) -> socket.socket:
            return _PlainSocket.of(super()._new_conn())

    class Secure(HTTPSConnection):
        def _new_conn(self) -> socket.socket:
            return _PlainSocket.of(super()._new_conn())

    class PlainPool(HTTPConnectionPool):
        ConnectionCls = Plain

    class SecurePool(HTTPSConnectionPool):
        ConnectionCls = Secure

    return {"http": PlainPool, "https": SecurePool}


def _trusting(named: str) -> ssl.SSLContext:
    """Return a context that trusts the authorities in the file or folder *named* alone."""
    if Path(named).is_dir():
        # As OpenSSL looks them up: by the hash of a name. Read here, since it would open a pipe.
        texts = [
            read_bytes(Path(named) / name, _MOST_CERTIFICATES)
            for name in names_in(named)
            if _HASHED.fullmatch(name)
        ]
        content = b"\n".join(texts)
    else:
        content = read_bytes(named, _MOST_CERTIFICATES)
    if not content:
        raise ValueError("no certificate")
    # cadata takes ASCII for PEM and bytes for DER; comments between certificates may be anything
    blocks = b"\n".join(_PEM.findall(content))
    return ssl.create_default_context(cadata=blocks.decode("ascii") if blocks else content)


def _bare(url: str) -> str:
    """Return *url* without credentials and fragment."""
    parts = urlsplit(url)
    _ = parts.port
    return urlunsplit(parts._replace(netloc=parts.netloc.rpartition("@")[2], fragment=""))


def _released(response: BaseHTTPResponse) -> None:
    """Give the connection back where its body is (nearly) read, else close it."""
    left = response.length_remaining
    if left is not None and left <= _CHUNK:
        response.drain_conn()
        response.release_conn()
    else:
        response.close()


def _reason(error: Exception) -> str:
    cause = error.args[0] if error.args else error
    words = getattr(cause, "verify_message", "") or getattr(cause, "reason", "") or "TLS failed"
    return str(words).lower().replace("_", " ")
