"""
A small index on this machine's loopback that hands pip what the real one has, without the bulk.

An emulated pip spends nearly all of its time on TLS, on files of other machines and on the insides of
wheels that it never installs. So pages come as the index says them, without wheels whose
platform no machine of that architecture takes, and wheels for ``pip_loop.py`` hold their metadata alone; the pip that builds
a source archive gets whole ones. Versions, tags of Python and of glibc, Requires-Python, yanked
releases, source archives: untouched, pip judges them itself. ``test_the_relay_changes_no_answer`` holds
this against the index itself.

Source:
    PEP 691 (pages as JSON), PEP 427 (what a wheel is), PEP 425 and 600 (platform tags).
"""

from __future__ import annotations

import io
import json
import re
import threading
import zipfile
from collections.abc import Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Self, cast
from urllib.parse import unquote, urljoin

from robokit_plan.edge._pip_access import PipAccess
from robokit_plan.edge._transport import Client, Reply
from robokit_plan.edge._wheel_range import _opened, downloaded
from robokit_plan.edge.python_index import IndexSettings
from robokit_plan.model import IndexFile

from .fake_python_index import name

USER_AGENT = "pip-loop"
"""What pip_loop.py calls itself."""
JSON = "application/vnd.pypi.simple.v1+json"
_FIELDS = ("filename", "requires-python", "yanked")
"""What pip chooses by. Hashes go, since wheels are no longer whole; the sizes and times too."""
_MOST = 400_000_000
_KEPT = ("METADATA", "WHEEL")


def of_that_machine(filename: str, machine: str) -> bool:
    """Say whether a Linux of *machine* (``aarch64``) might take the file, whatever its C library."""
    if not filename.endswith(".whl"):
        return filename.endswith((".tar.gz", ".zip", ".tar.bz2", ".tgz", ".tar.xz", ".tar"))
    platforms = filename.removesuffix(".whl").rpartition("-")[2].split(".")
    return any(
        one == "any" or (one.startswith(("linux", "manylinux")) and one.endswith(f"_{machine}"))
        for one in platforms
    )


def thin_wheel(wheel: zipfile.ZipFile) -> bytes:
    """Return a wheel that holds what pip reads before it installs: METADATA and WHEEL."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as thin:
        for one in wheel.namelist():
            folder, _, last = one.partition("/")
            if folder.endswith(".dist-info") and last in _KEPT:
                # Behind the first empty line stands the description (core metadata, RFC 5322).
                text = re.split(rb"\r?\n\r?\n", wheel.read(one), maxsplit=1)[0]
                thin.writestr(zipfile.ZipInfo(one), text + b"\n\n")
    return held.getvalue()


class Relay:
    """
    The index of *settings* for pip on a machine of another architecture.

    Args:
        settings: Where to read; its first index is asked.
        machine: As the platform tags of wheels call it.
    """

    def __init__(self, settings: IndexSettings, machine: str) -> None:
        self._source = settings.indexes[0]
        self._client = Client(PipAccess(settings))
        self._machine = machine
        self._files: list[IndexFile] = []
        self._pages: dict[str, bytes | None] = {}
        self._bodies: dict[tuple[int, bool], bytes] = {}
        self._lock = threading.Lock()
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
        self._server.daemon_threads = True
        cast("Any", self._server).relay = self
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    @property
    def url(self) -> str:
        """Return what PIP_INDEX_URL has to be."""
        return f"http://127.0.0.1:{self._server.server_address[1]}/simple"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
        self._client.close()

    def page(self, project: str) -> bytes | None:
        """Return the page of *project*, None where the index has none; read once."""
        with self._lock:
            if project not in self._pages:
                self._pages[project] = self._read_page(project)
            return self._pages[project]

    def _read_page(self, project: str) -> bytes | None:
        url = self._source.page_url(name(project))

        def use(reply: Reply) -> bytes | None:
            if reply.status == 404:
                return None
            assert reply.status == 200, f"{project}: the index answers {reply.status}"
            assert JSON in reply.headers["content-type"], "the index speaks no JSON"
            return reply.body(_MOST)

        body = self._client.ask(
            url, use, index="default", what=f"the page of {project}", headers={"Accept": JSON}
        )
        if body is None:
            return None
        rows = [
            self._row(url, one)
            for one in json.loads(body)["files"]
            if of_that_machine(one["filename"], self._machine)
        ]
        page = {"meta": {"api-version": "1.0"}, "name": project, "files": rows}
        return json.dumps(page).encode()

    def _row(self, page: str, row: Mapping[str, Any]) -> dict[str, Any]:
        number = len(self._files)
        self._files.append(
            IndexFile(
                filename=row["filename"],
                url=urljoin(page, row["url"]),
                sha256=row["hashes"].get("sha256", ""),
                size=row.get("size"),
            )
        )
        kept = {field: row[field] for field in _FIELDS if field in row}
        return kept | {"url": f"/files/{number}/{row['filename']}", "hashes": {}}

    def file(self, number: int, *, thin: bool) -> bytes:
        """Return a file; *thin*: of a wheel what pip reads of it before it installs."""
        file = self._files[number]
        thin = thin and file.filename.endswith(".whl")
        if (number, thin) not in self._bodies:
            opened = _opened(self._client, file) if thin else downloaded(self._client, file, _MOST)
            with opened as source:
                if thin:
                    with zipfile.ZipFile(source) as wheel:
                        body = thin_wheel(wheel)
                else:
                    body = source.read()
            self._bodies[number, thin] = body
        return self._bodies[number, thin]


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    wbufsize = (
        -1
    )  # one packet an answer: two wait for each other's acknowledgement (RFC 896, RFC 1122)
    disable_nagle_algorithm = True

    def do_GET(self) -> None:
        relay: Relay = cast("Any", self.server).relay
        parts = unquote(self.path).strip("/").split("/")
        body: bytes | None = None
        kind = "application/octet-stream"
        if parts[0] == "simple" and len(parts) == 2:
            body, kind = relay.page(parts[1]), JSON
        elif parts[0] == "files":
            body = relay.file(int(parts[1]), thin=self.headers["User-Agent"] == USER_AGENT)
        self.send_response(404 if body is None else 200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body or b"")))
        self.end_headers()
        self.wfile.write(body or b"")

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  as in the base class
        """Say nothing."""
