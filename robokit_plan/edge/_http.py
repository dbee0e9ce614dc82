"""
One HTTP client for index pages and files: keep-alive, bounded retries, limits on everything.

Every request ends in what the caller makes of the reply, or in `IndexUnreachable`; nothing of
urllib3 leaves this module.
"""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar
from urllib.parse import SplitResult, unquote, urljoin, urlsplit, urlunsplit

from ._index_errors import IndexUnreachable
from ._pip_config import IndexSettings, host_listed

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


class TooLarge(Exception):  # noqa: N818  no fault of the program
    """A body is greater than the caller allows."""


class Stopped(Exception):  # noqa: N818  no fault at all
    """The client was told to stop while a request was under way."""


class Reply:
    """
    One reply; its body is read at most once, while the caller's function runs.

    Shape:
        `headers` with names in lower case; `url` after redirects.
    """

    def __init__(self, response: BaseHTTPResponse, url: str, stop: threading.Event) -> None:
        self.status = response.status
        self.headers = {name.lower(): value for name, value in response.headers.items()}
        self.url = url
        self._response = response
        self._stop = stop

    def chunks(self, limit: int) -> Iterator[bytes]:
        """
        Yield the decoded body piece by piece.

        Raises:
            TooLarge: It exceeds *limit* bytes.
        """
        promised = self.headers.get("content-length", "")
        if promised.isdecimal() and float(promised) > limit:
            raise TooLarge
        held = 0
        for chunk in self._response.stream(_CHUNK, decode_content=True):
            if self._stop.is_set():
                raise Stopped
            held += len(chunk)
            if held > limit:
                raise TooLarge
            yield chunk

    def body(self, limit: int) -> bytes:
        """Return the decoded body; raise as `chunks`."""
        return b"".join(self.chunks(limit))


