"""
What git revisions hold, and how they differ; objects are read, and nothing of a repository is run.

    Exception
    └── NoRevision
"""

from __future__ import annotations

import hashlib
import os
import posixpath
import re
import stat
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path, PurePosixPath

from robokit_plan.model import dataclass, limit_text

from ._git_folder import NoRepository, find_git_folder, read_refs
from ._git_objects import Entry, Listed, Objects, Refused, open_objects
from .files import passing_folder

MAX_BYTES = 200_000_000
"""Of one revision's folder; a robot's folder is a thousandth of it."""

WHOLE_BYTES = 16_000_000
"""Of one file; no reader takes more. Of a larger one the size is kept, and zeros in its place."""

_TEXT_BYTES = 8_000_000
"""Of a file whose line ends are looked at."""

_TEXT_START = 8000
"""git takes a file for text where these many bytes have no zero among them (gitattributes(5))."""

_POINTER = re.compile(rb"version \S+\noid sha256:([0-9a-f]{64})\nsize ([0-9]+)\n")
"""A large file kept elsewhere: what stands in its place in a commit, with its size and SHA-256."""


class NoRevision(Exception):  # noqa: N818  the name says what happened
    """git does not know the revision, or the folder is not in a repository; `why` says which."""

    def __init__(self, revision: str, why: str) -> None:
        super().__init__(revision, why)
        self.revision = revision
        self.why = why

    def __str__(self) -> str:
        return f"no git revision {self.revision}: {self.why}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Changes:
    """
    What differs between two sides of a repository.

    `paths` are files, from the top of the repository; `unseen` folders that are repositories of
    their own (submodules), into which nobody looks, so that anything in them may have changed.
    A submodule whose commit differs is in both.
    """

    paths: frozenset[PurePosixPath]
    unseen: frozenset[PurePosixPath]

    def touch(self, path: PurePosixPath) -> bool:
        """Whether *path*, a file or a folder, is not surely the same."""
        return any(one.is_relative_to(path) for one in self.paths) or self.hide(path)

    def hide(self, path: PurePosixPath) -> bool:
        """Whether *path* lies in a repository of its own."""
        return any(path.is_relative_to(one) for one in self.unseen)


@dataclass(frozen=True, kw_only=True, slots=True)
class RevisionFolder:
    """A folder as a revision has it: at `path`, without what its `submodules` hold."""

    path: Path
    submodules: tuple[PurePosixPath, ...]

    def lost_plugins(self, shelf: str) -> Iterator[PurePosixPath]:
        """Yield the submodules that hold plugins of *shelf*, or one."""
        wanted = PurePosixPath(posixpath.normpath(shelf))
        for one in self.submodules:
            if one.parent == wanted or wanted.is_relative_to(one):
                yield one


