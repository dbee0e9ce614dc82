"""
Whether files that an answer rests on are still what they were.

Light on purpose: a command that finds its answer kept imports this and little more.
"""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Iterable, Iterator, Mapping
from hashlib import sha256
from typing import NamedTuple

from .ordinary import read_bytes

_MOST = 256_000_000
"""Bytes of a file that is looked at; what a plan reads is smaller."""

_SECRET = re.compile(rb"(?<=//)[^/@\s]+@")
"""User and password in an address: they open an index and are no part of what it says."""
_ENVIRONMENT = re.compile(
    r"PIP_.*|APT_.*|ROBOKIT_PLAN_.*|XDG_.*|(?i:.*_proxy)|HOME|PATH|NETRC"
    r"|SSL_CERT_FILE|SSL_CERT_DIR|REQUESTS_CA_BUNDLE|CURL_CA_BUNDLE|PYTHONUTF8|PYTHONPATH"
)
"""Variables that decide which index is asked, which certificate is believed, which code runs."""
_NO_CODE = frozenset({"__pycache__", "node_modules"})
_MAX_DEPTH = 20
"""Deeper than any file of a plugin is looked for."""
_CLOCK_STEP_S = 0.02
"""A file system stamps with a clock that lags behind by a tick; 10 ms on the slowest kernels."""


class Watched(NamedTuple):
    """
    One thing that an answer rests on.

    `kind`: ``bytes`` of a file, ``plain`` the same without addresses' credentials, ``names`` in
    a folder, ``stamp`` of a file or folder (size, time, identity), ``tree`` of stamps below a
    folder, ``code`` the same of YAML and Python files and of folders' names, ``real`` path alone.
    """

    kind: str
    path: str


class FilesState(NamedTuple):
    """`digest`: SHA-256 over all that was looked at; `changed`: when any of it last changed."""

    digest: str
    changed: float

    def held_since(self, start: float) -> bool:
        """Whether nothing changed after *start*, so that a run since then read just this."""
        return self.changed < start - _CLOCK_STEP_S


Looked = dict[str, list[tuple[str, FilesState]]]
"""Folder of code -> each folder in it and itself, with its state without those below it."""


def files_state(watched: Iterable[Watched], looked: Looked | None = None) -> FilesState:
    """
    Return the state of *watched*, which may be missing or unreadable: that is a state too.

    What code is looked at goes into *looked*. What is there already is not looked through again:
    the state is what it was then, and it counts as changed when a folder was since. A file that
    was written since will have another state next time, and only one that came and went leaves
    no trace but in its folder.
    """
    look = _Look(looked)
    for one in watched:
        look.at(one)
    return FilesState(look.total.hexdigest(), look.changed)


def environment_state(environ: Mapping[str, str]) -> str:
    """Return a SHA-256 over the variables that a plan may depend on."""
    total = sha256()
    for name in sorted(environ):
        if _ENVIRONMENT.fullmatch(name):
            value = _SECRET.sub(b"", os.fsencode(environ[name]))
            total.update(os.fsencode(name) + b"\0" + sha256(value).digest())
    return total.hexdigest()


def tool_state(files: FilesState, environ: Mapping[str, str]) -> list[str]:
    """Return what stands for this tool, whose *files* are these, and for its surroundings."""
    return [sys.version, files.digest, environment_state(environ)]


def tool_files() -> tuple[Watched, ...]:
    """Return what this tool consists of: its code and data, and what else is installed."""
    package = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))  # noqa: PTH100,PTH120  pathlib costs more than all of this
    beside = os.path.join(os.path.dirname(package), "schemas")  # noqa: PTH118,PTH120
    installed = [one for one in sys.path if one.endswith(("site-packages", "dist-packages"))]
    return (
        Watched("tree", package),
        Watched("tree", beside),
        Watched("stamp", sys.executable),
        *(Watched("stamp", one) for one in installed),
    )


