"""
A repository's own files as data: where they lie, and what its branches and tags name.

git is not started here and no setting is read. Source: gitrepository-layout(5) of git 2.39.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path

from robokit_plan.model import dataclass

MAX_REFS_BYTES = 64_000_000
"""Of packed-refs: half a million branches and tags."""

_SMALL = 4096
"""Of a file that holds one name or one path."""

_SYMREF_DEPTH = 5
"""As git follows a name that stands for a name."""

_HASH = re.compile(r"[0-9a-f]{40}(?:[0-9a-f]{24})?")
_NAME = re.compile(r"refs(?:/(?!\.)[^\x00-\x20\x7f~^:?*\[\\/]+)+")
_OWN_TO_A_WORK_TREE = ("refs/bisect/", "refs/worktree/", "refs/rewritten/")


class NoRepository(Exception):  # noqa: N818  the name says what happened
    """No repository that can be read; the argument says why, in a builder's words."""


@dataclass(frozen=True, kw_only=True, slots=True)
class GitFolder:
    """
    The folders of one repository.

    `top` is the work tree, `own` what belongs to this work tree alone (HEAD, index), `common`
    what all of its work trees share (objects, branches). All are absolute, without links.
    """

    top: Path
    own: Path
    common: Path


def find_git_folder(folder: Path) -> GitFolder:
    """
    Return the repository that *folder* lies in: the nearest ``.git`` from there upward.

    A ``.git`` file is followed where the other end knows of it: a work tree that was added to a
    repository, or a submodule inside its repository. The work tree is where ``.git`` is, whatever
    core.worktree says, and who owns the folder does not matter, since nothing of it is run.

    Raises:
        NoRepository: None, a bare one, or one that lies elsewhere.
    """
    here = folder.resolve()
    bare: Path | None = None
    for above in (here, *here.parents):
        entry = above / ".git"
        if entry.is_symlink():
            raise NoRepository(f"{entry} is a link, which is not followed")
        if entry.is_dir() and _is_git_folder(entry, entry):
            return GitFolder(top=above, own=entry, common=entry)
        if entry.is_file():
            return _elsewhere(above, entry)
        if bare is None and _is_git_folder(above, above):
            bare = above
    if bare is not None:
        raise NoRepository(
            f"{bare} is a bare repository, without a folder to work in; git clone it first"
        )
    raise NoRepository(f"{folder} lies in no git repository")


def _is_git_folder(own: Path, common: Path) -> bool:
    return (own / "HEAD").is_file() and all(
        (common / one).is_dir() and not (common / one).is_symlink() for one in ("objects", "refs")
    )


def _elsewhere(top: Path, entry: Path) -> GitFolder:
    """Return what the file *entry* leads to (gitrepository-layout(5), "gitfile")."""
    words = small_text(entry)
    if words is None or not words.startswith("gitdir: "):
        raise NoRepository(f"{entry} is a file that names no repository")
    own = (top / words[len("gitdir: ") :].rstrip("\r\n")).resolve()
    shared = small_text(own / "commondir")
    if shared is not None:
        common = (own / shared.rstrip("\r\n")).resolve()
        back = small_text(own / "gitdir") or ""
        known = (own / back.rstrip("\r\n")).resolve() == entry
        if own.parent == common / "worktrees" and known and _is_git_folder(own, common):
            return GitFolder(top=top, own=own, common=common)
    else:
        with suppress(NoRepository):
            around = find_git_folder(top.parent)
            if own.is_relative_to(around.own) and _is_git_folder(own, own):
                return GitFolder(top=top, own=own, common=own)
    raise NoRepository(
        f"{entry} leads to {own}, which does not know of this folder, and is not followed; "
        "git worktree repair, there, mends a work tree that was moved"
    )


def ordinary(path: Path) -> bool:
    """Whether *path* itself is an ordinary file, no link, pipe or device."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except (OSError, ValueError):
        return False


def ordinary_bytes(path: Path, limit: int) -> bytes | None:
    """Return what the ordinary file *path* holds; None where it is none, or larger."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError):
        return None
    with os.fdopen(descriptor, "rb") as file:
        try:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                return None
            content = file.read(limit + 1)
        except OSError:
            return None
    return content if len(content) <= limit else None


