"""
The readers of the tool: what strangers, networks and disks can hand it.

Each takes bytes and ends, or raises one of the refusals that its callers turn into a message.
Anything else that it raises, or anything it says that a terminal, a table or a code host would
take for more than text, is a defect.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import tempfile
import tomllib
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any, cast

import yaml

from robokit_plan.app.session import problem_of
from robokit_plan.edge._debian_apt_config import parse_deb822_sources, parse_list
from robokit_plan.edge._debian_index import PackagesIndex, write_index
from robokit_plan.edge._debian_release import clear_text, parse_release
from robokit_plan.edge._debian_status import read_status_file
from robokit_plan.edge._index_page import (
    parse_page,
    parse_stored_page,
    stored_page,
)
from robokit_plan.edge._index_rows import PageUnreadable
from robokit_plan.edge._metadata import MetadataUnusable, parse_metadata, parse_stored_metadata
from robokit_plan.edge._sdist import metadata_of, read_files
from robokit_plan.edge._transport import Client
from robokit_plan.edge._wheel_range import wheel_metadata
from robokit_plan.edge.built_wheels import BuiltUnfit, take_built
from robokit_plan.edge.code import read_code
from robokit_plan.edge.facts import read_board
from robokit_plan.edge.fixes import fix_text
from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.edge.names import robot_names
from robokit_plan.edge.reading import ParsedManifest, Reading, read_robot
from robokit_plan.formats.edits import CannotEdit, disabled_text, enabled_text
from robokit_plan.formats.lock import LockError, parse_lock, render_lock
from robokit_plan.formats.tree import decoded, parse_tree
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.hardware.boot import parse_boot_config
from robokit_plan.lint import lint_manifest, lint_robot, lint_text
from robokit_plan.model import (
    Board,
    BoardId,
    DistributionMetadata,
    DistributionName,
    Finding,
    IndexFile,
    Origin,
    Plan,
    SourceBuild,
)
from robokit_plan.planner import Problem, findings_without_indices
from robokit_plan.render import (
    UnsafeValueError,
    render_findings_annotations,
    render_findings_gnu,
    render_findings_json,
    render_findings_markdown,
    render_findings_sarif,
    render_findings_text,
    render_script,
    render_wiring_csv,
    render_wiring_svg,
    render_wiring_text,
)
from tests.edge.index_server import metadata, tarball, wheel
from tests.edge.manifest_example import GOOD
from tests.render.plans import HERON

from .mutation import Mutate, mutate_bytes, mutate_gzip, mutate_json, mutate_lines, mutate_yaml
from .planned import debian_findings, python_findings

SAMPLE = Path(__file__).parents[2] / "sample_robot"
URL = "https://index.example/simple/hull-math/"
HULL = DistributionName("hull-math")
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
"""Quick: what a judge takes counts as the reader's own time."""
BUILT = "hull_math-1.0-py3-none-any.whl"


@dataclass(frozen=True)
class Reader:
    """One way in; `seeds` are whole examples, `mutate` knows their structure."""

    read: Callable[[bytes], object]
    seeds: Callable[[], Iterable[bytes]]
    mutate: Mutate


# What people write


def read_manifest_bytes(body: bytes) -> None:
    """A plugin's manifest: read, linted, and planned as the only plugin of a robot."""
    found = re.search(rb"^plugin: ([a-z-]+)", body, re.MULTILINE)
    name = found[1].decode() if found else "helm"
    file = f"plugins/{name}/manifest.yaml"
    with suppress(UnreadableFile):
        text = decoded(body, file)
        manifest, findings = parse_manifest(text, file)
        check_shown(findings)
        if manifest is None:
            check_shown(lint_text(text, file))
        else:
            check_shown(lint_manifest(manifest, text=text))

        def swapped(own: str, path: str) -> ParsedManifest:
            return (manifest, findings) if path == file else _sample_manifest(own, path)

        # A plugin of any other name stands on no shelf of the sample.
        if name in _sample_names():
            _plan(read_robot(SAMPLE, parse=swapped, text=_robot_of(name)))


