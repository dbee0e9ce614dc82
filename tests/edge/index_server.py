"""A Python index on this machine's loopback, as bad as a test wants it; and files for it."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import ssl
import tarfile
import threading
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

JSON_TYPE = "application/vnd.pypi.simple.v1+json"

Handler = Callable[["Request"], None]


class Request(BaseHTTPRequestHandler):
    """One request; routes answer it."""

    protocol_version = "HTTP/1.1"
    index: IndexServer

    def do_GET(self) -> None:
        with self.index.lock:
            self.index.seen.append((self.path, {k.lower(): v for k, v in self.headers.items()}))
            route = self.index.routes.get(self.path)
            if isinstance(route, list):
                route = route.pop(0) if len(route) > 1 else route[0]
        if route is None:
            self.answer(404, b"no such page")
        else:
            route(self)

    def answer(
        self, status: int, body: bytes = b"", headers: Mapping[str, str] | None = None
    ) -> None:
        self.send_response(status)
        for name, value in (headers or {}).items():
            self.send_header(name, value)
        if "Content-Length" not in (headers or {}):
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *args: object) -> None:
        pass


class IndexServer:
    """Routes path -> handler, or a list of handlers of which the last one stays."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.routes: dict[str, Handler | list[Handler]] = {}
        self.seen: list[tuple[str, dict[str, str]]] = []
        self.lock = threading.Lock()

    def paths(self) -> list[str]:
        return sorted(path for path, _ in self.seen)

    def page(
        self,
        project: str,
        files: list[dict[str, Any]],
        *,
        headers: Mapping[str, str] | None = None,
        zipped: bool = False,
    ) -> None:
        """Serve a JSON page (PEP 691)."""
        text = json.dumps({"meta": {"api-version": "1.1"}, "name": project, "files": files})
        body = text.encode()
        sent = {"Content-Type": JSON_TYPE, **(headers or {})}
        if zipped:
            body, sent["Content-Encoding"] = gzip.compress(body), "gzip"
        self.routes[f"/simple/{project}/"] = lambda request: request.answer(200, body, sent)

    def file(self, path: str, body: bytes, *, ranges: bool = True) -> None:
        """Serve a file, with byte ranges (RFC 9110 section 14) or without."""
        self.routes[path] = lambda request: _send(request, body, ranges=ranges)

    def add(
        self,
        project: str,
        files: Mapping[str, bytes],
        *,
        ranges: bool = True,
        more: Mapping[str, object] | None = None,
    ) -> None:
        """Serve *files* and a page that lists them with hash and size."""
        self.page(project, [self.entry(name, body, more) for name, body in files.items()])
        for name, body in files.items():
            self.file(f"/files/{name}", body, ranges=ranges)

    @staticmethod
    def entry(name: str, body: bytes, more: Mapping[str, object] | None = None) -> dict[str, Any]:
        digest = hashlib.sha256(body).hexdigest()
        return {
            "filename": name,
            "url": f"../../files/{name}",
            "hashes": {"sha256": digest},
            "size": len(body),
            "yanked": False,
            **(more or {}),
        }


def _send(request: Request, body: bytes, *, ranges: bool) -> None:
    span = request.headers.get("Range", "")
    if not ranges or not span.startswith("bytes="):
        request.answer(200, body)
        return
    first, _, last = span.removeprefix("bytes=").partition("-")
    start = int(first) if first else max(0, len(body) - int(last))
    stop = min(len(body), int(last) + 1) if first and last else len(body)
    if start >= len(body):
        request.answer(416, b"", {"Content-Range": f"bytes */{len(body)}"})
        return
    content_range = {"Content-Range": f"bytes {start}-{stop - 1}/{len(body)}"}
    request.answer(206, body[start:stop], content_range)


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing: clients that hang up early are part of the tests."""


@contextmanager
def serving(tls: ssl.SSLContext | None = None) -> Iterator[IndexServer]:
    """Run a server until the block ends, with *tls* an encrypted one."""
    handler = type("Handler", (Request,), {})
    server = _Server(("127.0.0.1", 0), handler)
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    scheme = "http" if tls is None else "https"
    index = IndexServer(f"{scheme}://127.0.0.1:{server.server_port}")
    handler.index = index  # type: ignore[attr-defined]
    thread = threading.Thread(target=lambda: server.serve_forever(0.01), daemon=True)
    thread.start()
    try:
        yield index
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def metadata(name: str, version: str, *lines: str, level: str = "2.1") -> bytes:
    """Return core metadata with further *lines*."""
    head = (f"Metadata-Version: {level}", f"Name: {name}", f"Version: {version}")
    return ("\n".join([*head, *lines]) + "\n\nLong text.\n").encode()


def wheel(
    name: str,
    version: str,
    *lines: str,
    files: Mapping[str, bytes] | None = None,
    first: bool = False,
) -> bytes:
    """Return a wheel (PEP 427); *first*: its metadata stands at the beginning, not at the end."""
    held = io.BytesIO()
    folder = f"{name}-{version}.dist-info"
    code = {f"{name}/__init__.py": b"", **(files or {})}
    own = {
        f"{folder}/METADATA": metadata(name, version, *lines),
        f"{folder}/WHEEL": b"Wheel-Version: 1.0\n",
        f"{folder}/RECORD": b"",
    }
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, body in ({**own, **code} if first else {**code, **own}).items():
            archive.writestr(path, body)
    return held.getvalue()


def tarball(files: Mapping[str, bytes], *, mode: str = "w:gz") -> bytes:
    """Return a tar archive of *files*."""
    held = io.BytesIO()
    with tarfile.open(fileobj=held, mode=mode) as archive:  # type: ignore[call-overload]
        for path, body in files.items():
            member = tarfile.TarInfo(path)
            member.size = len(body)
            archive.addfile(member, io.BytesIO(body))
    return held.getvalue()