class Repository:
    """A repository that was opened by `open_repository`; `top` is its work tree."""

    def __init__(self, objects: Objects) -> None:
        self._objects = objects
        self._trees: dict[str, dict[str, Entry]] = {}
        self.top = objects.folder.top

    def commit(self, revision: str) -> str:
        """
        Return the hash of the commit that *revision* names, in any form of gitrevisions(7).

        Raises:
            NoRevision: It names none, or not one alone.
        """
        if not revision or len(revision) > 1000 or not revision.isprintable():
            raise NoRevision(revision, "that is no name of one")
        try:
            return self._objects.commit(revision)
        except Refused as error:
            raise NoRevision(revision, self._unknown(revision, str(error))) from None

    def _unknown(self, revision: str, words: str) -> str:
        if ".." in revision:
            return "that is a range; type the two revisions apart"
        if "is ambiguous" in words:
            return "several objects begin so; type more of the hash"
        if "refstorage" in words or "repository version" in words:
            return (
                "the git that is installed is too old for the form of its refs; reftable needs 2.45"
            )
        if "within a minute" in words:
            return words
        if "upstream" in words or "tracking" in words:
            return words.rpartition("fatal: ")[2]
        why = "no branch, tag or commit is called so"
        more = self._objects.why_missing()
        return f"{why}; {more}" if more else why

    def _tree(self, revision: str) -> dict[str, Entry]:
        commit = self.commit(revision)
        if commit not in self._trees:
            try:
                self._trees[commit] = self._objects.tree(commit)
            except Refused as error:
                raise self._missing(revision, error) from None
        return self._trees[commit]

    def _missing(self, revision: str, error: Refused) -> NoRevision:
        words = str(error).splitlines() or ["git ended without a word"]
        more = self._objects.why_missing()
        return NoRevision(revision, f"it is not here as a whole; {more}" if more else words[-1])

    def files_named(self, revision: str | None, name: str) -> tuple[str, ...]:
        """
        Return the files called *name*, from the top of the repository, sorted.

        Args:
            revision: As git names one; None: in the work tree, whether tracked or not.
            name: The last part of their paths.

        Raises:
            NoRevision: Unknown revision.
        """
        if revision is None:
            listed = (one.name for one in self._listed() if (self.top / one.name).is_file())
        else:
            tree = self._tree(revision)
            listed = (one for one, entry in tree.items() if not entry.is_submodule)
        return tuple(
            sorted({one for one in listed if _is_safe(one) and one.rpartition("/")[2] == name})
        )

    def changes(self, revision: str, new: str | None = None) -> Changes:
        """
        Return in what *revision* and *new* differ.

        None in place of *new* is the work tree, with what git does not track and does not ignore.
        No attribute of a file plays a part, nor whether it may be run. A file of the work tree is
        the same where it holds the same bytes; where both are text, line ends may differ, since git
        writes them as a machine likes them; where the revision holds a pointer to a large file,
        the one that it points to.

        Raises:
            NoRevision: Unknown revision.
        """
        old_tree = self._tree(revision)
        if new is None:
            return self._changes_here(revision, old_tree)
        new_tree = self._tree(new)
        names = old_tree.keys() | new_tree.keys()
        differ = {
            one for one in names if _told_apart(old_tree.get(one)) != _told_apart(new_tree.get(one))
        }
        apart = {one for one in names for tree in (old_tree, new_tree) if _is_sub(tree.get(one))}
        return Changes(paths=_paths(differ), unseen=_paths(differ & apart))

    def _changes_here(self, revision: str, tree: dict[str, Entry]) -> Changes:
        listed = self._listed()
        away = {one.name: one.hash for one in listed if one.tag == "S"}
        apart = {one.name.rstrip("/") for one in listed if one.name.endswith("/")}
        apart |= {one for one, entry in tree.items() if entry.is_submodule}
        names = {one for one in tree.keys() | {each.name for each in listed} if _is_safe(one)}
        disk = _Disk(self.top, sha256=self._objects.refs.is_sha256())
        differ, unsure = set[str](), dict[str, Entry]()
        for name in names:
            entry = tree.get(name)
            if not disk.has(name):
                # A sparse check-out leaves files out on purpose, and its index says which.
                if entry is not None and away.get(name) != entry.hash:
                    differ.add(name)
            elif entry is None:
                differ.add(name)
            elif entry.is_submodule:
                if _checked_out(self.top / name) not in {None, entry.hash}:
                    differ.add(name)
            elif not disk.same(name, entry):
                if disk.is_odd(name, entry):
                    differ.add(name)
                else:
                    unsure[name] = entry
        differ |= set(self._unlike(revision, disk, unsure))
        return Changes(paths=_paths(differ), unseen=_paths(apart))

    def _unlike(self, revision: str, disk: _Disk, unsure: dict[str, Entry]) -> Iterator[str]:
        """Yield those of *unsure*, which differ in bytes, that are not the same all the same."""
        try:
            sizes = self._objects.sizes({entry.hash for entry in unsure.values()})
            wanted = sorted(one for one, size in sizes.items() if size <= _TEXT_BYTES)
            by_hash: dict[str, list[str]] = {}
            for name, entry in unsure.items():
                by_hash.setdefault(entry.hash, []).append(name)
            for value in by_hash.keys() - set(wanted):
                yield from by_hash[value]
            for value, content in self._objects.contents(wanted):
                yield from (one for one in by_hash[value] if not disk.means(one, content))
        except Refused as error:
            raise self._missing(revision, error) from None

    def _listed(self) -> tuple[Listed, ...]:
        try:
            return self._objects.work_tree()
        except Refused as error:
            words = str(error).splitlines() or ["git ended without a word"]
            raise NoRevision("HEAD", f"the index cannot be read ({words[-1]})") from None

    @contextmanager
    def folder(self, revision: str, inside: str) -> Iterator[RevisionFolder]:
        """
        Give a temporary folder that holds *inside* as it was in *revision*.

        Args:
            revision: As git names one.
            inside: From the top of the repository; "" is the top.

        Raises:
            NoRevision: Unknown revision, the folder was not there yet or cannot be laid out here.
        """
        tree = self._tree(revision)
        start = f"{inside}/" if inside else ""
        for above in (inside, *map(str, PurePosixPath(inside).parents)):
            if _is_sub(tree.get(above)):
                raise NoRevision(revision, f"{above} is a submodule, which is not looked into")
        below = {one[len(start) :]: entry for one, entry in tree.items() if one.startswith(start)}
        if not below:
            raise NoRevision(revision, f"there was no folder {inside or '.'} yet")
        with passing_folder() as name:
            root = Path(name).resolve()
            try:
                self._lay(root, {one: entry for one, entry in below.items() if _is_safe(one)})
            except Refused as error:
                raise self._missing(revision, error) from None
            except (FileExistsError, NotADirectoryError, IsADirectoryError) as error:
                clash = os.path.relpath(error.filename or name, root)
                raise NoRevision(revision, f"two of its names are one file here: {clash}") from None
            subs = (PurePosixPath(one) for one, entry in below.items() if entry.is_submodule)
            yield RevisionFolder(path=root, submodules=tuple(sorted(subs)))

    def _lay(self, root: Path, below: dict[str, Entry]) -> None:
        files = {one: entry for one, entry in below.items() if not entry.is_submodule}
        sizes = self._objects.sizes({entry.hash for entry in files.values()})
        if missing := [one for one, entry in files.items() if entry.hash not in sizes]:
            raise Refused(f"{len(missing)} of its files are missing, {min(missing)} among them")
        whole = {one for one, size in sizes.items() if size <= WHOLE_BYTES}
        if sum(sizes[entry.hash] for entry in files.values() if entry.hash in whole) > MAX_BYTES:
            raise Refused(f"its folder is larger than {limit_text(MAX_BYTES)}")
        by_hash: dict[str, list[str]] = {}
        for one, entry in files.items():
            by_hash.setdefault(entry.hash, []).append(one)
        links: list[tuple[str, bytes]] = []
        for value, content in self._objects.contents(sorted(whole & by_hash.keys())):
            for one in by_hash[value]:
                if files[one].is_link:
                    links.append((one, content))
                else:
                    _write(root / one, content, runs=files[one].mode == "100755")
        for value in by_hash.keys() - whole:
            for one in by_hash[value]:
                _write(root / one, b"", runs=False)
                os.truncate(root / one, sizes[value])
        for one, entry in below.items():
            if entry.is_submodule:
                (root / one).mkdir(parents=True)
        for one, content in sorted(links):  # last, so that no file is written through one
            (root / one).parent.mkdir(parents=True, exist_ok=True)
            (root / one).symlink_to(_leading(one, os.fsdecode(content)))