class _Look:
    """Goes over things one by one, adding each to a digest."""

    def __init__(self, looked: Looked | None = None) -> None:
        self.total = sha256()
        self.changed = 0.0
        self._looked = {} if looked is None else looked

    def at(self, one: Watched) -> None:
        self._add(one.kind, one.path)
        try:
            match one.kind:
                case "bytes":
                    self._bytes(one.path, plain=False)
                case "plain":
                    self._bytes(one.path, plain=True)
                case "names":
                    self._real(one.path)
                    self._add(*sorted(os.listdir(one.path)))  # noqa: PTH208
                    self._see(os.stat(one.path))  # noqa: PTH116
                case "tree":
                    for path, found in sorted(_tree(one.path), key=_first):
                        self._stamp(path, found)
                case "code":
                    self._real(one.path)
                    known = self._looked.get(one.path)
                    rows = list(_code(one.path)) if known is None else known
                    for folder, state in rows:
                        self._add(state.digest)
                        self.changed = max(self.changed, state.changed)
                        if known is not None:
                            self._see(os.stat(folder))  # noqa: PTH116
                    self._looked[one.path] = rows
                case "real":
                    self._real(one.path)
                case _:
                    self._stamp("", os.stat(one.path))  # noqa: PTH116
        except (OSError, ValueError) as error:
            self._add(type(error).__name__)
            self._see_folder(one.path)

    def _bytes(self, path: str, *, plain: bool) -> None:
        self._real(path)
        found = os.stat(path)  # noqa: PTH116
        self._see(found)
        self._see_folder(path)
        if not stat.S_ISREG(found.st_mode):
            self._add("no file")
            return
        content = read_bytes(path, _MOST)
        self.total.update(sha256(_SECRET.sub(b"", content) if plain else content).digest())

    def folder(self, path: str) -> list[str]:
        """Look at what a plugin is made of in one folder; return the folders in it."""
        self._see(os.stat(path))  # noqa: PTH116  a file may have left it
        with os.scandir(path) as found:
            entries = sorted(found, key=_name_of)
        # No name holds a zero byte, so no two folders give the same words.
        words = [path]
        inside = []
        for entry in entries:
            name = entry.name
            if name.startswith(".") or name in _NO_CODE:
                continue
            linked = entry.is_symlink()
            if not linked and entry.is_dir():
                inside.append(entry.path)
            elif linked or name.endswith((".py", ".yaml")):
                words.append(name)
                if linked:
                    words.append(os.path.realpath(entry.path))
                words.append(self._stamped(entry))
        self.total.update(os.fsencode("\0".join(words)))
        return inside

    def _stamped(self, entry: os.DirEntry[str]) -> str:
        try:
            found = entry.stat()
        except OSError:
            return "unreadable"
        self._see(found)
        # Size and time of change can be set back by whoever writes; the kernel's own time cannot.
        return f"{found.st_ctime_ns} {found.st_size} {found.st_mtime_ns} {found.st_ino}"

    def _real(self, path: str) -> None:
        self._add(os.path.realpath(path))

    def _stamp(self, path: str, found: os.stat_result | None) -> None:
        if found is None:
            self._add(path, "unreadable")
            return
        self._add(path, str(found.st_size), str(found.st_mtime_ns), str(found.st_ino))
        self._see(found)

    def _see(self, found: os.stat_result) -> None:
        self.changed = max(self.changed, found.st_ctime)

    def _see_folder(self, path: str) -> None:
        """Take note of when the folder of *path* last changed: a file may have left it."""
        above = path
        while (parent := os.path.dirname(above)) != above:  # noqa: PTH120
            above = parent
            try:
                self._see(os.stat(above or "."))  # noqa: PTH116
            except OSError:
                continue
            return

    def _add(self, *words: str) -> None:
        for word in words:
            raw = os.fsencode(word)
            self.total.update(b"%d:%b" % (len(raw), raw))


def _code(top: str) -> Iterator[tuple[str, FilesState]]:
    """Yield each folder of a library of plugins; a thousand files are too many to read."""
    folders = [(top, 0)]
    while folders:
        folder, depth = folders.pop()
        look = _Look()
        inside = look.folder(folder)
        yield folder, FilesState(look.total.hexdigest(), look.changed)
        if depth < _MAX_DEPTH:
            folders += [(one, depth + 1) for one in inside]


def _tree(folder: str) -> Iterator[tuple[str, os.stat_result | None]]:
    """Yield path and stamp of every file below *folder*; compiled code is left out."""
    folders = [folder]
    while folders:
        here = folders.pop()
        try:
            with os.scandir(here) as entries:
                found = list(entries)
        except OSError:
            if here == folder:
                raise
            yield here, None
            continue
        for entry in found:
            try:
                if not entry.is_dir(follow_symlinks=False):
                    yield entry.path, entry.stat()
                elif entry.name != "__pycache__":
                    folders.append(entry.path)
            except OSError:
                yield entry.path, None


def _name_of(entry: os.DirEntry[str]) -> str:
    return entry.name


def _first(row: tuple[str, os.stat_result | None]) -> str:
    return row[0]
