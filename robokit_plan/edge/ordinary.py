"""
The one door by which files are read: ordinary files alone, looked at once they are open.

A pipe, device, socket or folder in place of a file is refused and never waited for, whatever
stood there a moment before; a file that never ends is given up at a bound. Light on purpose, as
every command passes here.

    OSError
    ├── NotOrdinary
    └── TooLong
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import IO

_FLAGS = os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC


_KINDS = {stat.S_IFIFO: "pipe", stat.S_IFSOCK: "socket"}


class NotOrdinary(OSError):  # noqa: N818  the name says what happened
    """It is a pipe, a device, a socket or a folder; `strerror` says which."""


class TooLong(OSError):  # noqa: N818  likewise
    """It has more bytes than its reader takes; `strerror` says how many those are."""


def descriptor(path: Path | str, *, follow: bool = True) -> int:
    """
    Return a descriptor of the ordinary file at *path*, open for reading.

    Args:
        follow: Whether *path* may be a link.

    Raises:
        NotOrdinary: It is none, before or after it was opened.
        OSError: As open(2).
    """
    if "\0" in str(path):
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))
    # Opening a device may already do something to it.
    _check(os.stat(path, follow_symlinks=follow), path)  # noqa: PTH116  a library has thousands
    opened_as = os.open(path, _FLAGS | (0 if follow else os.O_NOFOLLOW))
    try:
        _check(os.fstat(opened_as), path)
    except BaseException:
        os.close(opened_as)
        raise
    return opened_as


def opened(path: Path | str, *, follow: bool = True) -> IO[bytes]:
    """Return the ordinary file at *path*, open for reading; raise as `descriptor`."""
    return os.fdopen(descriptor(path, follow=follow), "rb")


def read_bytes(path: Path | str, most: int, *, follow: bool = True) -> bytes:
    """
    Return what the ordinary file at *path* holds.

    Raises:
        TooLong: That is more than *most* bytes, as it is read.
        NotOrdinary, OSError: As `descriptor`.
    """
    here = descriptor(path, follow=follow)
    try:
        if os.fstat(here).st_size > most:
            raise _too_long(path, most)
        content = _up_to(here, most + 1)
    finally:
        os.close(here)
    if len(content) > most:
        raise _too_long(path, most)
    return content


def read_up_to(path: Path | str, most: int) -> bytes:
    """Return the first *most* bytes of the ordinary file at *path*; raise as `descriptor`."""
    here = descriptor(path)
    try:
        return _up_to(here, most)
    finally:
        os.close(here)


def sha256_of(path: Path | str) -> str:
    """Return the SHA-256 of the ordinary file at *path*, in hex; raise as `descriptor`."""
    from hashlib import sha256

    digest = sha256()
    with opened(path) as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _up_to(here: int, most: int) -> bytes:
    expected = os.fstat(here).st_size
    # One byte more, since it may have grown, or its file system knows no sizes.
    content = os.read(here, min(expected + 1, most))
    if len(content) == expected:
        return content
    pieces, held = [content], len(content)
    while held < most and (piece := os.read(here, min(1 << 20, most - held))):
        pieces.append(piece)
        held += len(piece)
    return b"".join(pieces)


def read_text(path: Path | str, most: int, *, errors: str = "strict") -> str:
    """Return the UTF-8 text of the ordinary file at *path*, its line breaks as LF; as above."""
    text = read_bytes(path, most).decode("utf-8", errors)
    return text.replace("\r\n", "\n").replace("\r", "\n")


def check_ordinary(path: Path | str) -> None:
    """
    Refuse what a library is about to open by its name and that is there and no ordinary file.

    Raises:
        NotOrdinary: It is none.
    """
    try:
        found = os.stat(path)  # noqa: PTH116  likewise
    except OSError:
        return
    _check(found, path)


def named_by_descriptor(file: IO[bytes], path: Path | str) -> str:
    """
    Return a name by which a library opens just the *file* that was looked at.

    Where the system has no such names, it is *path*.
    """
    name = f"/dev/fd/{file.fileno()}"
    return name if os.path.exists(name) else str(path)  # noqa: PTH110  light


def names_in(folder: Path | str) -> list[str]:
    """Return the names in *folder*, sorted; raise `OSError` where it is none."""
    return sorted(os.listdir(folder))  # noqa: PTH208  light


def _check(found: os.stat_result, path: Path | str) -> None:
    if stat.S_ISREG(found.st_mode):
        return
    if stat.S_ISDIR(found.st_mode):
        raise NotOrdinary(errno.EISDIR, "it is a folder", str(path))
    if stat.S_ISLNK(found.st_mode):
        raise NotOrdinary(errno.ELOOP, "it is a link", str(path))
    kind = _KINDS.get(stat.S_IFMT(found.st_mode), "device")
    raise NotOrdinary(errno.EINVAL, f"it is a {kind}", str(path))


def _too_long(path: Path | str, most: int) -> TooLong:
    size = f"{most // 1_000_000} MB" if most >= 1_000_000 else f"{most} bytes"
    return TooLong(errno.EFBIG, f"it is larger than {size}", str(path))