def read_robot_bytes(body: bytes) -> None:
    """A robot file beside the sample's plugins: read, linted and planned."""
    with suppress(UnreadableFile):
        text = decoded(body, "robot.yaml")
        reading = read_robot(SAMPLE, parse=_sample_manifest, text=text)
        if reading.robot is not None:
            check_shown(lint_robot(reading.robot, reading.manifests, text=text))
        _plan(reading)


def mend_bytes(body: bytes) -> None:
    """A manifest or robot file that ``lint --fix`` mends: what it changes, it tells."""
    with suppress(UnreadableFile):
        before = decoded(body, "own.yaml")
        after, done = fix_text(before, "own.yaml")
        assert (after != before) == bool(done)


def edit_bytes(body: bytes) -> None:
    """A robot file in which plugins are switched on and off."""
    with suppress(UnreadableFile, CannotEdit):
        text = decoded(body, "robot.yaml")
        changed = enabled_text(text, ["vane"])
        _, odd = parse_tree(text, "robot.yaml")
        # Of a repeated key we take the first, and say so; the judge takes the last.
        assert odd or "vane" in yaml.load(changed, Loader=_LOADER)["enabled"]
        disabled_text(changed, ["vane"])


def complete_bytes(body: bytes) -> None:
    """A robot file whose names a shell completes: what cannot be read has none."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "robot.yaml"
        path.write_bytes(body)
        robot_names(path)


def read_lock_bytes(body: bytes) -> None:
    """A lock file, which a person may have edited, and all that is written from it alone."""
    try:
        plan = parse_lock(decoded(body, "pylock.heron.toml"), file="pylock.heron.toml")
    except LockError as error:
        check_shown([error.finding])
        return
    except UnreadableFile as error:
        check_shown(error.findings)
        return
    again = render_lock(plan)
    assert render_lock(parse_lock(again, file="again")) == again
    tomllib.loads(again)
    _written_from(plan)


def read_boot_config_bytes(body: bytes) -> None:
    """The boot configuration of a card that has lived before, and the sample planned on it."""
    with suppress(UnreadableFile):
        config = parse_boot_config(decoded(body, "config.txt"), file="config.txt")
        check_shown(findings_without_indices(replace(_sample_problem(), boot_config=config)))


def read_code_bytes(body: bytes) -> None:
    """A plugin's code, which is never run."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "lights.py").write_bytes(body)
        code = read_code(root, ".")
    for one in code.imports:
        assert one.text.isidentifier() or "." in one.text


# What networks send


def read_page_json_bytes(body: bytes) -> None:
    """A project page of an index, in the JSON form."""
    _page(body, "application/vnd.pypi.simple.v1+json")


def read_page_html_bytes(body: bytes) -> None:
    """A project page of an index, in the HTML form."""
    _page(body, "text/html; charset=utf-8")


def _page(body: bytes, content_type: str) -> None:
    with suppress(PageUnreadable):
        rows = parse_page(body, content_type, URL)
        kept = parse_stored_page(stored_page(rows), "default")
        assert kept is not None
        assert len(kept) == len(rows)
        check_shown(python_findings(HULL, kept, _usual_metadata))


def read_stored_page_bytes(body: bytes) -> None:
    """A page as the cache keeps it, after the disk has had its way."""
    parse_stored_page(body, "default")


def read_metadata_bytes(body: bytes) -> None:
    """A METADATA file, and the one release that has it."""
    with suppress(MetadataUnusable):
        found = parse_metadata(body, name=HULL, version="1.0")
        file = _file("hull_math-1.0-py3-none-any.whl")
        check_shown(python_findings(HULL, [file], lambda _: found))
    parse_stored_metadata(body)


def read_wheel_bytes(body: bytes) -> None:
    """A wheel whose index sends all of it."""
    found = wheel_metadata(cast("Client", _Held(body)), _file("hull_math-1.0-py3-none-any.whl"))
    assert (found.requires_dist is None) == bool(found.reason)


def read_built_wheel_bytes(body: bytes) -> None:
    """A wheel that a robot built, whose hash fits: what was carried is what was there."""
    _carried(body, f"{hashlib.sha256(body).hexdigest()}  {BUILT}\n".encode())