_NOWHERE = "/dev/null/outside"
"""Where a link leads that led out: it is one still, and is told as one, but nothing is there."""


def _leading(name: str, target: str) -> str:
    there = posixpath.normpath(posixpath.join(posixpath.dirname(name), target))
    out = not target or "\0" in target or posixpath.isabs(target) or there.split("/")[0] == ".."
    return _NOWHERE if out else target


def _write(path: Path, content: bytes, *, runs: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    mode = 0o755 if runs else 0o644
    made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, mode)
    with os.fdopen(made, "wb") as file:
        file.write(content)


def _is_safe(name: str) -> bool:
    """Whether *name* stays below its top; a commit of a stranger may hold any."""
    parts = name.rstrip("/").split("/")
    return not any(one in {"", ".", ".."} or one.lower() == ".git" for one in parts)


def _is_sub(entry: Entry | None) -> bool:
    return entry is not None and entry.is_submodule


def _told_apart(entry: Entry | None) -> tuple[str, str] | None:
    """Return what two files must have in common: kind and content; whether it may run is not."""
    return None if entry is None else (entry.mode[:3], entry.hash)


def _paths(names: set[str]) -> frozenset[PurePosixPath]:
    return frozenset(PurePosixPath(one) for one in names if _is_safe(one))


def _checked_out(folder: Path) -> str | None:
    """Return the commit that a submodule stands at; None where it is not brought."""
    with suppress(NoRepository, OSError):
        found = find_git_folder(folder)
        if found.top == folder:
            return read_refs(found).head_hash()
    return None


