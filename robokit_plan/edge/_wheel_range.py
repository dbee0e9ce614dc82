"""
Metadata of a wheel without downloading it: its end, read by HTTP range.

A wheel is a ZIP archive whose directory stands at the end, and build back ends write
``*.dist-info`` last, so 64 KiB mostly hold both.

Source:
    "Binary distribution format" (PEP 427), RFC 9110 section 14 (range requests).
"""

from __future__ import annotations

import hashlib
import io
import lzma
import re
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterable
from typing import IO, NamedTuple, cast

from robokit_plan.model import DistributionMetadata, DistributionName, IndexFile, replace

from ._index_errors import HashMismatch, IndexTrouble, IndexUnreachable
from ._metadata import MAX_BYTES, MetadataUnusable, parse_metadata, unknown
from ._pip_config import normal_name
from ._transport import Client, Reply, TooLarge

_TAIL = 1 << 16
_MAX_RANGES = 24
_MAX_DIRECTORY = 24_000_000
"""Bytes read by range of one wheel; the greatest real directories need under 5 MB."""
_MAX_WHOLE = 400_000_000
"""A wheel is downloaded whole, to a temporary file, where the server knows no ranges."""
_IN_MEMORY = 1 << 20
BROKEN_ZIP = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    KeyError,
    IndexError,
    ValueError,
    OverflowError,
    RuntimeError,  # encrypted members; NotImplementedError: unknown compression
    OSError,
)


class FileGone(Exception):  # noqa: N818  a state of the index
    """The index lists a file but does not have it."""


class WheelContents(NamedTuple):
    """
    What the directory of a wheel tells: top-level import names and bytes when unpacked.

    `owned`: names whose own file it holds, ``NAME.py``, an extension or ``NAME/__init__.*``.
    """

    modules: tuple[str, ...]
    owned: tuple[str, ...]
    installed_size: int


def wheel_metadata(client: Client, file: IndexFile) -> DistributionMetadata:
    """
    Return core metadata, import names and installed size of the wheel *file*.

    Trouble with this one file is no exception: `requires_dist` is None and `reason` says why.

    Raises:
        IndexUnreachable: As `Client.ask`.
        HashMismatch: All of it was read, and it is not the file that the index lists.
        FileGone: The index lists it but does not have it.
    """
    name, version = normal_name(file.filename.partition("-")[0]), ""
    try:
        name, version = wheel_name(file.filename)
        with _opened(client, file) as source, zipfile.ZipFile(source) as archive:
            return _read(archive, name, version)
    except MetadataUnusable as error:
        reason, invalid = str(error), True
    except TooLarge:
        reason, invalid = "its index sends no part of a file, and the file is large", False
    except BROKEN_ZIP:
        reason, invalid = "it is not a valid wheel", True
    return unknown(name, version, reason, "wheel", invalid=invalid)


def advertised_metadata(client: Client, file: IndexFile) -> DistributionMetadata | None:
    """
    Return what the file beside the wheel says (PEP 658), None where there is none after all.

    Raises:
        IndexUnreachable: As `Client.ask`.
        HashMismatch: Its hash is not the one on the page.
    """
    name, version = wheel_name(file.filename)
    what = f"the metadata of {file.filename}"
    try:
        status, body = client.ask(
            f"{file.url}.metadata",
            lambda reply: (reply.status, reply.body(MAX_BYTES) if reply.status == 200 else b""),
            index=file.index,
            what=what,
        )
    except TooLarge:
        return unknown(name, version, "its metadata is too large", "wheel")
    if status != 200:
        return None
    if file.metadata_sha256:
        check_hash(hashlib.sha256(body).hexdigest(), file.metadata_sha256, file.index, what)
    try:
        return parse_metadata(body, name=name, version=version)
    except MetadataUnusable as error:
        return unknown(name, version, str(error), "wheel", invalid=True)


def wheel_name(filename: str) -> tuple[DistributionName, str]:
    """
    Return project and version that a wheel's name promises.

    Raises:
        MetadataUnusable: It is not the name of a wheel.
    """
    from packaging.utils import InvalidWheelFilename, parse_wheel_filename

    try:
        name, version, _, _ = parse_wheel_filename(filename)
    except InvalidWheelFilename:
        raise MetadataUnusable("its file name is not that of a wheel") from None
    return DistributionName(name), str(version)