def read_built_list_bytes(body: bytes) -> None:
    """The list beside such a wheel."""
    _carried(_built(), body)


def _carried(wheel_body: bytes, listed: bytes) -> None:
    build = SourceBuild(name=HULL, version="1.0", filename="hull_math-1.0.tar.gz", key="0" * 16)
    with tempfile.TemporaryDirectory() as folder:
        kept, target = Path(folder) / "kept", Path(folder) / "target"
        (kept / build.key).mkdir(parents=True)
        (kept / build.key / BUILT).write_bytes(wheel_body)
        (kept / build.key / "SHA256SUMS").write_bytes(listed)
        try:
            assert take_built([build], [kept], target, tags=["py3-none-any"]) == (build,)
        except BuiltUnfit:
            return
        assert (target / build.key / BUILT).read_bytes() == wheel_body
        assert (target / build.key / "SHA256SUMS").read_bytes() == listed


def read_sdist_bytes(body: bytes) -> None:
    """An sdist, as a tar file."""
    with suppress(MetadataUnusable):
        found = read_files(io.BytesIO(body), "hull_math-1.0.tar.gz")
        metadata_of(found, name=HULL, version="1.0")


def read_packages_bytes(body: bytes) -> None:
    """A Packages file of an archive, as the cache keeps it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "index"
        write_index(path, [body[:100], body[100:]])
        with closing(PackagesIndex(path, suite="trixie", component="main")) as index:
            names = index.read_names()
            for record in index.read_records(names):
                index.package(record)
            index.read_provisions(names)
            index.read_core()
            check_shown(debian_findings(index))


def read_release_bytes(body: bytes) -> None:
    """A Release file, signed or not."""
    with suppress(ValueError):
        parse_release(clear_text(body).decode("utf-8", "replace"))


# What lies on disks


def read_status_bytes(body: bytes) -> None:
    """A dpkg status file that a robot file names as its base."""
    with tempfile.TemporaryDirectory() as folder, suppress(UnreadableFile):
        (Path(folder) / "status").write_bytes(body)
        read_status_file(Path(folder), "status", "arm64", Origin(file="robot.yaml"))


def read_sources_bytes(body: bytes) -> None:
    """apt's own lists of sources, in both styles."""
    text = body.decode("utf-8", "replace")
    parse_list(text)
    parse_deb822_sources(text)


# What comes out