class Client:
    """
    Asks indexes with the certificates, proxies and credentials of *settings*.

    Threads may share it.

    Args:
        settings: What `index_settings` found.
        sleep: Waits so many seconds between tries; for tests.
    """

    def __init__(
        self, settings: IndexSettings, *, sleep: Callable[[float], object] | None = None
    ) -> None:
        self._settings = settings
        self._stop = threading.Event()
        self._sleep = sleep or self._stop.wait
        self._lock = threading.Lock()
        self._pools: dict[tuple[str, bool, bool], PoolManager] = {}
        self._netrc: Mapping[str, tuple[str, str]] | None = None

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

        Raises:
            IndexUnreachable: No reply, or only such that say "later", after all tries.
            Stopped: Another thread called `stop`.
        """
        import urllib3
        from urllib3.exceptions import ConnectTimeoutError, HTTPError, SSLError

        tries = 1 + self._settings.retries
        why = ""
        number = 0
        while number < tries:
            if self._stop.is_set():
                raise Stopped
            wait = min(_MAX_WAIT_S, 0.25 * 2**number)
            try:
                response, final = self._followed(url, headers or {}, index=index, what=what)
                try:
                    if response.status not in _TRY_AGAIN:
                        return use(Reply(response, final, self._stop))
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
                    ("pip config set global.cert FILE-WITH-ITS-AUTHORITY", _AGAIN),
                ) from None
            except urllib3.exceptions.ProxySchemeUnknown:
                why = "its proxy is of a kind that is not supported"
                break
            except HTTPError as error:
                why = self._words(error)
                if isinstance(error, ConnectTimeoutError):
                    # No network, or no server: that seldom mends itself while somebody waits.
                    tries = min(tries, _TRIES_TO_CONNECT)
            number += 1
            if number < tries:
                self._sleep(wait)
        if number > 1:
            why += f" (tried {number} times)"
        raise self._unreachable(index, what, why, (_AGAIN,)) from None

    def _followed(
        self, url: str, headers: Mapping[str, str], *, index: str, what: str
    ) -> tuple[BaseHTTPResponse, str]:
        """Return the first response that is no redirect, and its address."""
        from urllib3 import Timeout

        timeout = Timeout(
            connect=min(_CONNECT_S, self._settings.timeout_s), read=self._settings.timeout_s
        )
        for _ in range(_MAX_REDIRECTS):
            parts = urlsplit(url)
            if parts.scheme not in {"http", "https"} or not self._settings.trusts(url):
                raise self._unreachable(
                    index, what, "it leads to an address without encryption", ()
                )
            response = self._pool(parts).request(
                "GET",
                url,
                headers=self._headers(parts, headers),
                redirect=False,
                retries=False,
                preload_content=False,
                timeout=timeout,
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
        found = {"User-Agent": "robokit-plan", "Accept-Encoding": "gzip", **more}
        user = self._credentials(parts)
        if user is not None:
            import base64

            token = base64.b64encode(":".join(user).encode()).decode()
            found["Authorization"] = f"Basic {token}"
        return found

    def _credentials(self, parts: SplitResult) -> tuple[str, str] | None:
        """Return user and password for exactly this host; netrc's ``default`` is not used."""
        own = self._settings.credentials.get(parts.netloc.lower())
        if own is not None or self._settings.netrc is None:
            return own
        with self._lock:
            if self._netrc is None:
                self._netrc = _netrc_hosts(self._settings.netrc)
        return self._netrc.get(parts.hostname or "")

    # --- connections ------------------------------------------------------------------------

    def _pool(self, parts: SplitResult) -> PoolManager:
        unverified = host_listed(parts, self._settings.trusted_hosts)
        proxy = self._proxy(parts)
        secure = parts.scheme == "https" or proxy.startswith("https:")
        with self._lock:
            pool = self._pools.get((proxy, secure, unverified))
            if pool is None:
                # Certificates take tens of milliseconds to load.
                context = self._context(unverified) if secure else None
                pool = self._new_pool(proxy, context)
                self._pools[proxy, secure, unverified] = pool
        return pool

    @staticmethod
    def _new_pool(proxy: str, context: ssl.SSLContext | None) -> PoolManager:
        import urllib3

        if not proxy:
            return urllib3.PoolManager(num_pools=_HOSTS, maxsize=CONNECTIONS, ssl_context=context)
        parts = urlsplit(proxy if "://" in proxy else f"http://{proxy}")
        proxy_headers = None
        if parts.username is not None:
            user = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
            proxy_headers = urllib3.make_headers(proxy_basic_auth=user)
        return urllib3.ProxyManager(
            _bare(urlunsplit(parts)),
            proxy_headers=proxy_headers,
            num_pools=_HOSTS,
            maxsize=CONNECTIONS,
            ssl_context=context,
        )

    def _context(self, unverified: bool) -> ssl.SSLContext:
        named = self._settings.certificates
        try:
            if named is None:
                context = ssl.create_default_context()
            elif Path(named).is_dir():
                context = ssl.create_default_context(capath=named)
            else:
                context = ssl.create_default_context(cafile=named)
            if self._settings.client_certificate:
                context.load_cert_chain(self._settings.client_certificate)
        except OSError as error:
            raise self._unreachable(
                "default",
                "anything",
                f"the certificates that pip is configured for cannot be read"
                f" ({(error.strerror or 'not a certificate file').lower()})",
                ("pip config set global.cert /etc/ssl/certs/ca-certificates.crt",),
            ) from None
        if unverified:
            import urllib3

            # The user trusts this host by name in pip's configuration; a warning a request
            # would tell nothing new.
            urllib3.disable_warnings(urllib3.exceptions.InsecureRequestWarning)
            context.check_hostname = False
            context.verify_mode = ssl.CERT_NONE
        return context

    def _proxy(self, parts: SplitResult) -> str:
        """Return the proxy for this address, "" for none."""
        proxy = self._settings.proxies.get(parts.scheme, "")
        if not proxy or not self._settings.no_proxy:
            return proxy
        return "" if _bypassed(parts, self._settings.no_proxy) else proxy

    # --- words ------------------------------------------------------------------------------

    def _words(self, error: Exception) -> str:
        from urllib3 import exceptions as known

        match error:
            case known.ProxyError():
                return "the proxy for it does not answer"
            case known.NameResolutionError():
                return "the name of its server cannot be resolved here"
            case known.ReadTimeoutError():
                return f"it sent nothing for {self._settings.timeout_s:g} s"
            case known.NewConnectionError():
                return "nothing answers at its address"
            case known.ConnectTimeoutError():
                return f"it did not answer within {min(_CONNECT_S, self._settings.timeout_s):g} s"
            case known.DecodeError():
                return "its answer was damaged"
            case _:
                return "the connection broke off"

    @staticmethod
    def _unreachable(index: str, what: str, why: str, repair: tuple[str, ...]) -> IndexUnreachable:
        return IndexUnreachable(
            f"the Python index {index} did not give {what}", index=index, why=why, repair=repair
        )


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


def _bypassed(parts: SplitResult, no_proxy: str) -> bool:
    """Return whether *no_proxy* lists the host: names, ``*``, addresses and their blocks."""
    import ipaddress
    from urllib.request import proxy_bypass_environment  # type: ignore[attr-defined]

    host = parts.hostname or ""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        netloc = parts.netloc.rpartition("@")[2]
        return bool(proxy_bypass_environment(netloc, {"no": no_proxy}))
    for one in no_proxy.replace(" ", "").split(","):
        try:
            if one == "*" or address in ipaddress.ip_network(one, strict=False):
                return True
        except ValueError:
            continue
    return False


def _netrc_hosts(path: Path) -> Mapping[str, tuple[str, str]]:
    """Return host -> user, password; a file that cannot be read counts as empty, as for pip."""
    import netrc

    try:
        hosts = netrc.netrc(str(path)).hosts
    except (OSError, UnicodeDecodeError, netrc.NetrcParseError):
        return {}
    return {
        host: (login, password or "")
        for host, (login, _, password) in hosts.items()
        if host != "default"
    }
