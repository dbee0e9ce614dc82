"""Files of a Debian mirror over HTTP, or from a folder; bounded in size, time and tries."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from urllib.parse import unquote, urlsplit, urlunsplit

from robokit_plan.model import limit_text

from ._debian_apt_config import AptSettings, certificates_for, proxy_for, verifies_peer
from ._index_errors import IndexUnreachable

if TYPE_CHECKING:
    import ssl

    from urllib3 import BaseHTTPResponse, PoolManager

_CONNECT_S = 10.0
_READ_S = 30.0
_TRIES = 3
_LATER = (408, 429, 500, 502, 503, 504)
_AGAIN = "check the network, then type the same command again"


class Fetched(NamedTuple):
    """
    One answer.

    `status` 200, 304 (not modified) or 404; `headers` in lower case.
    """

    status: int
    body: bytes
    headers: Mapping[str, str]


class Fetcher:
    """
    Asks mirrors the way apt would; threads may share it.

    Args:
        settings: apt's configuration, for proxies and certificates.
        environ: Where apt has no setting.
        sleep: Waits between tries; for tests.
    """

    def __init__(
        self,
        settings: AptSettings,
        environ: Mapping[str, str],
        *,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self._settings = settings
        self._environ = environ
        self._sleep = sleep
        self._pools: dict[str, PoolManager] = {}

    def close(self) -> None:
        """Drop idle connections."""
        for pool in self._pools.values():
            pool.clear()

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
        parts = urlsplit(url)
        if parts.scheme in {"file", "copy"}:
            return self._from_folder(Path(unquote(parts.path)), limit, what)
        if parts.scheme not in {"http", "https"}:
            raise _unreachable(what, f"{parts.scheme or 'no scheme'}: is not supported here")
        return self._from_server(url, limit, what, headers or {})

    def _from_folder(self, path: Path, limit: int, what: str) -> Fetched:
        try:
            with path.open("rb") as file:
                body = file.read(limit + 1)
        except FileNotFoundError:
            return Fetched(404, b"", {})
        except OSError as error:
            raise _unreachable(what, f"its folder cannot be read ({error.strerror})") from None
        if len(body) > limit:
            raise _unreachable(what, f"it has more than {limit_text(limit)}")
        return Fetched(200, body, {})

    def _from_server(self, url: str, limit: int, what: str, headers: Mapping[str, str]) -> Fetched:
        from urllib3 import exceptions as known

        why = ""
        for attempt in range(_TRIES):
            if attempt:
                self._sleep(0.5 * 2**attempt)
            try:
                return self._once(url, limit, what, headers)
            except _ComeBackLater as later:
                why = f"it answers {later.status}, which asks to come back later"
            except known.HTTPError as error:
                inner = error.reason if isinstance(error, known.MaxRetryError) else error
                if isinstance(inner, known.SSLError):
                    raise _unreachable(
                        what,
                        f"the certificate of its server was not accepted ({_reason(inner)})",
                        ("SSL_CERT_FILE=FILE-WITH-ITS-AUTHORITY robokit-plan ...", _AGAIN),
                    ) from None
                why = _words(inner)
        raise _unreachable(what, f"{why} (tried {_TRIES} times)")

    def _once(self, url: str, limit: int, what: str, headers: Mapping[str, str]) -> Fetched:
        from urllib3 import Timeout, make_headers

        parts = urlsplit(url)
        sent = {"User-Agent": "robokit-plan", **headers}
        if parts.username is not None:
            user = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
            sent.update(make_headers(basic_auth=user))
            host = parts.netloc.rpartition("@")[2]
            url = urlunsplit(parts._replace(netloc=host))
        response = self._pool(url).request(
            "GET",
            url,
            headers=sent,
            preload_content=False,
            timeout=Timeout(connect=_CONNECT_S, read=_READ_S),
        )
        try:
            answer = self._answer(response, limit, what)
        except BaseException:
            response.close()
            raise
        response.release_conn()
        return answer

    @staticmethod
    def _answer(response: BaseHTTPResponse, limit: int, what: str) -> Fetched:
        found = {name.lower(): value for name, value in response.headers.items()}
        if response.status in _LATER:
            raise _ComeBackLater(response.status)
        if response.status in {304, 403, 404, 410}:
            response.drain_conn()
            return Fetched(304 if response.status == 304 else 404, b"", found)
        if response.status != 200:
            raise _unreachable(what, f"its server answers {response.status}")
        promised = found.get("content-length", "")
        pieces: list[bytes] = []
        held = 0
        # Bodies are taken as they are: an index is compressed by its own means.
        for piece in response.stream(1 << 16, decode_content=False):
            held += len(piece)
            if held > limit:
                raise _unreachable(what, f"it has more than {limit_text(limit)}")
            pieces.append(piece)
        if promised.isdecimal() and held < float(promised):
            raise _ComeBackLater(response.status)
        return Fetched(200, b"".join(pieces), found)

    def _pool(self, url: str) -> PoolManager:
        import urllib3

        proxy = proxy_for(url, self._settings, self._environ)
        named = certificates_for(url, self._settings, self._environ)
        checked = verifies_peer(url, self._settings)
        key = f"{proxy}\n{named}\n{checked}"
        if key not in self._pools:
            context = _context(named, checked=checked)
            retries = urllib3.Retry(total=5, connect=0, read=0, status=0, redirect=5)
            if not proxy:
                self._pools[key] = urllib3.PoolManager(
                    ssl_context=context, retries=retries, maxsize=4
                )
            else:
                parts = urlsplit(proxy if "://" in proxy else f"http://{proxy}")
                own = None
                if parts.username is not None:
                    user = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
                    own = urllib3.make_headers(proxy_basic_auth=user)
                bare = urlunsplit(parts._replace(netloc=parts.netloc.rpartition("@")[2]))
                self._pools[key] = urllib3.ProxyManager(
                    bare, proxy_headers=own, ssl_context=context, retries=retries, maxsize=4
                )
        return self._pools[key]


class _ComeBackLater(Exception):  # noqa: N818  no fault, a try of several
    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


def _context(named: str, *, checked: bool) -> ssl.SSLContext:
    import ssl

    try:
        if not named:
            context = ssl.create_default_context()
        elif Path(named).is_dir():
            context = ssl.create_default_context(capath=named)
        else:
            context = ssl.create_default_context(cafile=named)
    except OSError as error:
        raise _unreachable(
            "the archive",
            f"the configured certificates cannot be read ({error.strerror or 'not a certificate'})",
            ("unset SSL_CERT_FILE, or let it name a file of certificates",),
        ) from None
    if not checked:
        # apt is told so for this host; what is read is signed or reported as unverified.
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context


def _unreachable(what: str, why: str, repair: tuple[str, ...] = (_AGAIN,)) -> IndexUnreachable:
    return IndexUnreachable(f"{what} could not be read", index="debian", why=why, repair=repair)


def _reason(error: Exception) -> str:
    text = str(error)
    return text.partition("certificate verify failed: ")[2].partition(" (_ssl")[0] or "not valid"


def _words(error: Exception | None) -> str:
    from urllib3 import exceptions as known

    match error:
        case known.ProxyError():
            return "the proxy for it does not answer"
        case known.NameResolutionError():
            return "the name of its server cannot be resolved here"
        case known.NewConnectionError():
            return "nothing answers at its address"
        case known.ConnectTimeoutError():
            return f"its server did not answer within {_CONNECT_S:g} s"
        case known.ReadTimeoutError():
            return f"its server sent nothing for {_READ_S:g} s"
        case known.ResponseError():
            return "it redirects in a circle"
        case _:
            return "the connection broke off"
