"""
Files of the user: found inside a folder, read whole, written so that a power cut leaves one whole.

    Exception
    └── CannotWrite
"""

from __future__ import annotations

import fcntl
import os
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.formats.tree import MAX_BYTES, decoded
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Origin

from . import ordinary
from .interruption import uninterrupted

if TYPE_CHECKING:
    import tempfile


class CannotWrite(Exception):  # noqa: N818  the name says what happened
    """A file could not be written (exit status 3); what stood there before still stands."""

    def __init__(self, path: Path, why: str, repair: str = "") -> None:
        self.path = path
        self.why = why
        self.repair = repair
        super().__init__(path, why, repair)

    def __str__(self) -> str:
        text = f"{self.path} cannot be written: {self.why}"
        return f"{text} ({self.repair})" if self.repair else text


def read_text(path: Path | str, name: str) -> str:
    """
    Return the text of *path*, called *name* in messages.

    Raises:
        UnreadableFile: Missing, not an ordinary file, too large, binary, or not UTF-8.
    """
    try:
        content = ordinary.read_up_to(path, MAX_BYTES + 1)
    except ordinary.NotOrdinary as error:
        raise UnreadableFile.at(
            Origin(file=name), error.strerror or "it is no file", f"put a text file at {name}"
        ) from None
    except FileNotFoundError:
        raise UnreadableFile.at(
            Origin(file=name), "there is no such file", f"create {name}"
        ) from None
    except PermissionError:
        raise UnreadableFile.at(
            Origin(file=name), "its permissions forbid reading", f"chmod u+r {name}"
        ) from None
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or str(error)
        raise UnreadableFile.at(Origin(file=name), words.lower()) from None
    return decoded(content, name)


def find_inside(root: Path, relative: str) -> Path | None:
    """
    Return *relative* below *root*; None where it is absolute, climbs out, or links out.

    The path need not exist.
    """
    if not relative or "\0" in relative or relative.startswith(("/", "~")):
        return None
    if ".." in relative.replace("\\", "/").split("/"):
        return None
    path = root / relative
    return path if is_inside(root, path) else None


def is_inside(root: Path, path: Path) -> bool:
    """Whether *path*, with every link followed, lies below *root*."""
    try:
        return path.resolve().is_relative_to(root.resolve())
    except (OSError, RuntimeError):
        return False


def write_atomically(path: Path, text: str, mode: int | None = None) -> None:
    """
    Put *text* at *path*, or leave what is there: never half a file.

    The bytes are on the disk before the name changes to them. The mode of a file that is
    replaced stays; *mode* overrides it. A link is followed only to a file in the same folder.

    Raises:
        CannotWrite: Full disk, no permission, a folder or a link that leads away.
    """
    import tempfile  # most commands only read

    target = _target(path)
    try:
        held = stat.S_IMODE(target.stat().st_mode) if target.exists() else None
    except OSError as error:
        raise _cannot(path, error) from None
    temporary: str | None = None
    try:
        descriptor, temporary = tempfile.mkstemp(
            dir=target.parent, prefix=f".{target.name}.", suffix=".new"
        )
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(text.encode("utf-8"))
            stream.flush()
            os.fchmod(stream.fileno(), _mode(held, mode))
            os.fsync(stream.fileno())
        Path(temporary).replace(target)
        temporary = None
        _sync_folder(target.parent)
    except OSError as error:
        raise _cannot(path, error) from None
    finally:
        if temporary is not None:
            with suppress(OSError):
                Path(temporary).unlink()


def write_folder(folder: Path, files: Mapping[str, str]) -> None:
    """
    Make *folder* with *files*, path below it -> text; or leave nothing under its name.

    Raises:
        CannotWrite: Full disk, no permission, or something has that name.
    """
    import shutil
    import tempfile

    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}.", suffix=".new")
    except OSError as error:
        raise _cannot(folder, error) from None
    new = Path(made)
    try:
        new.chmod(0o777 & ~_mask())
        for name, text in files.items():
            path = new / name
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomically(path, text)
        new.rename(folder)
    except OSError as error:
        raise _cannot(folder, error) from None
    except CannotWrite as error:
        raise CannotWrite(folder, error.why, error.repair) from None
    finally:
        shutil.rmtree(new, ignore_errors=True)
    _sync_folder(folder.parent)


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """
    Keep other commands that hold *folder* waiting; nothing is left behind.

    Where the file system knows no locks, or the folder cannot be opened, nobody waits.
    """
    try:
        descriptor = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    except OSError:
        with uninterrupted():
            yield
        return
    try:
        with suppress(OSError):
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        # Two files change together: not one of them alone.
        with uninterrupted():
            yield
    finally:
        os.close(descriptor)


def check_unchanged(path: Path, text: str) -> None:
    """
    Refuse to go on where *path* no longer holds *text*, which was read earlier.

    Raises:
        CannotWrite: Somebody else wrote there meanwhile.
        UnreadableFile: As `read_text`.
    """
    if read_text(path, path.name) != text:
        raise CannotWrite(
            path, "it was changed while this command ran", "type the same command again"
        )


def passing_folder() -> tempfile.TemporaryDirectory[str]:
    """
    Return a fresh folder for what is needed only while something is read.

    Raises:
        CannotWrite: None of the usual places takes a file.
    """
    import tempfile

    try:
        return tempfile.TemporaryDirectory(prefix="robokit-plan-")
    except OSError:
        # The library tries several places, and its error names them all but no cause.
        place = Path(os.environ.get("TMPDIR") or "/tmp")  # noqa: S108  named, not written to
        raise CannotWrite(
            place,
            "no folder for passing files takes one; its disk is full, or may only be read",
            "type TMPDIR=FOLDER before the same command",
        ) from None


def backup(path: Path) -> Path:
    """
    Keep what stands at *path* beside it as ``NAME.before``, and return that path.

    Raises:
        CannotWrite: It cannot be read or the copy cannot be written.
    """
    copy = path.with_name(path.name + ".before")
    try:
        content = ordinary.read_bytes(path, MAX_BYTES).decode("utf-8")
        held = stat.S_IMODE(path.stat().st_mode)
    except (OSError, UnicodeDecodeError) as error:
        raise CannotWrite(copy, f"{path.name} cannot be read: {error}") from None
    write_atomically(copy, content, held)
    return copy


def _target(path: Path) -> Path:
    if path.is_symlink():
        target = path.resolve()
        if target.parent != path.parent.resolve():
            raise CannotWrite(
                path, f"it is a link that leads out of its folder, to {target}", f"rm {path}"
            )
        return target
    if path.is_dir():
        raise CannotWrite(path, "a folder has that name")
    return path


def _mode(held: int | None, asked: int | None) -> int:
    if asked is not None:
        return asked
    if held is not None:
        return held
    return 0o666 & ~_mask()


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _sync_folder(folder: Path) -> None:
    # Some file systems refuse to sync a folder; the file itself is safe by then.
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _cannot(path: Path, error: OSError) -> CannotWrite:
    why = (error.strerror or str(error)).lower()
    folder = path.parent
    if isinstance(error, FileNotFoundError):
        return CannotWrite(path, f"the folder {folder} does not exist", f"mkdir -p {folder}")
    if isinstance(error, PermissionError):
        return CannotWrite(path, why, f"chmod u+w {folder}")
    return CannotWrite(path, why)