_ACTIVE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""What a terminal may obey, or what reorders what is read (Unicode TR36 3.3); lines end in \\n."""


def check_shown(findings: Iterable[Finding]) -> None:
    """
    Hold what is printed of *findings* to be text and nothing more, in every form.

    Each command prints one form; that all six are made here shall not count as its time.
    """
    found = tuple(islice(findings, 1_000))
    for text in (
        render_findings_text(found, notes=True),
        render_findings_gnu(found),
        render_findings_annotations(found),
        render_findings_markdown(found),
    ):
        assert not _ACTIVE.search(text), _ACTIVE.search(text)
    json.loads(render_findings_json(found))
    json.loads(render_findings_sarif(found, version="0"))


def _written_from(plan: Plan) -> None:
    with suppress(UnsafeValueError):
        script = render_script(plan, lock_name="pylock.heron.toml", lock_sha256="ae1f" * 16)
        assert "\0" not in script
    board = _board()
    ET.fromstring(render_wiring_svg(plan, board))
    assert not _ACTIVE.search(render_wiring_text(plan, board))
    render_wiring_csv(plan, board)


def _plan(reading: Reading) -> None:
    check_shown(reading.findings)
    if reading.robot is not None:
        check_shown(findings_without_indices(problem_of(reading, locked=False)))


@cache
def _sample_names() -> frozenset[str]:
    return frozenset(path.name for path in (SAMPLE / "plugins").iterdir())


@cache
def _board() -> Board:
    return read_board(BoardId(HERON.board))


@cache
def _sample_problem() -> Problem:
    return problem_of(read_robot(SAMPLE), locked=False)


def _usual_metadata(file: IndexFile) -> DistributionMetadata:
    return parse_metadata(
        metadata("hull-math", "1.0", "Requires-Python: >=3.9"), name=HULL, version="1.0"
    )


@cache
def _sample_manifest(text: str, file: str) -> ParsedManifest:
    return parse_manifest(text, file)


@cache
def _robot_of(name: str) -> str:
    robot: dict[str, Any] = yaml.safe_load((SAMPLE / "robot.yaml").read_text())
    robot["enabled"] = [name]
    for own in ("wiring", "profiles"):
        robot.pop(own, None)
    return yaml.safe_dump(robot, sort_keys=False)


class _Held:
    """In the place of a client: one reply for whatever is asked."""

    def __init__(self, body: bytes) -> None:
        self.status = 200
        self.headers: dict[str, str] = {}
        self._body = body

    def ask(self, _url: str, use: Callable[[Any], Any], **_about: Any) -> Any:
        return use(self)

    def chunks(self, _limit: int) -> Iterator[bytes]:
        yield self._body


def _file(filename: str) -> IndexFile:
    return IndexFile(filename=filename, url=URL + filename, sha256=None, size=None, index="default")


# Examples


def _manifests() -> list[bytes]:
    samples = sorted((SAMPLE / "plugins").glob("*/manifest.yaml"))
    return [GOOD.encode(), *(path.read_bytes() for path in samples)]


def _robots() -> list[bytes]:
    return [(SAMPLE / "robot.yaml").read_bytes()]


BOOT_CONFIG = b"""\
# a card that has lived before
dtparam=i2c_arm=on,spi=on
dtoverlay=i2c-gpio,bus=5,i2c_gpio_sda=22,i2c_gpio_scl=27
[pi4]
gpio=17,27=op,dh
[all]
enable_uart=1
"""
PACKAGES = b"""\
Package: libportaudio2
Version: 19.6.0+v190600-1+b1
Architecture: arm64
Multi-Arch: same
Provides: libportaudio (= 19.6)
Depends: libasound2t64 (>= 1.0.16), libc6 (>= 2.38),
 libjack-jackd2-0 (>= 1.9.10) | libjack-0.125
Filename: pool/main/p/portaudio19/libportaudio2_19.6.0+v190600-1+b1_arm64.deb
Size: 71234
Installed-Size: 251
SHA256: 9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08
"""
RELEASE = b"""\
Origin: Debian
Suite: stable
Codename: trixie
Date: Sat, 15 Nov 2026 10:11:12 UTC
Valid-Until: Sat, 22 Nov 2026 10:11:12 UTC
Acquire-By-Hash: yes
Architectures: all amd64 arm64
Components: main contrib
SHA256:
 9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08 1234 main/binary-arm64/Packages.xz
"""
STATUS = b"""\
Package: adduser
Status: install ok installed
Priority: important
Architecture: all
Version: 3.152
Depends: passwd (>= 1:4.17.2-5)
"""
SOURCES = b"""\
Types: deb
URIs: https://deb.example/debian
Suites: trixie trixie-updates
Components: main
Signed-By: /usr/share/keyrings/debian-archive-keyring.pgp

deb [arch=arm64 signed-by=/etc/apt/keyrings/maker.asc] https://maker.example/debian trixie main
"""
CODE = b"""\
from __future__ import annotations
import numpy as np
try:
    import spidev
except ImportError:
    spidev = None
class Lights:
    def run(self):
        from smbus2 import SMBus