def check_hash(found: str, promised: str, index: str, what: str) -> None:
    """Refuse bytes that are not those whose SHA-256 the index lists."""
    if found != promised:
        raise HashMismatch(
            f"the Python index {index} sent something else than {what}",
            index=index,
            why="its SHA-256 is not the one on the index's own page:"
            " it was damaged on the way, or replaced",
            repair=("type the same command again; if it stays so, do not install it",),
        )


def check_status(status: int, index: str, what: str) -> None:
    """Refuse a status other than success with the exception that fits."""
    if status in {404, 410}:
        raise FileGone
    if status not in {200, 206}:
        raise refusal(status, index, what)


def refusal(status: int, index: str, what: str) -> IndexUnreachable:
    """Return the exception for a status that says no."""
    repair: tuple[str, ...] = ()
    why = f"it answers {status}"
    if status in {401, 403, 407}:
        why += ", it wants another user or password"
        repair = ("machine HOST login USER password PASSWORD  (a line of ~/.netrc)",)
    return IndexUnreachable(
        f"the Python index {index} did not give {what}", index=index, why=why, repair=repair
    )


def downloaded(client: Client, file: IndexFile, limit: int) -> IO[bytes]:
    """
    Return the whole *file*, checked against the hash that the index lists, at its beginning.

    Raises:
        TooLarge, FileGone, HashMismatch, IndexUnreachable: As above.
    """
    what = f"the file {file.filename}"

    def use(reply: Reply) -> IO[bytes]:
        check_status(reply.status, file.index, what)
        return _saved(reply.chunks(limit), file)

    return client.ask(file.url, use, index=file.index, what=what, as_stored=True)


def _saved(chunks: Iterable[bytes], file: IndexFile) -> IO[bytes]:
    """Return a temporary file (small ones stay in memory) that holds *chunks*."""
    digest = hashlib.sha256()
    held = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115  the caller closes it
    try:
        for chunk in chunks:
            digest.update(chunk)
            _write(held, chunk, file)
        if file.sha256:
            check_hash(digest.hexdigest(), file.sha256, file.index, f"the file {file.filename}")
    except BaseException:
        held.close()
        raise
    held.seek(0)
    return held


def _write(held: IO[bytes], chunk: bytes, file: IndexFile) -> None:
    try:
        held.write(chunk)
    except OSError as error:
        raise IndexTrouble(
            f"the file {file.filename} could not be kept for reading",
            index=file.index,
            why=f"this machine's own disk says: {(error.strerror or 'error').lower()}",
            repair=("TMPDIR=FOLDER-WITH-SPACE before the same command",),
        ) from None


def _opened(client: Client, file: IndexFile) -> IO[bytes]:
    """Return the wheel as a file that fetches what is read of it."""
    if file.size is None:
        span = f"bytes=-{_TAIL}"
    else:
        span = f"bytes={max(0, file.size - _TAIL)}-{max(0, file.size - 1)}"
    what = f"the end of {file.filename}"

    def use(reply: Reply) -> IO[bytes] | None:
        if reply.status == 200:
            # The server knows no ranges, and the file is on its way already.
            return _saved(reply.chunks(_MAX_WHOLE), file)
        if reply.status == 206:
            found = _content_range(reply.headers.get("content-range", ""))
            if found is None or found[1] + 1 != found[2]:
                return None
            start, _, size = found
            tail = reply.body(_TAIL)
            if len(tail) != size - start:
                return None
            if start == 0 and file.sha256:
                check_hash(
                    hashlib.sha256(tail).hexdigest(),
                    file.sha256,
                    file.index,
                    f"the file {file.filename}",
                )
            return cast("IO[bytes]", _Ranges(client, file, tail, size))
        if reply.status in {400, 405, 416, 501}:
            return None
        check_status(reply.status, file.index, what)
        return None

    headers = {"Range": span}
    opened = client.ask(file.url, use, index=file.index, what=what, headers=headers, as_stored=True)
    return opened if opened is not None else downloaded(client, file, _MAX_WHOLE)


def _content_range(text: str) -> tuple[int, int, int] | None:
    """Return first byte, last byte and size of ``bytes 7-9/10``; None where it is not that."""
    found = re.fullmatch(r"bytes\s+(\d{1,15})-(\d{1,15})/(\d{1,15})", text.strip(), re.ASCII)
    if found is None:
        return None
    first, last, size = (int(one) for one in found.groups())
    return (first, last, size) if first <= last < size else None


