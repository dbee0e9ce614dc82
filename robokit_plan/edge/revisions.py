"""The robot's folder as a git revision holds it, read without touching the work tree."""

from __future__ import annotations

import subprocess
import tarfile
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path

from robokit_plan.model import limit_text

from .files import passing_folder

MAX_BYTES = 200_000_000
"""Of one revision's folder; a robot's folder is a thousandth of it."""


class NoRevision(Exception):  # noqa: N818  the name says what happened
    """git does not know the revision, or the folder is not in a repository; `why` says which."""

    def __init__(self, revision: str, why: str) -> None:
        super().__init__(revision, why)
        self.revision = revision
        self.why = why

    def __str__(self) -> str:
        return f"no git revision {self.revision}: {self.why}"


def is_revision(folder: Path, text: str) -> bool:
    """Whether git knows *text* as a commit in the repository of *folder*."""
    try:
        _commit(folder, text)
    except NoRevision:
        return False
    return True


def repository(folder: Path) -> Path:
    """
    Return the top of the repository that *folder* lies in.

    Raises:
        NoRevision: It lies in none.
    """
    return Path(_git(folder, "HEAD", "rev-parse", "--show-toplevel").decode().rstrip("\n"))


@contextmanager
def revision_folder(folder: Path, revision: str, *, inside: str | None = None) -> Iterator[Path]:
    """
    Give a temporary folder that holds *folder* as it was in *revision*.

    Nothing of the repository runs: no hook, no filter, no check-out.

    Args:
        folder: In the work tree.
        revision: As git names one.
        inside: A folder of the revision, from the top of the repository, in place of *folder*,
            which then only has to lie in the same repository.

    Raises:
        NoRevision: Unknown revision, no repository, or the folder was not there yet.
    """
    commit = _commit(folder, revision)
    if inside is None:
        inside = _git(folder, revision, "rev-parse", "--show-prefix").decode().strip()
    tree = f"{commit}:{inside}" if inside else commit
    # From the top: git archive takes the folder that it runs in for a part of the tree.
    archive = _git(repository(folder), revision, "archive", "--format=tar", tree)
    if len(archive) > MAX_BYTES:
        raise NoRevision(revision, f"its folder is larger than {limit_text(MAX_BYTES)}")
    with passing_folder() as name:
        with tarfile.open(fileobj=BytesIO(archive)) as tar:
            # The filter refuses links and names that lead out, devices and odd modes.
            tar.extractall(name, filter="data")
        yield Path(name)


def files_named(top: Path, revision: str | None, name: str) -> tuple[str, ...]:
    """
    Return the files called *name*, from the top of the repository, sorted.

    Args:
        top: Of the repository.
        revision: As git names one; None: in the work tree, whether tracked or not.
        name: The last part of their paths.

    Raises:
        NoRevision: Unknown revision.
    """
    if revision is None:
        listed = _git(top, "HEAD", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
    else:
        commit = _commit(top, revision)
        listed = _git(top, revision, "ls-tree", "-r", "-z", "--name-only", "--full-tree", commit)
    found = (one for one in _names(listed) if one.rpartition("/")[2] == name)
    return tuple(sorted({one for one in found if revision is not None or (top / one).is_file()}))


def _names(listed: bytes) -> Iterator[str]:
    """Yield the names of a list that git ends with zero bytes."""
    return (name for name in listed.decode(errors="surrogateescape").split("\0") if name)


def changed_files(folder: Path, revision: str, new: str | None = None) -> frozenset[Path]:
    """
    Return the absolute paths of files in which *revision* and *new* differ.

    None in place of *new* is the work tree, with what git does not track.

    Raises:
        NoRevision: Unknown revision, or *folder* is not in a repository.
    """
    commit = _commit(folder, revision)
    top = repository(folder)
    sides = [commit] if new is None else [commit, _commit(folder, new)]
    words = ["diff", "--name-only", "-z", "--no-renames", "--no-ext-diff", "--no-textconv"]
    listed = _git(top, revision, *_no_filters(top, revision), *words, *sides, "--")
    if new is None:
        listed += _git(top, revision, "ls-files", "--others", "--exclude-standard", "-z")
    return frozenset(top / name for name in _names(listed))


def _commit(folder: Path, revision: str) -> str:
    return (
        _git(
            folder,
            revision,
            "rev-parse",
            "--verify",
            "--quiet",
            "--end-of-options",
            f"{revision}^{{commit}}",
        )
        .decode()
        .strip()
    )


_HARMLESS = ("core.fsmonitor=false", "core.hooksPath=/dev/null", "protocol.allow=never")
"""
Settings in place of the repository's own, which may have come with a stranger's folder: no program
that watches files, no hook, nothing fetched by a command of its choice (git-config(1)).
"""


def _no_filters(top: Path, revision: str) -> Iterator[str]:
    """Yield options that switch each filter of the repository off; comparing would run them."""
    asked = ("--includes", "--name-only", "-z", "--get-regexp", r"^filter\..*\.(clean|process)$")
    try:
        listed = _git(top, revision, "config", *asked)
    except NoRevision:  # there is none, which git says by its status
        return
    for name in _names(listed):
        yield from ("-c", f"{name}=")


def _git(folder: Path, revision: str, *arguments: str) -> bytes:
    settings = [word for one in _HARMLESS for word in ("-c", one)]
    try:
        done = subprocess.run(  # noqa: S603  fixed program, no shell
            ["git", *settings, "-C", str(folder), *arguments],  # noqa: S607  the user's own git
            capture_output=True,
            check=False,
            timeout=60,
        )
    except FileNotFoundError:
        raise NoRevision(revision, "git is not installed") from None
    except subprocess.TimeoutExpired:
        raise NoRevision(revision, "git did not answer within a minute") from None
    if done.returncode:
        words = done.stderr.decode(errors="replace").strip().splitlines()
        raise NoRevision(revision, words[-1] if words else "it is not known here")
    return done.stdout
