"""How hosts are reached where pip is configured for it."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from ._pip_config import IndexSettings, host_listed
from .ordinary import named_by_descriptor, opened


class PipAccess:
    """What *settings* say to `Client`; threads may share it."""

    def __init__(self, settings: IndexSettings) -> None:
        self._settings = settings
        self._lock = threading.Lock()
        self._netrc: Mapping[str, tuple[str, str]] | None = None

    @property
    def silence_s(self) -> float:
        """Pip's ``timeout``."""
        return self._settings.timeout_s

    @property
    def retries(self) -> int:
        """Pip's ``retries``."""
        return self._settings.retries

    @property
    def certificate_repair(self) -> str:
        """What to type where a certificate is not accepted."""
        return "pip config set global.cert FILE-WITH-ITS-AUTHORITY"

    def proxy(self, url: str) -> str:
        """Return the proxy for *url*, "" for none."""
        parts = urlsplit(url)
        proxy = self._settings.proxies.get(parts.scheme, "")
        if not proxy or not self._settings.no_proxy:
            return proxy
        return "" if _bypassed(parts, self._settings.no_proxy) else proxy

    def certificates(self, url: str) -> str:  # noqa: ARG002  pip knows one place for all
        """Return pip's ``cert``, "" for the system's own."""
        return self._settings.certificates or ""

    def client_certificate(self, url: str) -> str:  # noqa: ARG002  likewise
        """Return pip's ``client-cert``, "" for none."""
        return self._settings.client_certificate or ""

    def verified(self, url: str) -> bool:
        """Whether the host is none of pip's ``trusted-host``."""
        return not host_listed(urlsplit(url), self._settings.trusted_hosts)

    def may_ask(self, url: str) -> bool:
        """Whether it is encrypted, of this machine, or a trusted host."""
        return self._settings.trusts(url)

    def credentials(self, parts: SplitResult) -> tuple[str, str] | None:
        """Return user and password for exactly this host; netrc's ``default`` is not used."""
        own = self._settings.credentials.get(parts.netloc.lower())
        if own is not None or self._settings.netrc is None:
            return own
        with self._lock:
            if self._netrc is None:
                self._netrc = _netrc_hosts(self._settings.netrc)
        return self._netrc.get(parts.hostname or "")

    def failed(self, index: str, what: str) -> str:
        """Return the sentence that says so."""
        return f"the Python index {index} did not give {what}"


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
        with opened(path) as file:
            hosts = netrc.netrc(named_by_descriptor(file, path)).hosts
    except (OSError, UnicodeDecodeError, netrc.NetrcParseError):
        return {}
    return {
        host: (login, password or "")
        for host, (login, _, password) in hosts.items()
        if host != "default"
    }
