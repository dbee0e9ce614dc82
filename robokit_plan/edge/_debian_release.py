"""
Release files: what a suite holds, when it was made, and who signed it.

Source: Debian repository format (wiki.debian.org/DebianRepository/Format, read 2026-11),
apt-secure(8), gpgv(1), sqv(1).
"""

from __future__ import annotations

import base64
import re
import subprocess
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from robokit_plan.model import dataclass, field

from ._debian_apt_config import deb822_paragraphs
from ._programs import find_program
from .files import passing_folder

_TIMEOUT_S = 30
_DATE = re.compile(
    r"(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun), (\d\d?) ([A-Z][a-z]{2}) ([12]\d{3}) (\d\d):(\d\d):(\d\d)"
    r" (?:UTC|GMT|\+0000)",
    re.ASCII,
)
"""Dates as Debian writes them; the library for all others takes longer to import than to use."""
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_ARMOUR = re.compile(
    rb"-----BEGIN PGP PUBLIC KEY BLOCK-----(.*?)-----END PGP PUBLIC KEY BLOCK-----", re.DOTALL
)
_CLEARSIGNED = re.compile(
    rb"-----BEGIN PGP SIGNED MESSAGE-----\r?\n(?:[^\r\n]+\r?\n)*\r?\n"
    rb"(?P<text>(?:(?!-----BEGIN ).*\n)*)"
    rb"-----BEGIN PGP SIGNATURE-----\r?\n(?:(?!-----).*\n)*-----END PGP SIGNATURE-----\s*"
)


class ListedFile(NamedTuple):
    """One file as a Release file lists it."""

    sha256: str
    size: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Release:
    """
    One suite's Release file.

    Shape:
        `files` path below the suite -> hash and size; `date` and `valid_until` seconds since
        1970, None where absent.
    """

    origin: str = ""
    suite: str = ""
    codename: str = ""
    date: float | None = None
    valid_until: float | None = None
    by_hash: bool = False
    components: tuple[str, ...] = ()
    architectures: tuple[str, ...] = ()
    all_apart: bool = False
    """Whether packages for every architecture have an index of their own."""
    not_automatic: bool = False
    but_automatic_upgrades: bool = False
    files: Mapping[str, ListedFile] = field(default_factory=dict)

    @property
    def pin(self) -> int:
        """Default priority that apt gives the suite (apt_preferences(5))."""
        if not self.not_automatic:
            return 500
        return 100 if self.but_automatic_upgrades else 1


def parse_release(text: str) -> Release:
    """
    Return the Release file in *text*.

    Raises:
        ValueError: It is none.
    """
    fields = next(iter(deb822_paragraphs(text.splitlines())), {})
    if "sha256" not in fields:
        raise ValueError("it lists no SHA-256 of its files")
    files: dict[str, ListedFile] = {}
    for line in fields["sha256"].splitlines():
        words = line.split()
        if len(words) == 3 and words[1].isdecimal() and len(words[0]) == 64:
            files[words[2]] = ListedFile(words[0].lower(), int(words[1]))
    architectures = tuple(fields.get("architectures", "").split())
    return Release(
        origin=fields.get("origin", ""),
        suite=fields.get("suite", ""),
        codename=fields.get("codename", ""),
        date=_seconds(fields.get("date", "")),
        valid_until=_seconds(fields.get("valid-until", "")),
        by_hash=fields.get("acquire-by-hash", "").lower() == "yes",
        components=tuple(one.rpartition("/")[2] for one in fields.get("components", "").split()),
        architectures=architectures,
        all_apart="all" in architectures
        and "packages" not in fields.get("no-support-for-architecture-all", "").lower(),
        not_automatic=fields.get("notautomatic", "").lower() == "yes",
        but_automatic_upgrades=fields.get("butautomaticupgrades", "").lower() == "yes",
        files=files,
    )


def _seconds(text: str) -> float | None:
    if not text:
        return None
    usual = _DATE.fullmatch(text)
    try:
        if usual is not None and usual[2] in _MONTHS:
            day, month, *rest = usual.groups()
            year, hour, minute, second = map(int, rest)
            moment = datetime(
                year, _MONTHS.index(month) + 1, int(day), hour, minute, second, tzinfo=UTC
            )
            return moment.timestamp()
        from email.utils import parsedate_to_datetime

        return parsedate_to_datetime(text.replace("UTC", "+0000")).timestamp()
    except (TypeError, ValueError, OverflowError):
        return None


