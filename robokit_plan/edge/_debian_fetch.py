"""Files of a Debian mirror, from a server or a folder, reached as apt is configured."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple, TypeVar
from urllib.parse import SplitResult, unquote, urlsplit, urlunsplit

from robokit_plan.model import limit_text

from ._debian_apt_config import AptSettings, certificates_for, proxy_for, verifies_peer
from ._index_errors import IndexUnreachable
from ._transport import Client, Reply, TooLarge
from .ordinary import TooLong, read_bytes

T = TypeVar("T")

_SILENCE_S = 30.0
_RETRIES = 2
_AGAIN = "check the network, then type the same command again"


class Fetched(NamedTuple):
    """
    One answer.

    `status` 200, 304 (not modified) or 404; `headers` in lower case.
    """

    status: int
    body: bytes
    headers: Mapping[str, str]


class AptAccess:
    """
    What apt's *settings*, and *environ* where apt has none, say to `Client`.

    Threads may share it.
    """

    silence_s = _SILENCE_S
    retries = _RETRIES
    certificate_repair = "SSL_CERT_FILE=FILE-WITH-ITS-AUTHORITY robokit-plan ..."

    def __init__(self, settings: AptSettings, environ: Mapping[str, str]) -> None:
        self._settings = settings
        self._environ = environ
        self._lock = threading.Lock()
        self._users: dict[tuple[str, str], tuple[str, str]] = {}

    def bare(self, url: str) -> str:
        """Return *url* without user and password, which are kept for its host alone."""
        parts = urlsplit(url)
        if parts.username is None:
            return url
        host = parts.netloc.rpartition("@")[2]
        with self._lock:
            self._users[parts.scheme, host.lower()] = (
                unquote(parts.username),
                unquote(parts.password or ""),
            )
        return urlunsplit(parts._replace(netloc=host))

    def proxy(self, url: str) -> str:
        """Return the proxy for *url*, "" for none."""
        return proxy_for(url, self._settings, self._environ)

    def certificates(self, url: str) -> str:
        """Return apt's ``CaInfo``, else what the environment names, else ""."""
        return certificates_for(url, self._settings, self._environ)

    def client_certificate(self, url: str) -> str:  # noqa: ARG002  none is configured
        """Return "": none is shown."""
        return ""

    def verified(self, url: str) -> bool:
        """Whether apt looks at certificates; what is read is signed or reported as unverified."""
        return verifies_peer(url, self._settings)

    def may_ask(self, url: str) -> bool:  # noqa: ARG002  for every one
        """Whether it may be asked without encryption: yes, as what is read is signed."""
        return True

    def credentials(self, parts: SplitResult) -> tuple[str, str] | None:
        """Return what an address with this scheme, host and port held."""
        with self._lock:
            return self._users.get((parts.scheme, parts.netloc.lower()))

    def failed(self, index: str, what: str) -> str:  # noqa: ARG002  a mirror has no name
        """Return the sentence that says so."""
        return _failed(what)


class Fetcher:
    """
    Asks mirrors the way apt would; threads may share it.

    Args:
        settings: apt's configuration, for proxies and certificates.
        environ: Where apt has no setting.
        sleep: Waits between tries; for tests.
        start_s: As of `Client`; for tests.
    """

    def __init__(
        self,
        settings: AptSettings,
        environ: Mapping[str, str],
        *,
        sleep: Callable[[float], object] | None = None,
        start_s: float | None = None,
    ) -> None:
        self._access = AptAccess(settings, environ)
        # `time.sleep` would not be woken by `stop`.
        waits = None if sleep is time.sleep else sleep
        self._client = (
            Client(self._access, sleep=waits)
            if start_s is None
            else Client(self._access, sleep=waits, start_s=start_s)
        )

    def stop(self) -> None:
        """Let requests that are under way end soon."""
        self._client.stop()

    def close(self) -> None:
        """Drop idle connections."""
        self._client.close()

    def get(
        self, url: str, *, limit: int, what: str, headers: Mapping[str, str] | None = None
    ) -> Fetched:
        """
        Return the file at *url*; a status of 404 where there is none.

        Args:
            limit: Most bytes that it may have.
            what: The file in words, for the message.

        Raises:
            IndexUnreachable: No answer, or no usable one, after all tries.
        """

        def use(chunks: Iterator[bytes]) -> bytes:
            return b"".join(chunks)

        return self._asked(url, use, limit, what, headers or {})

    def save(self, url: str, path: Path, *, limit: int, what: str) -> bool:
        """Put the file at *url* at *path*; return whether there is one; raise as `get`."""

        def use(chunks: Iterator[bytes]) -> bytes:
            with path.open("wb") as file:
                for chunk in chunks:
                    file.write(chunk)
            return b""

        return self._asked(url, use, limit, what, {}).status == 200

    def _asked(
        self,
        url: str,
        use: Callable[[Iterator[bytes]], bytes],
        limit: int,
        what: str,
        headers: Mapping[str, str],
    ) -> Fetched:
        parts = urlsplit(url)
        if parts.scheme in {"file", "copy"}:
            return self._from_folder(Path(unquote(parts.path)), use, limit, what)
        if parts.scheme not in {"http", "https"}:
            raise _unreachable(what, f"{parts.scheme or 'no scheme'}: is not supported here")

        def taken(reply: Reply) -> Fetched:
            if reply.status == 200:
                return Fetched(200, use(reply.chunks(limit)), reply.headers)
            if reply.status in {304, 403, 404, 410}:
                return Fetched(304 if reply.status == 304 else 404, b"", reply.headers)
            raise _unreachable(what, f"it answers {reply.status}")

        with _sized(limit, what):
            # An index is compressed by its own means, and its hash is of that form.
            return self._client.ask(
                self._access.bare(url),
                taken,
                index="debian",
                what=what,
                headers=headers,
                as_stored=True,
            )

    @staticmethod
    def _from_folder(
        path: Path, use: Callable[[Iterator[bytes]], bytes], limit: int, what: str
    ) -> Fetched:
        try:
            with _sized(limit, what):
                body = read_bytes(path, limit)
        except FileNotFoundError:
            return Fetched(404, b"", {})
        except OSError as error:
            raise _unreachable(what, f"its folder cannot be read ({error.strerror})") from None
        return Fetched(200, use(iter([body])), {})


@contextmanager
def _sized(limit: int, what: str) -> Iterator[None]:
    try:
        yield
    except (TooLarge, TooLong):
        raise _unreachable(what, f"it has more than {limit_text(limit)}") from None


def _failed(what: str) -> str:
    return f"{what} could not be read"


def _unreachable(what: str, why: str) -> IndexUnreachable:
    return IndexUnreachable(_failed(what), index="debian", why=why, repair=(_AGAIN,))
