"""
What apt on this machine is configured for, read without changing anything.

Source: sources.list(5), apt.conf(5), apt-transport-http(1), apt-transport-https(1), apt 2.6.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from urllib.parse import urlsplit

from robokit_plan.model import dataclass, field

from ._programs import find_program
from .ordinary import read_text

_MOST = 4_000_000
"""Bytes of one of its files."""

_TIMEOUT_S = 20
_OPTION_LINE = re.compile(r'^(?P<key>[^\s"]+) "(?P<value>.*)";$')


@dataclass(frozen=True, kw_only=True, slots=True)
class AptSource:
    """
    One entry of sources.list or of a deb822 file, one address and one suite.

    `signed_by` paths of keyrings or an inline key block, as written.
    """

    uri: str
    suite: str
    components: tuple[str, ...]
    signed_by: str = ""
    trusted: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class AptSettings:
    """
    How apt reaches its mirrors.

    Shape:
        `options` key of ``apt-config dump``, in lower case -> value. `etc` the folder of apt's
        sources, None where apt is not on this machine.
    """

    options: Mapping[str, str] = field(default_factory=dict)
    etc: Path | None = None

    def option(self, *keys: str) -> str:
        """Return the first of *keys* that is set, "" where none is."""
        return next((value for key in keys if (value := self.options.get(key.lower()))), "")


def read_apt_settings(environ: Mapping[str, str]) -> AptSettings:
    """Return apt's own configuration; an empty one where apt is not installed."""
    program = find_program("apt-config", environ)
    if program is None:
        return AptSettings()
    try:
        done = subprocess.run(  # noqa: S603  a fixed command without a shell
            [program, "dump"],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
            timeout=_TIMEOUT_S,
            env={**environ, "LC_ALL": "C"},
        )
    except (OSError, subprocess.SubprocessError):
        return AptSettings()
    options: dict[str, str] = {}
    for line in done.stdout.decode("utf-8", "replace").splitlines():
        match = _OPTION_LINE.match(line)
        if match is not None and match["value"]:
            options.setdefault(match["key"].lower(), match["value"])
    etc = Path(options.get("dir", "/")) / options.get("dir::etc", "etc/apt")
    return AptSettings(options=options, etc=etc)


def read_apt_sources(settings: AptSettings) -> tuple[AptSource, ...]:
    """Return the binary archives that apt on this machine is configured for, in its order."""
    if settings.etc is None:
        return ()
    main = settings.etc / (settings.option("Dir::Etc::sourcelist") or "sources.list")
    parts = settings.etc / (settings.option("Dir::Etc::sourceparts") or "sources.list.d")
    found: list[AptSource] = []
    for path in (main, *_parts(parts)):
        try:
            text = read_text(path, _MOST, errors="replace")
        except OSError:
            continue
        found += parse_deb822_sources(text) if path.suffix == ".sources" else parse_list(text)
    return tuple(found)


def _parts(folder: Path) -> list[Path]:
    try:
        names = sorted(folder.iterdir())
    except OSError:
        return []
    # apt reads no other names (sources.list(5), "sources.list.d").
    return [path for path in names if re.fullmatch(r"[A-Za-z0-9_.-]+\.(list|sources)", path.name)]


def parse_list(text: str) -> list[AptSource]:
    """Return the entries of a one-line-style file; malformed lines are left out."""
    found = []
    for line in text.splitlines():
        words = line.partition("#")[0].strip()
        match = re.match(r"deb\s+(?:\[(?P<options>[^\]]*)\]\s+)?(?P<rest>\S.*)$", words)
        if match is None:
            continue
        options = dict(
            pair.split("=", 1) for pair in (match["options"] or "").split() if "=" in pair
        )
        uri, *rest = match["rest"].split()
        if not rest:
            continue
        found.append(
            AptSource(
                uri=uri,
                suite=rest[0],
                components=tuple(rest[1:]),
                signed_by=options.get("signed-by", "").replace(",", " "),
                trusted=options.get("trusted", "").lower() == "yes",
            )
        )
    return found


def parse_deb822_sources(text: str) -> list[AptSource]:
    """Return the entries of a deb822-style file, each address with each suite."""
    found = []
    for fields in deb822_paragraphs(text.splitlines()):
        if "deb" not in fields.get("types", "").split():
            continue
        if fields.get("enabled", "yes").strip().lower() in {"no", "false", "0", "off"}:
            continue
        found += [
            AptSource(
                uri=uri,
                suite=suite,
                components=tuple(fields.get("components", "").split()),
                signed_by=fields.get("signed-by", "").strip(),
                trusted=fields.get("trusted", "").strip().lower() == "yes",
            )
            for uri in fields.get("uris", "").split()
            for suite in fields.get("suites", "").split()
        ]
    return found


def deb822_paragraphs(lines: Iterable[str]) -> Iterator[dict[str, str]]:
    """Yield paragraphs as field in lower case -> value with its line breaks (deb822(5))."""
    fields: dict[str, str] = {}
    key = ""
    for line in lines:
        if line.startswith("#"):
            continue
        if not line.strip():
            if fields:
                yield fields
            fields, key = {}, ""
        elif line[0] in " \t":
            if key:
                fields[key] += "\n" + line[1:]
        else:
            name, colon, value = line.partition(":")
            if colon:
                key = name.strip().lower()
                fields[key] = value.strip()
    if fields:
        yield fields


def proxy_for(url: str, settings: AptSettings, environ: Mapping[str, str]) -> str:
    """
    Return the proxy through which apt would ask *url*, "" for none.

    apt's own setting for the host, then for the scheme, then the environment; ``DIRECT`` means
    none (apt-transport-http(1)).
    """
    parts = urlsplit(url)
    scheme, host = parts.scheme, parts.hostname or ""
    own = settings.option(f"Acquire::{scheme}::Proxy::{host}", f"Acquire::{scheme}::Proxy")
    if not own and scheme == "https":
        own = settings.option(f"Acquire::http::Proxy::{host}", "Acquire::http::Proxy")
    if own:
        return "" if own.upper() == "DIRECT" else own
    names = (f"{scheme}_proxy", f"{scheme.upper()}_PROXY") if scheme == "https" else ("http_proxy",)
    proxy = next(
        (environ[name] for name in (*names, "all_proxy", "ALL_PROXY") if environ.get(name)), ""
    )
    if proxy and _is_exempt(host, environ.get("no_proxy") or environ.get("NO_PROXY") or ""):
        return ""
    return proxy


def _is_exempt(host: str, listed: str) -> bool:
    for item in listed.replace(",", " ").split():
        name = item.lower().partition(":")[0].lstrip("*").lstrip(".")
        if item == "*" or (name and (host == name or host.endswith(f".{name}"))):
            return True
    return False


def certificates_for(url: str, settings: AptSettings, environ: Mapping[str, str]) -> str:
    """Return the file or folder of authorities to trust for *url*, "" for the system's own."""
    host = urlsplit(url).hostname or ""
    own = settings.option(f"Acquire::https::{host}::CaInfo", "Acquire::https::CaInfo")
    return own or next(
        (
            environ[name]
            for name in ("SSL_CERT_FILE", "REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE", "SSL_CERT_DIR")
            if environ.get(name)
        ),
        "",
    )


def verifies_peer(url: str, settings: AptSettings) -> bool:
    """Whether apt checks the server's certificate; a signed archive may go without."""
    host = urlsplit(url).hostname or ""
    answer = settings.option(f"Acquire::https::{host}::Verify-Peer", "Acquire::https::Verify-Peer")
    return answer.lower() not in {"false", "no", "0", "off"}