def small_text(path: Path) -> str | None:
    """Return the text of a small ordinary file; None where it is none."""
    content = ordinary_bytes(path, _SMALL)
    return None if content is None else os.fsdecode(content)


@dataclass(frozen=True, kw_only=True, slots=True)
class Refs:
    """
    What the names of a repository stand for.

    `names` maps ``refs/...`` to the hash of an object; `head` is HEAD as written: a hash, or
    ``ref: `` and a name; `others` maps ORIG_HEAD and its likes to hashes. `reftable` where the
    names are kept in a form that is not read here.
    """

    names: Mapping[str, str]
    head: str
    others: Mapping[str, str]
    reftable: bool

    def head_hash(self) -> str | None:
        """Return the commit that is checked out; None before the first."""
        if self.head.startswith("ref: "):
            return self.names.get(self.head[len("ref: ") :])
        return self.head or None

    def is_sha256(self) -> bool:
        """Whether objects are named by SHA-256, as the length of a hash tells."""
        found = next(iter(self.names.values()), None) or self.head_hash() or ""
        return len(found) == 64


def read_refs(folder: GitFolder) -> Refs:
    """Return the names of a repository; what is no name or no hash is passed over."""
    found: dict[str, str] = {}
    packed = ordinary_bytes(folder.common / "packed-refs", MAX_REFS_BYTES)
    for line in os.fsdecode(packed or b"").split("\n"):
        value, _, name = line.partition(" ")
        if _HASH.fullmatch(value) and _is_name(name):
            found[name] = value
    links: dict[str, str] = {}
    for name, text in _loose(folder):
        if text.startswith("ref: "):
            links[name] = text[len("ref: ") :].strip()
        elif match := _HASH.match(text):
            found[name] = match[0]
    for name, meant in links.items():
        for _ in range(_SYMREF_DEPTH):
            meant = links.get(meant, meant)  # noqa: PLW2901  followed
        if meant in found:
            found[name] = found[meant]
    head = (small_text(folder.own / "HEAD") or "").strip()
    link = head.removeprefix("ref:").strip()
    return Refs(
        names=found,
        head=f"ref: {link}" if _is_name(link) else head if _HASH.fullmatch(head) else "",
        others=dict(_others(folder)),
        reftable=link == "refs/heads/.invalid" or (folder.common / "reftable").is_dir(),
    )


def _is_name(text: str) -> bool:
    """Whether git takes *text* for a name (git-check-ref-format(1)) that is not a replacement."""
    return (
        _NAME.fullmatch(text) is not None
        and ".." not in text
        and "@{" not in text
        and not text.startswith("refs/replace/")
        and not any(one.endswith((".lock", ".")) for one in text.split("/"))
    )


def _loose(folder: GitFolder) -> Iterator[tuple[str, str]]:
    places = {folder.common, folder.own}
    for place in sorted(places, key=lambda one: one == folder.own):
        for name, path in _files(place / "refs", "refs"):
            own = name.startswith(_OWN_TO_A_WORK_TREE)
            if not _is_name(name) or (len(places) > 1 and own is not (place == folder.own)):
                continue
            text = small_text(path)
            if text is not None:
                yield name, text


def _files(folder: Path, name: str) -> Iterator[tuple[str, Path]]:
    """Yield each ordinary file below *folder* with its name; links are not followed."""
    folders = [(folder, name)]
    while folders:
        here, called = folders.pop()
        try:
            entries = list(os.scandir(here))
        except OSError:
            continue
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                folders.append((here / entry.name, f"{called}/{entry.name}"))
            elif entry.is_file(follow_symlinks=False):
                yield f"{called}/{entry.name}", here / entry.name


def _others(folder: GitFolder) -> Iterator[tuple[str, str]]:
    for name in ("ORIG_HEAD", "FETCH_HEAD", "MERGE_HEAD", "CHERRY_PICK_HEAD", "REVERT_HEAD"):
        content = ordinary_bytes(folder.own / name, 1_000_000)
        match = _HASH.match(os.fsdecode(content or b""))
        if match:
            yield name, match[0]


def short_names(names: Iterable[str]) -> list[str]:
    """Return branches, tags and what remotes had, of ``refs/...`` names, as people type them."""
    found = sorted(names)
    return [
        name.removeprefix(kind)
        for kind in ("refs/heads/", "refs/tags/", "refs/remotes/")
        for name in found
        if name.startswith(kind)
    ]