class _Ranges(io.RawIOBase):
    """
    A remote file of which the end is known; the rest is fetched as it is read.

    What is fetched next to the known end is added to it, since the directory of a wheel ends there.
    """

    def __init__(self, client: Client, file: IndexFile, tail: bytes, size: int) -> None:
        super().__init__()
        self._client = client
        self._file = file
        self._tail = tail
        self._size = size
        self._piece = (0, b"")
        self._at = 0
        self._ranges = 0
        self._held = len(tail)

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence]
        if base + offset < 0:
            raise OSError("seek before the start")
        self._at = base + offset
        return self._at

    def read(self, size: int | None = -1) -> bytes:
        stop = self._size if size is None or size < 0 else min(self._size, self._at + size)
        if stop <= self._at:
            return b""
        found = self._between(self._at, stop)
        self._at = stop
        return found

    def _between(self, start: int, stop: int) -> bytes:
        known = self._size - len(self._tail)
        if start < known <= stop:
            # The directory; metadata mostly stands just before it, so that comes along.
            ahead = max(0, start - _TAIL)
            self._tail = self._fetched(ahead, known) + self._tail
            known = ahead
        if start >= known:
            return self._tail[start - known : stop - known]
        at, piece = self._piece
        if not at <= start <= stop <= at + len(piece):
            # A member away from the end: its header, name and data mostly fit in one piece.
            at, piece = start, self._fetched(start, min(known, max(stop, start + _TAIL)))
            self._piece = at, piece
        return piece[start - at : stop - at]

    def _fetched(self, start: int, stop: int) -> bytes:
        self._ranges += 1
        self._held += stop - start
        if self._ranges > _MAX_RANGES or self._held > _MAX_DIRECTORY:
            raise zipfile.BadZipFile("a wheel whose directory has no end")

        def use(reply: Reply) -> bytes | None:
            span = _content_range(reply.headers.get("content-range", ""))
            if reply.status == 206 and span == (start, stop - 1, self._size):
                body = reply.body(stop - start)
                return body if len(body) == stop - start else None
            check_status(reply.status, self._file.index, what)
            return None

        what = f"a part of {self._file.filename}"
        body = self._client.ask(
            self._file.url,
            use,
            index=self._file.index,
            what=what,
            headers={"Range": f"bytes={start}-{stop - 1}"},
            as_stored=True,
        )
        if body is None:
            raise zipfile.BadZipFile("a server that changes its mind about ranges")
        return body


def _read(archive: zipfile.ZipFile, name: DistributionName, version: str) -> DistributionMetadata:
    wanted = [
        one
        for one in archive.infolist()
        if one.filename.count("/") == 1
        and one.filename.endswith(".dist-info/METADATA")
        and normal_name(one.filename.partition("-")[0]) == name
    ]
    if len(wanted) != 1:
        raise MetadataUnusable(
            f"it holds {'no' if not wanted else 'more than one'} metadata of {name}"
        )
    if wanted[0].file_size > MAX_BYTES:
        raise MetadataUnusable("its metadata is too large")
    with archive.open(wanted[0]) as member:
        text = member.read(MAX_BYTES)
    found = parse_metadata(text, name=name, version=version)
    contents = wheel_contents(archive.infolist())
    return replace(found, **contents._asdict())


def wheel_contents(members: Iterable[zipfile.ZipInfo]) -> WheelContents:
    """Return what *members* put into site-packages."""
    modules = set()
    owned = set()
    size = 0
    for member in members:
        size += member.file_size
        first, *rest = member.filename.split("/")
        if first.endswith(".dist-info"):
            continue
        if first.endswith(".data"):
            if len(rest) < 2 or rest[0] not in {"purelib", "platlib"}:
                continue
            first, *rest = rest[1:]
        last = rest[-1] if rest else first
        if last.endswith((".py", ".so", ".pyd")):
            module = first if rest else first.partition(".")[0]
            if module.isidentifier():
                modules.add(module)
                if not rest or (len(rest) == 1 and last.partition(".")[0] == "__init__"):
                    owned.add(module)
    return WheelContents(tuple(sorted(modules)), tuple(sorted(owned)), size)
