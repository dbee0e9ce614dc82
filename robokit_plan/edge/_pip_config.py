"""
Which Python indexes to ask, and how: pip's own configuration, read without running pip.

Source:
    pip documentation, "Configuration" and "HTTPS Certificates" (order of files, environment
    variables, precedence of sections), and pip 26 `_internal/configuration.py` for what the page
    leaves open, read 2026-11.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from urllib.parse import SplitResult, unquote, urlsplit, urlunsplit

from robokit_plan.model import (
    DistributionName,
    Finding,
    Index,
    Origin,
    Place,
    Severity,
    dataclass,
    field,
    finding,
)

from .ordinary import read_text

_MOST = 1_000_000
"""Bytes of one of its files."""

PIP_PLACE = Origin(file="pip configuration")
"""Where pip's settings come from; the machine's own paths stay out of what we print."""
_DEFAULT_TIMEOUT_S = 15.0  # pip's default
_DEFAULT_RETRIES = 5  # pip's default
_MAX_TIMEOUT_S = 600.0
_MAX_RETRIES = 10
_LOCAL_HOSTS = ("localhost", "::1")
_TRUE = ("y", "yes", "t", "true", "on", "1")  # pip's strtobool


@dataclass(frozen=True, kw_only=True, slots=True)
class IndexSource:
    """
    One place to ask; `url` has no credentials and no trailing slash.

    `only` empty: asked for every name that no other index claims. `flat`: one page that lists
    files of many projects (pip's find-links).
    """

    name: str
    url: str
    only: tuple[DistributionName, ...] = ()
    flat: bool = False

    def page_url(self, project: DistributionName) -> str:
        """Return the address of the page of *project* (PEP 503: normalised name, final slash)."""
        return self.url if self.flat else f"{self.url}/{project}/"


@dataclass(frozen=True, kw_only=True, slots=True)
class IndexSettings:
    """
    Everything that asking needs.

    Shape:
        `indexes` in order: pip's own, its extra ones, its link pages, the robot file's;
        `credentials` ``host`` or ``host:port`` -> user, password; `proxies` ``http`` and
        ``https`` -> address; `findings` sorted.
    """

    indexes: tuple[IndexSource, ...]
    timeout_s: float = _DEFAULT_TIMEOUT_S
    retries: int = _DEFAULT_RETRIES
    certificates: str | None = None
    """A file or folder of certificate authorities; None: the system's."""
    client_certificate: str | None = None
    trusted_hosts: tuple[str, ...] = ()
    proxies: Mapping[str, str] = field(default_factory=dict, repr=False)
    no_proxy: str = ""
    credentials: Mapping[str, tuple[str, str]] = field(default_factory=dict, repr=False)
    netrc: Path | None = None
    findings: tuple[Finding, ...] = ()

    def asked_for(self, project: DistributionName) -> tuple[IndexSource, ...]:
        """Return the indexes that may answer for *project*, in order."""
        bound = tuple(one for one in self.indexes if project in one.only)
        return bound or tuple(one for one in self.indexes if not one.only)

    def beside(self, project: DistributionName) -> tuple[IndexSource, ...]:
        """
        Return the index that a bound *project* is looked for too, though nothing is taken there.

        That is where another installer would find a stranger's files under the same name.
        """
        if not any(project in one.only for one in self.indexes):
            return ()
        return next(((one,) for one in self.indexes if not one.only and not one.flat), ())

    def trusts(self, url: str) -> bool:
        """Return whether *url* may be asked without TLS, or with a certificate of its own."""
        return _trusted(urlsplit(url), self.trusted_hosts)


def index_settings(
    robot_indexes: Iterable[Index],
    environ: Mapping[str, str],
    *,
    files: Iterable[Path] | None = None,
    default_url: str | None = None,
) -> IndexSettings:
    """
    Return which indexes to ask.

    Args:
        robot_indexes: `indexes` of the robot file.
        environ: Environment variables; those of pip, certificates and proxies are read.
        files: pip's configuration files, least important first; None: those pip would read.
        default_url: Index where nothing is configured; None: pip's own constant.
    """
    paths = tuple(config_files(environ) if files is None else files)
    findings: list[Finding] = []
    values = _pip_values(paths, environ, findings)
    found = _Sources(
        trusted=tuple(values.get("trusted-host", "").split()),
        findings=findings,
    )
    if values.get("no-index", "").strip().lower() not in _TRUE:
        url = values.get("index-url") or values.get("pypi-url") or default_url or pip_default_url()
        if url:
            found.add_from_pip("default", url, option="index-url")
        for number, extra in enumerate(values.get("extra-index-url", "").split(), 1):
            found.add_from_pip(f"extra-{number}", extra, option="extra-index-url")
    for number, links in enumerate(values.get("find-links", "").split(), 1):
        found.add_from_pip(f"links-{number}", links, option="find-links", flat=True)
    for index in robot_indexes:
        found.add_from_robot(index)
    found.report_local()
    return IndexSettings(
        indexes=tuple(found.sources),
        timeout_s=_number(
            values.get("timeout") or values.get("default-timeout"),
            _DEFAULT_TIMEOUT_S,
            _MAX_TIMEOUT_S,
        ),
        retries=int(_number(values.get("retries"), _DEFAULT_RETRIES, _MAX_RETRIES)),
        certificates=values.get("cert")
        or environ.get("REQUESTS_CA_BUNDLE")
        or environ.get("CURL_CA_BUNDLE")
        or environ.get("SSL_CERT_FILE")
        or None,
        client_certificate=values.get("client-cert") or None,
        trusted_hosts=found.trusted,
        proxies=_proxies(values.get("proxy"), environ),
        no_proxy="" if values.get("proxy") else _either_case(environ, "no_proxy"),
        credentials=found.credentials,
        netrc=_netrc(environ),
        findings=tuple(findings),
    )


def config_files(environ: Mapping[str, str]) -> tuple[Path, ...]:
    """Return the files that pip would read, least important first; they need not exist."""
    named = environ.get("PIP_CONFIG_FILE")
    if named == "/dev/null":
        return ()
    home = _home(environ)
    if sys.platform == "darwin":
        wide = [Path("/Library/Application Support/pip")]
        own = home / "Library/Application Support/pip"
        own = own if own.is_dir() else home / ".config/pip"
    else:
        folders = environ.get("XDG_CONFIG_DIRS") or "/etc/xdg"
        wide = [Path(one) / "pip" for one in folders.split(":") if one]
        own = Path(environ.get("XDG_CONFIG_HOME") or home / ".config") / "pip"
    folders_in_order = [*wide, Path("/etc")]
    if not (named and Path(named).exists()):
        folders_in_order += [home / ".pip", own]
    files = [folder / "pip.conf" for folder in [*folders_in_order, Path(sys.prefix)]]
    return (*files, Path(named)) if named else tuple(files)


def pip_default_url() -> str | None:
    """
    Return the index that pip asks when nothing is configured, None where pip cannot say.

    The address is pip's to know, not ours.
    """
    try:
        from pip._internal.models.index import PyPI
    except ImportError:
        return None
    url = getattr(PyPI, "simple_url", None)
    return url if isinstance(url, str) else None


class _Sources:
    """Collects sources, credentials and findings while settings are read."""

    def __init__(self, *, trusted: tuple[str, ...], findings: list[Finding]) -> None:
        self.trusted = trusted
        self.findings = findings
        self.sources: list[IndexSource] = []
        self.credentials: dict[str, tuple[str, str]] = {}
        self._local: list[str] = []

    def add_from_pip(self, name: str, url: str, *, option: str, flat: bool = False) -> None:
        parts = _split(url)
        if parts is None or parts.scheme not in {"http", "https"} or not parts.hostname:
            self._local.append(option)
        elif not _trusted(parts, self.trusted):
            self.findings.append(
                finding(
                    "index-insecure",
                    Severity.WARNING,
                    f"pip's {option} {name} is asked without encryption and was left out",
                    places=[Place(origin=PIP_PLACE, label=option)],
                    why="pip ignores such an index too, unless its host is trusted by name",
                    repair=(
                        f"pip config set global.{option} https://…",
                        "pip config set global.trusted-host HOST",
                    ),
                )
            )
        else:
            self._add(IndexSource(name=name, url=self._without_credentials(parts), flat=flat))

    def add_from_robot(self, index: Index) -> None:
        parts = _split(index.url)
        problem = _problem(parts, self.trusted)
        if problem or parts is None:
            self.findings.append(
                finding(
                    "index-unusable",
                    Severity.ERROR,
                    f"index {index.name} cannot be asked",
                    places=[Place(origin=index.origin, label=index.name)],
                    why=problem,
                    repair=f'url: "{_encrypted(parts)}"   in the entry of {index.name}',
                )
            )
            return
        if parts.password:
            self.findings.append(
                finding(
                    "index-credentials",
                    Severity.WARNING,
                    f"the address of index {index.name} holds a password",
                    places=[Place(origin=index.origin, label=index.name)],
                    why="a robot file is shared and kept under version control",
                    repair=f"machine {parts.hostname} login USER password PASSWORD   as a line of "
                    "~/.netrc, and the address without it",
                )
            )
        self._add(
            IndexSource(
                name=index.name,
                url=self._without_credentials(parts),
                only=tuple(normal_name(name) for name in index.only),
            )
        )

    def report_local(self) -> None:
        if self._local:
            count = len(self._local)
            self.findings.append(
                finding(
                    "index-local",
                    Severity.NOTE,
                    f"{count} of pip's indexes {'is a folder' if count == 1 else 'are folders'}"
                    " of this machine and "
                    f"{'was' if count == 1 else 'were'} not asked",
                    places=[Place(origin=PIP_PLACE, label=option) for option in self._local],
                    why="the robot installs from what it can reach itself",
                    repair="indexes: [{name: NAME, url: https://…}]",
                )
            )

    def _add(self, source: IndexSource) -> None:
        if all((one.url, one.only) != (source.url, source.only) for one in self.sources):
            self.sources.append(source)

    def _without_credentials(self, parts: SplitResult) -> str:
        netloc = parts.netloc.rpartition("@")[2]
        if parts.username is not None:
            self.credentials[netloc.lower()] = (
                unquote(parts.username),
                unquote(parts.password or ""),
            )
        return urlunsplit((parts.scheme, netloc, parts.path.rstrip("/"), parts.query, ""))


def normal_name(name: str) -> DistributionName:
    """Return *name* normalised as PEP 503 says."""
    return DistributionName(re.sub(r"[-_.]+", "-", name).lower())


def _split(url: str) -> SplitResult | None:
    try:
        parts = urlsplit(url)
        _ = parts.port  # raises where the port is no number
    except ValueError:
        return None
    return parts


def _problem(parts: SplitResult | None, trusted: tuple[str, ...]) -> str:
    """Return why an address of the robot file cannot be used; "" where it can."""
    if parts is None:
        return "its url is not a valid address"
    if parts.scheme not in {"http", "https"}:
        return "its url does not begin with https:, so the robot could not reach it"
    if not parts.hostname:
        return "its url names no host"
    if not _trusted(parts, trusted):
        return "its url begins with http:, so anyone on the way could replace what gets installed"
    return ""


def _trusted(parts: SplitResult, trusted: tuple[str, ...]) -> bool:
    """Return whether pip would ask this address: TLS, this machine, or trusted by name."""
    host = (parts.hostname or "").lower()
    if parts.scheme == "https" or host in _LOCAL_HOSTS or host.startswith("127."):
        return True
    return host_listed(parts, trusted)


def host_listed(parts: SplitResult, trusted: tuple[str, ...]) -> bool:
    """Return whether *trusted* (``host`` or ``host:port``) names the host of *parts*."""
    host = (parts.hostname or "").lower()
    return any(one.lower() in {host, f"{host}:{parts.port}"} for one in trusted)


def _pip_values(
    paths: tuple[Path, ...], environ: Mapping[str, str], findings: list[Finding]
) -> dict[str, str]:
    """
    Return option -> value as `pip install` would see it.

    A section for the command beats ``[global]``, whichever file it stands in; the environment
    beats both. An empty value is no value.
    """
    sections: dict[str, dict[str, str]] = {"global": {}, "install": {}}
    for path in paths:
        if path.is_file():
            _read_into(sections, path, findings)
    sections["environment"] = {
        _option(name[4:]): value for name, value in environ.items() if name.startswith("PIP_")
    }
    values: dict[str, str] = {}
    for section in sections.values():
        values.update({name: value for name, value in section.items() if value})
    return values


def _encrypted(parts: SplitResult | None) -> str:
    """Return the address over https, or the form of one where *parts* name no host."""
    if parts is None or parts.scheme != "http" or not parts.hostname:
        return "https://…"
    return f"https://{parts.netloc.rpartition('@')[2]}{parts.path}"


def _read_into(sections: dict[str, dict[str, str]], path: Path, findings: list[Finding]) -> None:
    import configparser

    parser = configparser.RawConfigParser()
    parser.optionxform = _option  # type: ignore[method-assign,assignment]
    try:
        parser.read_string(read_text(path, _MOST))
    except (OSError, UnicodeDecodeError, configparser.Error) as error:
        findings.append(
            finding(
                "index-settings",
                Severity.WARNING,
                "a configuration file of pip could not be read and was left out",
                places=[Place(origin=PIP_PLACE, label=_trouble(error))],
                why="it is not text in pip's format; pip itself stops at such a file",
                repair="pip config debug",
            )
        )
        return
    for name, section in sections.items():
        if parser.has_section(name):
            section.update(parser.items(name))


def _trouble(error: Exception) -> str:
    """Return in words what is wrong with a configuration file; never its path or its text."""
    import configparser

    match error:
        case configparser.MissingSectionHeaderError():
            return f"line {error.lineno} stands under no [section]"
        case configparser.DuplicateSectionError() | configparser.DuplicateOptionError():
            return f"line {error.lineno} says again what was said above"
        case configparser.ParsingError():
            return f"line {error.errors[0][0]} is no setting" if error.errors else "no settings"
        case UnicodeDecodeError():
            return "it is not UTF-8"
        case OSError():
            return (error.strerror or "it cannot be read").lower()
        case _:
            return "it cannot be read"


def _option(name: str) -> str:
    return name.lower().replace("_", "-").removeprefix("--")


def _number(text: str | None, default: float, most: float) -> float:
    try:
        value = float(text or default)
    except ValueError:
        return default
    return min(value, most) if value >= 0 else default


def _proxies(own: str | None, environ: Mapping[str, str]) -> dict[str, str]:
    """Return scheme -> proxy; pip's `proxy` stands for both schemes."""
    if own:
        return {"http": own, "https": own}
    every = _either_case(environ, "all_proxy")
    found = {
        scheme: _either_case(environ, f"{scheme}_proxy") or every for scheme in ("http", "https")
    }
    return {scheme: url for scheme, url in found.items() if url}


def _either_case(environ: Mapping[str, str], name: str) -> str:
    return environ.get(name) or environ.get(name.upper()) or ""


def _netrc(environ: Mapping[str, str]) -> Path | None:
    named = environ.get("NETRC")
    candidates = [Path(named)] if named else [_home(environ) / ".netrc", _home(environ) / "_netrc"]
    return next((path for path in candidates if path.is_file()), None)


def _home(environ: Mapping[str, str]) -> Path:
    home = environ.get("HOME")
    if home:
        return Path(home)
    try:
        return Path.home()
    except RuntimeError:
        return Path("/")
