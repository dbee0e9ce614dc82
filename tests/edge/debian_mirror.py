"""A Debian mirror of two suites on this machine's loopback, as good or bad as a test wants it."""

from __future__ import annotations

import gzip
import hashlib
import lzma
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

NOW = 1_790_000_000.0
"""A moment in 2026; the tests' clock."""

PACKAGES = """\
Package: libc6
Version: 2.41-12
Architecture: arm64
Multi-Arch: same
Priority: required
Section: libs
Essential: yes
Installed-Size: 22000
Depends: libgcc-s1
Filename: pool/main/g/glibc/libc6_2.41-12_arm64.deb
Size: 2300000
SHA256: 1111111111111111111111111111111111111111111111111111111111111111
Description: GNU C library

Package: libgcc-s1
Version: 14.2.0-19
Architecture: arm64
Priority: optional
Filename: pool/main/g/gcc-14/libgcc-s1_14.2.0-19_arm64.deb
Size: 70000
SHA256: 2222222222222222222222222222222222222222222222222222222222222222
Description: GCC support library

Package: mosquitto
Version: 2.0.21-1
Architecture: arm64
Priority: optional
Installed-Size: 700
Depends: libc6 (>= 2.38), libmosquitto1 (= 2.0.21-1),
 mail-server
Filename: pool/main/m/mosquitto/mosquitto_2.0.21-1_arm64.deb
Size: 320000
SHA256: 3333333333333333333333333333333333333333333333333333333333333333
Description: MQTT broker

Package: libmosquitto1
Version: 2.0.21-1
Architecture: arm64
Filename: pool/main/m/mosquitto/libmosquitto1_2.0.21-1_arm64.deb
Size: 60000
SHA256: 4444444444444444444444444444444444444444444444444444444444444444
Description: MQTT library

Package: postman
Version: 1
Architecture: all
Provides: mail-server
Filename: pool/main/p/postman/postman_1_all.deb
Size: 1000
SHA256: 5555555555555555555555555555555555555555555555555555555555555555
Description: provides a name
"""
SECURITY = """\
Package: libmosquitto1
Version: 2.0.21-1+deb13u1
Architecture: arm64
Filename: pool/updates/main/m/mosquitto/libmosquitto1_2.0.21-1+deb13u1_arm64.deb
Size: 60001
SHA256: 6666666666666666666666666666666666666666666666666666666666666666
Description: MQTT library
"""


class DebianMirror:
    """
    Files by path; `add_suite` writes a suite, a test then takes away or changes what it wants.

    `seen` holds every path asked for; `before` may change files when a path is asked for.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self.files: dict[str, bytes] = {}
        self.headers: dict[str, str] = {}
        self.seen: list[str] = []
        self.statuses: dict[str, list[int]] = {}
        self.etag = False
        self.lock = threading.Lock()

    def add_suite(
        self,
        suite: str,
        packages: str,
        *,
        root: str = "/debian",
        origin: str = "Debian",
        by_hash: bool = True,
        forms: tuple[str, ...] = ("", ".xz", ".gz"),
        date: float = NOW - 3600,
        valid: float | None = NOW + 6 * 86_400,
        more: str = "",
        component: str = "main",
        signer: Signer | None = None,
    ) -> None:
        """Serve *packages* as a suite; the uncompressed form is listed and, as usual, not there."""
        raw = packages.encode()
        packed = {"": raw, ".xz": lzma.compress(raw, preset=1), ".gz": gzip.compress(raw, mtime=0)}
        folder = f"{component}/binary-arm64"
        lines = []
        for form in dict.fromkeys(("", *forms)):
            body = packed[form]
            digest = hashlib.sha256(body).hexdigest()
            lines.append(f" {digest} {len(body)} {folder}/Packages{form}\n")
            if form in forms and form:
                self.files[f"{root}/dists/{suite}/{folder}/Packages{form}"] = body
                if by_hash:
                    self.files[f"{root}/dists/{suite}/{folder}/by-hash/SHA256/{digest}"] = body
        until = "" if valid is None else f"Valid-Until: {formatdate(valid, usegmt=True)}\n"
        text = (
            f"Origin: {origin}\nSuite: stable\nCodename: {suite}\n"
            f"Date: {formatdate(date, usegmt=True)}\n{until}"
            f"{'Acquire-By-Hash: yes' if by_hash else 'X-Nothing: yes'}\n"
            "Architectures: all arm64 armhf\nNo-Support-for-Architecture-all: Packages\n"
            f"Components: main contrib\n{more}SHA256:\n{''.join(lines)}"
        )
        release = text.encode()
        self.files[f"{root}/dists/{suite}/InRelease"] = (
            release if signer is None else signer.signed(release)
        )

    def answer(self, path: str, asked: dict[str, str]) -> tuple[int, bytes, dict[str, str]]:
        """Return status, body and headers for one request."""
        with self.lock:
            self.seen.append(path)
            if self.statuses.get(path):
                status = self.statuses[path].pop(0)
                if status != 200:
                    return status, b"", {}
            body = self.files.get(path)
        if body is None:
            return 404, b"no such file", {}
        tag = f'"{hashlib.sha256(body).hexdigest()[:16]}"'
        if self.etag and asked.get("if-none-match") == tag:
            return 304, b"", {"ETag": tag}
        return 200, body, {"ETag": tag} if self.etag else {}


@contextmanager
def debian_mirror() -> Iterator[DebianMirror]:
    """Serve a mirror while the block runs."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            asked = {name.lower(): value for name, value in self.headers.items()}
            status, body, headers = mirror.answer(self.path, asked)
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            if status != 304:
                self.wfile.write(body)

        def log_message(self, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    mirror = DebianMirror(f"http://127.0.0.1:{server.server_address[1]}")
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield mirror
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


class Signer:
    """A key that lives in a folder of its own; needs gpg."""

    available = shutil.which("gpg") is not None

    def __init__(self, home: Path) -> None:
        self._home = home
        home.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._gpg("--quick-gen-key", "archive@keys.example", "ed25519", "sign", "never")
        self.key = self._gpg("--armor", "--export")
        self.binary_key = self._gpg("--export")

    def _gpg(self, *words: str, given: bytes = b"") -> bytes:
        command = ["gpg", "--homedir", str(self._home), "--batch", "--yes", "--passphrase", ""]
        done = subprocess.run(
            [*command, "--pinentry-mode", "loopback", *words],
            input=given,
            capture_output=True,
            check=True,
        )
        return done.stdout

    def signed(self, text: bytes) -> bytes:
        """Return *text* clear-signed."""
        return self._gpg("--clearsign", "--armor", given=text)

    def signature(self, text: bytes) -> bytes:
        """Return a signature beside *text*."""
        return self._gpg("--detach-sign", "--armor", given=text)

    def close(self) -> None:
        """Stop the agent that gpg has started for this folder."""
        subprocess.run(
            ["gpgconf", "--homedir", str(self._home), "--kill", "gpg-agent"], check=False
        )