class _Disk:
    """The ordinary files of a work tree and their hashes; no link to a folder is followed."""

    def __init__(self, top: Path, *, sha256: bool) -> None:
        self._top = os.fspath(top)
        self._algorithm = "sha256" if sha256 else "sha1"
        self._folders = {"": True}

    def _is_folder(self, name: str) -> bool:
        # From the nearest one that is known downward: a stranger's tree may be deep.
        unknown = []
        while name not in self._folders:
            unknown.append(name)
            name = name.rpartition("/")[0]
        found = self._folders[name]
        for one in reversed(unknown):
            found = found and stat.S_ISDIR(self._mode(one))
            self._folders[one] = found
        return found

    def _mode(self, name: str) -> int:
        try:
            return os.lstat(f"{self._top}/{name}").st_mode
        except (OSError, ValueError):
            return 0

    def has(self, name: str) -> bool:
        """Whether anything is called *name*."""
        name = name.rstrip("/")
        return self._is_folder(name.rpartition("/")[0]) and self._mode(name) != 0

    def is_odd(self, name: str, entry: Entry) -> bool:
        """Whether it is no ordinary file, or was none, so that its content need not be read."""
        return entry.is_link or not stat.S_ISREG(self._mode(name))

    def same(self, name: str, entry: Entry) -> bool:
        """Whether it holds the bytes of *entry*, or the same with other line ends."""
        path, mode = f"{self._top}/{name}", self._mode(name)
        try:
            if stat.S_ISLNK(mode):
                return (
                    entry.is_link and self._hash(os.fsencode(Path(path).readlink())) == entry.hash
                )
            if not stat.S_ISREG(mode):
                return False
            if self._hash_file(path) == entry.hash:  # a link too, where a system has none
                return True
        except OSError:
            return False
        text = self._text(name)
        return text is not None and self._hash(text) == entry.hash

    def means(self, name: str, content: bytes) -> bool:
        """Whether it is *content* with other line ends, or what *content* points to."""
        path = f"{self._top}/{name}"
        pointer = _POINTER.fullmatch(content)
        if pointer:
            with suppress(OSError):
                found = _digest(path, hashlib.sha256())
                return (found, Path(path).stat().st_size) == (pointer[1].decode(), int(pointer[2]))
            return False
        text = self._text(name)
        return text is not None and b"\0" not in content[:_TEXT_START] and text == _plain(content)

    def _text(self, name: str) -> bytes | None:
        """Return the text of a file with plain line ends; None where it is none."""
        content = _read(f"{self._top}/{name}")
        return None if content is None or b"\0" in content[:_TEXT_START] else _plain(content)

    def _hash(self, content: bytes) -> str:
        hashed = hashlib.new(self._algorithm, b"blob %d\0" % len(content), usedforsecurity=False)
        hashed.update(content)
        return hashed.hexdigest()

    def _hash_file(self, path: str) -> str:
        size = Path(path).stat().st_size
        return _digest(
            path, hashlib.new(self._algorithm, b"blob %d\0" % size, usedforsecurity=False)
        )


def _plain(content: bytes) -> bytes:
    return content.replace(b"\r\n", b"\n")


def _opened(path: str) -> int:
    """Return a descriptor of an ordinary file."""
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(path)
    return descriptor


def _read(path: str) -> bytes | None:
    with suppress(OSError), os.fdopen(_opened(path), "rb") as file:
        content = file.read(_TEXT_BYTES + 1)
        return content if len(content) <= _TEXT_BYTES else None
    return None


def _digest(path: str, hashed: hashlib._Hash) -> str:
    with os.fdopen(_opened(path), "rb") as file:
        while part := file.read(1 << 20):
            hashed.update(part)
    return hashed.hexdigest()


@contextmanager
def open_repository(folder: Path, asked: str = "HEAD") -> Iterator[Repository]:
    """
    Give the repository that *folder* lies in, to be *asked* about a revision.

    Raises:
        NoRevision: It lies in none, or in one that cannot be read.
        CannotWrite: No folder for passing files.
    """
    with ExitStack() as stack:
        try:
            objects = stack.enter_context(open_objects(find_git_folder(folder)))
        except (NoRepository, Refused) as error:
            raise NoRevision(asked, str(error)) from None
        except OSError as error:
            raise NoRevision(asked, (error.strerror or str(error)).lower()) from None
        yield Repository(objects)


def inside_of(folder: Path, top: Path) -> str:
    """Return *folder* from *top*, without links both; "" where they are the same."""
    inside = str(folder.relative_to(top))
    return "" if inside == "." else inside


def is_revision(folder: Path, text: str) -> bool:
    """Whether git knows *text* as a commit in the repository of *folder*."""
    try:
        with open_repository(folder) as repository:
            repository.commit(text)
    except NoRevision:
        return False
    return True