def clear_text(signed: bytes) -> bytes:
    """
    Return the text of a clear-signed file, or *signed* where it is plain.

    Raises:
        ValueError: Something stands around the signed text, which nobody signed (RFC 9580, 7).
    """
    if b"-----BEGIN PGP SIGNED MESSAGE-----" not in signed:
        return signed
    match = _CLEARSIGNED.fullmatch(signed)
    if match is None:
        raise ValueError("it is not one clear-signed text and nothing else")
    return re.sub(rb"^- ", b"", match["text"], flags=re.MULTILINE)


class Verdict(NamedTuple):
    """Result of looking at a signature: good, bad, or (neither) unknown; `why` in words."""

    good: bool
    bad: bool
    why: str = ""
    repair: str = ""


def verify(
    message: bytes, signature: bytes | None, keys: Iterable[bytes], environ: Mapping[str, str]
) -> Verdict:
    """
    Return whether one of *keys* signed *message*.

    Args:
        message: A clear-signed file where *signature* is None.
        keys: Keyrings as files hold them, binary or armoured.
    """
    rings = [ring for key in keys if (ring := _binary(key))]
    if not rings:
        return Verdict(False, False, "no key of this archive is known on this machine")
    gpgv = find_program("gpgv", environ)
    sqv = find_program("sqv", environ)
    if gpgv is None and (sqv is None or signature is None):
        return Verdict(
            False, False, "neither gpgv nor sqv is on this machine", "sudo apt-get install gpgv"
        )
    with passing_folder() as name:
        folder = Path(name)
        paths = []
        for number, ring in enumerate(rings):
            path = folder / f"{number}.gpg"
            path.write_bytes(ring)
            paths.append(path)
        content = folder / "message"
        content.write_bytes(message)
        arguments = [str(content)]
        if signature is not None:
            (folder / "signature").write_bytes(signature)
            arguments.insert(0, str(folder / "signature"))
        if gpgv is not None:
            return _ask_gpgv(gpgv, paths, arguments, folder)
        return _ask_sqv(str(sqv), paths, arguments)


def _run(command: list[str]) -> subprocess.CompletedProcess[bytes] | None:
    try:
        return subprocess.run(  # noqa: S603  fixed programs, paths of our own, no shell
            command, capture_output=True, check=False, timeout=_TIMEOUT_S
        )
    except (OSError, subprocess.SubprocessError):
        return None


def _ask_gpgv(gpgv: str, rings: list[Path], arguments: list[str], folder: Path) -> Verdict:
    command = [gpgv, "--homedir", str(folder), "--status-fd", "1", "--ignore-time-conflict"]
    for ring in rings:
        command += ["--keyring", str(ring)]
    done = _run([*command, *arguments])
    if done is None:
        return Verdict(False, False, "gpgv could not be run")
    words = {
        line.split()[1]
        for line in done.stdout.decode("ascii", "replace").splitlines()
        if line.startswith("[GNUPG:] ") and len(line.split()) > 1
    }
    # Several keys sign a Debian release; one that is known and holds is enough, a broken
    # signature spoils all (apt-secure(8)).
    if "BADSIG" in words:
        return Verdict(False, True, "its signature does not fit its content")
    if "VALIDSIG" in words and "GOODSIG" in words:
        return Verdict(True, False)
    if words & {"EXPKEYSIG", "REVKEYSIG", "EXPSIG"}:
        return Verdict(False, False, "the key that signed it has expired or was revoked")
    return Verdict(
        False,
        False,
        "the key that signed it is not on this machine",
        "sudo apt-get install --only-upgrade debian-archive-keyring",
    )


def _ask_sqv(sqv: str, rings: list[Path], arguments: list[str]) -> Verdict:
    command = [sqv]
    for ring in rings:
        command += ["--keyring", str(ring)]
    done = _run([*command, *arguments])
    if done is None:
        return Verdict(False, False, "sqv could not be run")
    if done.returncode == 0 and done.stdout.strip():
        return Verdict(True, False)
    if b"bad signature" in done.stderr.lower():
        return Verdict(False, True, "its signature does not fit its content")
    return Verdict(
        False,
        False,
        "no key on this machine has signed it",
        "sudo apt-get install --only-upgrade debian-archive-keyring",
    )


def _binary(key: bytes) -> bytes:
    """Return *key* without armour (RFC 9580, 6); several blocks are joined."""
    blocks = _ARMOUR.findall(key)
    if not blocks:
        return b"" if key.lstrip().startswith(b"-----BEGIN") else key
    joined = b""
    for block in blocks:
        body = block.replace(b"\r\n", b"\n").partition(b"\n\n")[2] or block
        lines = [line.strip() for line in body.splitlines()]
        coded = b"".join(line for line in lines if line and not line.startswith(b"="))
        try:
            joined += base64.b64decode(coded, validate=True)
        except ValueError:
            continue
    return joined
