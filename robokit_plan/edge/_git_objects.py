"""
Questions to git about the objects of a repository, of which it gets to see nothing else.

git is started with a folder of our own in place of ``.git``. It holds the names of commits, links
to the files of objects, an empty configuration, and nothing more: so there is no setting, hook,
attribute, remote, graft, replacement or store elsewhere that a stranger could have written, and no
list of bad settings that a later git could outgrow. Source: gitrepository-layout(5), git(1),
git-config(1) of git 2.39.

A library that reads objects was weighed (dulwich 1.2): it takes no limit for the size of an object,
follows alternates, and knows neither every way in which people write a revision nor every format.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import tempfile
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, NamedTuple

from ._git_folder import GitFolder, Refs, ordinary, ordinary_bytes, read_refs
from ._programs import find_program, search_path
from .files import passing_folder

SECONDS = 60
"""For one question, after which git is ended."""

MAX_LISTING_BYTES = 64_000_000
MAX_ENTRIES = 200_000
"""Of a tree; a tree may name itself ten times on each level, and be larger than the world."""

_INDEX_BYTES = 256_000_000
_LOG_BYTES = 16_000_000

_USERS_OWN = ("GIT_CONFIG_GLOBAL", "GIT_CONFIG_SYSTEM", "GIT_CONFIG_NOSYSTEM")

_HASH_NAME = re.compile(r"[0-9a-f]{4,64}")


class Refused(Exception):  # noqa: N818  the name says what happened
    """git did not answer; the argument is its own words, all of them."""


class Entry(NamedTuple):
    """A file of a tree: its `mode` in octal as git writes it, and the hash of its content."""

    mode: str
    hash: str

    @property
    def is_link(self) -> bool:
        """Whether it is a symbolic link, whose content is where it leads."""
        return self.mode == "120000"

    @property
    def is_submodule(self) -> bool:
        """Whether it is the commit of another repository."""
        return self.mode == "160000"


class Listed(NamedTuple):
    """A file that git knows of in the work tree: its `tag` of git-ls-files(1), `name`, `hash`."""

    tag: str
    name: str
    hash: str


class Objects:
    """The objects of one repository; made by `open_objects`."""

    def __init__(self, folder: GitFolder, refs: Refs, made: Path, program: str) -> None:
        self.folder = folder
        self.refs = refs
        self._made = made
        self._program = program
        self._environ = _environ(made)

    def commit(self, text: str) -> str:
        """
        Return the hash of the commit that *text* names, as gitrevisions(7) has it.

        Raises:
            Refused: It names none.
        """
        if "@{" in text:
            _lay_logs(self.folder, self._made)
            self._lay_upstream()
        # All that follows ":/" is searched for; only commits are.
        whole = text if text.startswith(":/") else f"{text}^{{commit}}"
        words = ("rev-parse", "--verify", "--end-of-options", whole)
        return self._ask(words).decode().strip()

    def names(self) -> list[str]:
        """
        Return the whole names of branches and tags.

        Raises:
            Refused: git cannot read them.
        """
        return os.fsdecode(self._ask(("for-each-ref", "--format=%(refname)"))).split()

    def tree(self, commit: str) -> dict[str, Entry]:
        """
        Return every file of a commit by its name from the top.

        Raises:
            Refused: A tree is missing, or there are too many.
        """
        found: dict[str, Entry] = {}
        for row in _rows(self._ask(("ls-tree", "-r", "-z", "--full-tree", commit))):
            head, _, name = row.partition("\t")
            mode, _, value = head.split(" ")
            found[name] = Entry(mode, value)
        if len(found) > MAX_ENTRIES:
            raise Refused(f"it holds more than {MAX_ENTRIES} files")
        return found

    def sizes(self, hashes: Iterable[str]) -> dict[str, int]:
        """
        Return hash -> bytes of those objects that are there.

        Raises:
            Refused: git cannot read them.
        """
        wanted = "".join(f"{one}\n" for one in hashes).encode()
        format_ = "--batch-check=%(objectname) %(objecttype) %(objectsize)"
        rows = self._ask(("cat-file", format_), wanted).decode().splitlines()
        split = (row.split(" ") for row in rows)
        return {one[0]: int(one[2]) for one in split if len(one) == 3 and one[1] == "blob"}

    def contents(self, hashes: list[str]) -> Iterator[tuple[str, bytes]]:
        """
        Yield each object with its content, in the order of *hashes*, one at a time in memory.

        Raises:
            Refused: One is missing or damaged.
        """
        wanted = "".join(f"{one}\n" for one in hashes).encode()
        with self._running(("cat-file", "--batch"), wanted) as output:
            for _ in hashes:
                head = output.readline(200).decode().split()
                if len(head) != 3:
                    raise Refused(" ".join(head) or "git ended early")
                content = output.read(int(head[2]))
                if len(content) != int(head[2]) or output.read(1) != b"\n":
                    raise Refused(f"object {head[0]} is damaged")
                yield head[0], content

    def work_tree(self) -> tuple[Listed, ...]:
        """
        Return what git tracks in the work tree, and what it neither tracks nor ignores.

        What is ignored is said by .gitignore files, the repository's info/exclude and the user's
        own core.excludesFile. A repository inside is told as one name that ends with ``/``.

        Raises:
            Refused: The index cannot be read.
        """
        self._lay_index()
        words = [
            "-c",
            f"core.excludesFile={self._users_excludes()}",
            f"--work-tree={self.folder.top}",
        ]
        words += ["ls-files", "-z", "-t", "-s", "--cached", "--others", "--exclude-standard"]
        found = []
        for row in _rows(self._ask(words, here=self.folder.top)):
            tag, _, rest = row.partition(" ")
            head, _, name = ("", "", rest) if tag == "?" else rest.partition("\t")
            found.append(Listed(tag, name, head.split(" ")[1] if head else ""))
        return tuple(found)

    def why_missing(self) -> str:
        """Return why objects of this repository may not be there; "" where nothing says."""
        store = self.folder.common / "objects"
        names = os.fsdecode(ordinary_bytes(store / "info" / "alternates", 4096) or b"").split("\n")
        stores = [str((store / one).resolve()) for one in names if one and not one.startswith("#")]
        if stores:
            given = shlex.quote(os.pathsep.join(stores))
            return (
                f"objects lie outside of the repository, in {', '.join(stores)}, which is read "
                f"only where you name it: type GIT_ALTERNATE_OBJECT_DIRECTORIES={given} before the "
                "same command"
            )
        if next((store / "pack").glob("*.promisor"), None) is not None:
            return (
                "this is a partial clone, and nothing is fetched here; "
                "git archive REVISION >/dev/null brings what a revision holds"
            )
        if ordinary(self.folder.common / "shallow"):
            return "this is a shallow clone; git fetch --unshallow brings the rest"
        return ""

    def _users_excludes(self) -> str:
        """Return the file of what the user ignores everywhere; only settings of his own say it."""
        environ = {**_caller(), "GIT_DIR": str(self._made), "LC_ALL": "C"}
        named = {key: os.environ[key] for key in _USERS_OWN if key in os.environ}
        words = ("config", "--includes", "--type=path", "--get", "core.excludesFile")
        try:
            return self._ask(words, environ=environ | named).decode().rstrip("\n")
        except Refused:
            home = os.environ.get("XDG_CONFIG_HOME") or os.path.expanduser("~/.config")  # noqa: PTH111  no error without a home
            return f"{home}/git/ignore"

    def _lay_index(self) -> None:
        """Let git see which files it tracks; the index holds names and hashes, no settings."""
        own = self.folder.own
        for path in (own / "index", *own.glob("sharedindex.*")):
            laid = self._made / path.name
            if ordinary(path) and path.stat().st_size <= _INDEX_BYTES and not laid.is_symlink():
                laid.symlink_to(path)
        excludes = ordinary_bytes(self.folder.common / "info" / "exclude", _LOG_BYTES)
        (self._made / "info").mkdir(exist_ok=True)
        (self._made / "info" / "exclude").write_bytes(excludes or b"")

    def _lay_upstream(self) -> None:
        """Write down which branch follows which, the one thing taken from the configuration."""
        config = self.folder.common / "config"
        if not ordinary(config):
            return
        asked = ("config", "--file", str(config), "--no-includes", "-z", "--get-regexp")
        wanted = r"^(branch\..*\.(remote|merge)|remote\..*\.fetch)$"
        try:
            rows = list(_rows(self._ask((*asked, wanted))))
        except Refused:
            return
        text = _config(self.refs)
        for row in rows:
            key, _, value = row.partition("\n")
            section, _, rest = key.partition(".")
            name, _, last = rest.rpartition(".")
            if "\n" not in name + value:
                text += f"[{section} {_quoted(name)}]\n\t{last} = {_quoted(value)}\n"
        (self._made / "config").write_bytes(os.fsencode(text))

    def _ask(
        self,
        words: Iterable[str],
        wanted: bytes = b"",
        *,
        here: Path | None = None,
        environ: dict[str, str] | None = None,
    ) -> bytes:
        with self._running(words, wanted, here=here, environ=environ) as output:
            answer = output.read(MAX_LISTING_BYTES + 1)
            if len(answer) > MAX_LISTING_BYTES:
                raise Refused("it holds more files than can be looked at")
        return answer

    @contextmanager
    def _running(
        self,
        words: Iterable[str],
        wanted: bytes = b"",
        *,
        here: Path | None = None,
        environ: dict[str, str] | None = None,
    ) -> Iterator[IO[bytes]]:
        """Give what git prints, and hold it to its time."""
        with tempfile.TemporaryFile() as asked, tempfile.TemporaryFile() as complaints:
            asked.write(wanted)
            asked.seek(0)
            with subprocess.Popen(  # noqa: S603  a list, no shell
                [self._program, "--no-pager", *words],
                cwd=here or self._made,
                env=environ or self._environ,
                stdin=asked,
                stdout=subprocess.PIPE,
                stderr=complaints,
            ) as process:
                late = threading.Event()

                def end() -> None:
                    late.set()
                    process.kill()

                timer = threading.Timer(SECONDS, end)
                timer.start()
                done = False
                try:
                    assert process.stdout is not None  # noqa: S101  asked for above
                    yield process.stdout
                    done = not process.stdout.read(1)
                finally:
                    if not done:
                        process.kill()
                    process.wait()
                    timer.cancel()
            if late.is_set():
                raise Refused("git did not answer within a minute")
            if process.returncode:
                complaints.seek(0)
                raise Refused(complaints.read(10_000).decode(errors="replace").strip())


@contextmanager
def open_objects(folder: GitFolder) -> Iterator[Objects]:
    """
    Give the objects of a repository.

    Raises:
        Refused: git is not installed, or something among the objects is no ordinary file.
        CannotWrite: No folder for passing files.
    """
    program = find_program("git")
    if program is None:
        raise Refused("git is not installed")
    refs = read_refs(folder)
    with passing_folder() as name:
        made = Path(name).resolve()
        (made / "refs").mkdir()
        (made / "objects" / "pack").mkdir(parents=True)
        (made / "config").write_text(_config(refs), "utf-8")
        (made / "HEAD").write_bytes(os.fsencode((refs.head or "ref: refs/heads/.invalid") + "\n"))
        for other, value in refs.others.items():
            (made / other).write_text(value + "\n", "utf-8")
        rows = (f"{value} {one}\n" for one, value in sorted(refs.names.items()))
        (made / "packed-refs").write_bytes(os.fsencode("".join(rows)))
        if refs.reftable:
            _lay_tables(folder, made)
        shallow = os.fsdecode(ordinary_bytes(folder.common / "shallow", _LOG_BYTES) or b"").split()
        if shallow:
            kept = (f"{one}\n" for one in shallow if _HASH_NAME.fullmatch(one))
            (made / "shallow").write_text("".join(kept), "utf-8")
        _lay_objects(folder.common / "objects", made / "objects")
        yield Objects(folder, refs, made, program)


def _rows(listed: bytes) -> Iterator[str]:
    """Yield the rows of a list that git ends with zero bytes."""
    return (row for row in os.fsdecode(listed).split("\0") if row)


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _config(refs: Refs) -> str:
    extensions = ["\tobjectFormat = sha256\n"] * refs.is_sha256()
    extensions += ["\trefStorage = reftable\n"] * refs.reftable
    version = 1 if extensions else 0
    text = (
        f"[core]\n\trepositoryFormatVersion = {version}\n\tbare = true\n\tuntrackedCache = false\n"
    )
    # Their second copies of what objects say are not believed, since they may say otherwise.
    text += "\tcommitGraph = false\n\tmultiPackIndex = false\n[pack]\n\treadReverseIndex = false\n"
    return text + ("[extensions]\n" + "".join(extensions) if extensions else "")


def _caller() -> dict[str, str]:
    """
    Return the caller's environment without what leads git elsewhere.

    A hook of git has such variables set for the repository that it runs in, and not for ours.
    """
    return {key: value for key, value in os.environ.items() if not key.startswith("GIT_")}


def _environ(made: Path) -> dict[str, str]:
    given = os.environ.get("GIT_ALTERNATE_OBJECT_DIRECTORIES")
    return {
        **_caller(),
        **({"GIT_ALTERNATE_OBJECT_DIRECTORIES": given} if given else {}),
        "PATH": search_path(os.environ),
        "HOME": str(made),
        "XDG_CONFIG_HOME": str(made),
        "LC_ALL": "C",
        "GIT_DIR": str(made),
        "GIT_CONFIG_NOSYSTEM": "1",
        "GIT_CONFIG_SYSTEM": os.devnull,
        "GIT_CONFIG_GLOBAL": os.devnull,
        "GIT_ATTR_NOSYSTEM": "1",
        "GIT_NO_REPLACE_OBJECTS": "1",
        "GIT_NO_LAZY_FETCH": "1",
        "GIT_ALLOW_PROTOCOL": "",
        "GIT_OPTIONAL_LOCKS": "0",
        "GIT_TERMINAL_PROMPT": "0",
        "GIT_LITERAL_PATHSPECS": "1",
    }


def _lay_objects(store: Path, laid: Path) -> None:
    """Link the files of objects; neither alternates nor what else may lie beside them."""
    for place, names in ((store, _entries(store)), (store / "pack", _entries(store / "pack"))):
        for name in names:
            path = place / name
            if place == store and re.fullmatch("[0-9a-f]{2}", name):
                if path.is_symlink() or not all(_all_ordinary(path)):
                    raise Refused(f"{path} holds what is no ordinary file")
                (laid / name).symlink_to(path)
            elif place != store and name.endswith((".pack", ".idx")):
                if not ordinary(path):
                    raise Refused(f"{path} is no ordinary file")
                (laid / "pack" / name).symlink_to(path)


def _entries(folder: Path) -> list[str]:
    try:
        return sorted(os.listdir(folder)) if not folder.is_symlink() else []  # noqa: PTH208  names alone
    except OSError:
        return []


def _all_ordinary(folder: Path) -> Iterator[bool]:
    with os.scandir(folder) as entries:
        yield from (one.is_file(follow_symlinks=False) for one in entries)


def _lay_tables(folder: GitFolder, made: Path) -> None:
    """Copy the tables of names; git before 2.45 cannot read them, and says so."""
    if folder.own != folder.common:
        raise Refused("an added work tree of a repository whose refs are a reftable is not read")
    (made / "reftable").mkdir()
    for name in _entries(folder.common / "reftable"):
        content = ordinary_bytes(folder.common / "reftable" / name, _LOG_BYTES)
        if content is not None:
            (made / "reftable" / name).write_bytes(content)


def _lay_logs(folder: GitFolder, made: Path) -> None:
    """Copy where branches stood before, for ``HEAD@{1}``."""
    for base, name in _log_names(folder):
        content = ordinary_bytes(base / "logs" / name, _LOG_BYTES)
        if content is not None:
            path = made / "logs" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)


def _log_names(folder: GitFolder) -> Iterator[tuple[Path, str]]:
    yield folder.own, "HEAD"
    for name in read_refs(folder).names:
        yield folder.common, name