"""
_PAGE = {
    "meta": {"api-version": "1.1"},
    "name": "hull-math",
    "files": [
        {
            "filename": "hull_math-1.0-py3-none-any.whl",
            "url": "https://files.example/hull_math-1.0-py3-none-any.whl",
            "hashes": {"sha256": "ae1f" * 16},
            "requires-python": ">=3.9",
            "size": 4123,
            "upload-time": "2026-01-31T17:07:28.000000Z",
            "core-metadata": {"sha256": "ae1f" * 16},
            "yanked": False,
        },
        {"filename": "hull_math-1.0.tar.gz", "url": "../../hull_math-1.0.tar.gz", "yanked": "bad"},
        {
            "filename": "hull_math-2.0-cp313-cp313-win_arm64.whl",
            "url": "hull_math-2.0-cp313-cp313-win_arm64.whl",
            "hashes": {},
            "upload-time": "2026-11-01T00:00:00Z",
        },
    ],
}
_HTML = b"""\
<!DOCTYPE html><html><head><meta name="pypi:repository-version" content="1.1"></head><body>
<a href="hull_math-1.0-py3-none-any.whl#sha256=aa" data-requires-python="&gt;=3.9"
 data-core-metadata="true">hull_math-1.0-py3-none-any.whl</a>
<a href="/hull_math-1.0.tar.gz" data-yanked="">hull_math-1.0.tar.gz</a></body></html>
"""
_REQUIRES = (
    "Requires-Python: >=3.9",
    "Requires-Dist: numpy (>=1.24,<3)",
    "Requires-Dist: smbus2 ; extra == 'i2c' and platform_machine == 'aarch64'",
    "Provides-Extra: i2c",
    "License-Expression: MIT",
)
_PYPROJECT = b"""\
[build-system]
requires = ["setuptools>=61"]
[project]
name = "hull-math"
version = "1.0"
dependencies = ["numpy>=1.24"]
[project.optional-dependencies]
i2c = ["smbus2"]
"""


def _stored() -> list[bytes]:
    return [stored_page(parse_page(_HTML, "text/html", URL))]


@cache
def _built() -> bytes:
    return wheel("hull_math", "1.0", *_REQUIRES)


def _built_lists() -> list[bytes]:
    return [f"{hashlib.sha256(_built()).hexdigest()}  {BUILT}\n".encode()]


def _sdists() -> list[bytes]:
    info = metadata("hull-math", "1.0", *_REQUIRES, level="2.2")
    top = "hull_math-1.0"
    return [
        tarball({f"{top}/PKG-INFO": info}),
        tarball({f"{top}/PKG-INFO": b"", f"{top}/pyproject.toml": _PYPROJECT}),
    ]


READERS: dict[str, Reader] = {
    "boot-config": Reader(read_boot_config_bytes, lambda: [BOOT_CONFIG], mutate_lines),
    "built-list": Reader(read_built_list_bytes, _built_lists, mutate_lines),
    "built-wheel": Reader(read_built_wheel_bytes, lambda: [_built()], mutate_bytes),
    "code": Reader(read_code_bytes, lambda: [CODE], mutate_lines),
    "complete": Reader(complete_bytes, _robots, mutate_yaml),
    "edit": Reader(edit_bytes, _robots, mutate_yaml),
    "lock": Reader(read_lock_bytes, lambda: [render_lock(HERON).encode()], mutate_lines),
    "manifest": Reader(read_manifest_bytes, _manifests, mutate_yaml),
    "mend": Reader(mend_bytes, lambda: [*_manifests(), *_robots()], mutate_yaml),
    "metadata": Reader(
        read_metadata_bytes, lambda: [metadata("hull-math", "1.0", *_REQUIRES)], mutate_lines
    ),
    "packages": Reader(read_packages_bytes, lambda: [PACKAGES], mutate_lines),
    "page-html": Reader(read_page_html_bytes, lambda: [_HTML], mutate_lines),
    "page-json": Reader(read_page_json_bytes, lambda: [json.dumps(_PAGE).encode()], mutate_json),
    "page-stored": Reader(read_stored_page_bytes, _stored, mutate_lines),
    "release": Reader(read_release_bytes, lambda: [RELEASE], mutate_lines),
    "robot": Reader(read_robot_bytes, _robots, mutate_yaml),
    "sdist": Reader(read_sdist_bytes, _sdists, mutate_gzip),
    "sources": Reader(read_sources_bytes, lambda: [SOURCES], mutate_lines),
    "status": Reader(read_status_bytes, lambda: [STATUS], mutate_lines),
    "wheel": Reader(
        read_wheel_bytes, lambda: [wheel("hull_math", "1.0", *_REQUIRES)], mutate_bytes
    ),
}
