"""What revisions are called, what they hold and how they differ, in every shape of repository."""

from __future__ import annotations

import contextlib
import hashlib
import os
import subprocess
from collections.abc import Callable
from pathlib import Path, PurePosixPath

import pytest

from robokit_plan.edge import revisions
from robokit_plan.edge.names import revision_names
from robokit_plan.edge.revisions import Changes, NoRevision, open_repository
from tests.edge.git_settings import git

LOCAL = ("-c", "protocol.file.allow=always")


def commit(folder: Path, word: str, **files: str | bytes) -> str:
    for name, content in files.items():
        path = folder / name.replace("__", "/").replace("_yaml", ".yaml")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    git(folder, "add", ".")
    git(folder, "commit", "-qm", word, "--allow-empty")
    return git(folder, "rev-parse", "HEAD")


def made(folder: Path, *words: str) -> Path:
    """Return a repository of three commits."""
    folder.mkdir(parents=True)
    git(folder, "init", "-q", "-b", "main", *words)
    commit(folder, "first", robot_yaml="a: 1\n", plugins__horn__manifest_yaml="horn\n")
    commit(folder, "second", robot_yaml="a: 2\n")
    commit(folder, "third", plugins__log__manifest_yaml="log\n")
    return folder


@pytest.fixture
def repo(tmp_path: Path) -> Path:
    return made(tmp_path / "robot")


def changes(folder: Path, old: str = "HEAD", new: str | None = None) -> Changes:
    with open_repository(folder) as repository:
        return repository.changes(old, new)


def changed(folder: Path, old: str = "HEAD", new: str | None = None) -> set[str]:
    return set(map(str, changes(folder, old, new).paths))


def meant(folder: Path, text: str) -> str:
    with open_repository(folder) as repository:
        return repository.commit(text)


def laid(folder: Path, revision: str, inside: str = "") -> dict[str, bytes | str]:
    """Return what a revision's folder holds; a link as where it leads."""
    with open_repository(folder) as repository, repository.folder(revision, inside) as found:
        return {
            str(one.relative_to(found.path)): str(one.readlink()) if one.is_symlink() else one.read_bytes()
            for one in found.path.rglob("*")
            if one.is_symlink() or one.is_file()
        }  # fmt: skip


def offered(folder: Path) -> list[str]:
    with contextlib.chdir(folder):
        return revision_names()


def refusal(call: Callable[[], object]) -> str:
    with pytest.raises(NoRevision) as told:
        call()
    return str(told.value)


FORMS = [
    "HEAD",
    "HEAD~2",
    "HEAD^",
    "@",
    "main",
    "main~1",
    "v1",
    "light",
    "v1^0",
    "v1-1-g{short}",
    "{hash}",
    "{short}",
    "origin/main",
    "origin",
    "refs/heads/main",
    "heads/main",
    ":/second",
    "HEAD^{{/first}}",
    "main@{{upstream}}",
    "@{{u}}",
    "HEAD@{{1}}",
    "@{{-1}}",
    "main@{{0}}",
    "ORIG_HEAD",
    "sea/böja",
    "feature^2",
]


def test_every_form_of_a_name_is_the_commit_that_git_says(repo: Path, tmp_path: Path) -> None:
    """Source: gitrevisions(7); git itself, in the same repository, is the judge."""
    git(repo, "tag", "-a", "-m", "x", "v1", "HEAD~1")
    git(repo, "tag", "light", "HEAD~1")
    git(repo, "checkout", "-qb", "sea/böja")
    commit(repo, "sea", sea="1")
    git(repo, "checkout", "-qb", "feature", "main")
    git(repo, "merge", "-q", "--no-ff", "-m", "merge", "sea/böja")
    git(repo, "checkout", "-q", "main")
    clone = tmp_path / "clone"
    git(tmp_path, "clone", "-q", str(repo), str(clone))
    for one in ("sea/böja", "feature", "main"):
        git(clone, "checkout", "-q", one)
    git(clone, "reset", "-q", "--hard", "HEAD~1")
    git(clone, "reset", "-q", "--hard", "HEAD@{1}")
    full = git(clone, "rev-parse", "HEAD")
    for packed in (False, True):
        if packed:
            git(clone, "pack-refs", "--all", "--prune")
            git(clone, "gc", "-q")
        for form in FORMS:
            text = form.format(hash=full, short=full[:7])
            wanted = git(clone, "rev-list", "-n", "1", text)
            assert meant(clone, text) == wanted, text
        assert {"main", "sea/böja", "v1", "light", "origin/feature"} <= set(offered(clone))


@pytest.mark.parametrize(
    "text, why",
    [
        ("nowhere", "no branch, tag or commit is called so"),
        ("HEAD~9", "no branch, tag or commit"),
        ("HEAD:robot.yaml", "no branch, tag or commit"),
        ("HEAD~1..HEAD", "type the two revisions apart"),
        ("--help", "no branch, tag or commit"),
        ("-", "no branch, tag or commit"),
        ("", "that is no name"),
        ("a\nb", "that is no name"),
        ("a\0b", "that is no name"),
        ("x" * 5000, "that is no name"),
        ("main@{upstream}", "no upstream configured"),
    ],
)
def test_what_is_no_name_is_told(text: str, why: str, repo: Path) -> None:
    assert why in refusal(lambda: meant(repo, text))


def test_a_hash_too_short_is_told(repo: Path) -> None:
    """Of 700 commits two begin alike; with fixed dates the same two each time."""
    stream = "".join(
        f"commit refs/heads/many\ncommitter b <b@raft.example> {number} +0000\ndata 1\nx\n"
        for number in range(700)
    )
    subprocess.run(["git", "fast-import", "--quiet"], cwd=repo, input=stream.encode(), check=True)
    starts = [one[:4] for one in git(repo, "rev-list", "many").split()]
    (twice, *_) = sorted({one for one in starts if starts.count(one) > 1})
    assert "several objects begin so" in refusal(lambda: meant(repo, twice))


def test_line_ends_alone_are_no_change(repo: Path) -> None:
    """As git checks files out where core.autocrlf or an attribute says so, and the other way."""
    commit(repo, "dos", dos_yaml="b: 1\r\nc: 2\r\n", both="x\r\ny\n", data=b"\0\r\n", bare="q\r\n")
    for name, content in {
        "robot.yaml": b"a: 2\r\n", "dos.yaml": b"b: 1\nc: 2\n", "both": b"x\r\ny\r\n",
    }.items():  # fmt: skip
        (repo / name).write_bytes(content)
    assert changed(repo) == set()
    (repo / "data").write_bytes(b"\0\n")
    (repo / "bare").write_bytes(b"q\r")
    (repo / "robot.yaml").write_bytes(b"a: 3\r\n")
    assert changed(repo) == {"data", "bare", "robot.yaml"}


def test_a_fresh_check_out_with_autocrlf_is_unchanged(repo: Path, tmp_path: Path) -> None:
    git(tmp_path, "-c", "core.autocrlf=true", "clone", "-q", str(repo), "clone")
    assert (tmp_path / "clone" / "robot.yaml").read_bytes() == b"a: 2\r\n"
    assert changed(tmp_path / "clone") == set()


def test_attributes_neither_hide_nor_change_anything(repo: Path) -> None:
    attributes = "*.yaml export-ignore export-subst ident binary -diff\nrobot.yaml eol=crlf\n"
    commit(repo, "with", robot_yaml="# $Format:%H$ $Id$\n")
    (repo / ".gitattributes").write_text(attributes)
    commit(repo, "attributes")
    assert laid(repo, "HEAD")["robot.yaml"] == b"# $Format:%H$ $Id$\n"
    assert changed(repo) == set()
    assert changed(repo, "HEAD~2", "HEAD") == {".gitattributes", "robot.yaml"}


def test_a_large_file_is_its_pointer(repo: Path) -> None:
    """Kept elsewhere, with its SHA-256 in the commit: the work tree's is held against that."""
    model = os.urandom(5000)
    pointer = (
        f"version https://large.example/spec/v1\noid sha256:{hashlib.sha256(model).hexdigest()}\n"
        f"size {len(model)}\n"
    )
    commit(repo, "model", model=pointer)
    (repo / "model").write_bytes(model)
    assert changed(repo) == set()
    (repo / "model").write_bytes(model[:-1] + b"x")
    assert changed(repo) == {"model"}


def test_kinds_of_change(repo: Path) -> None:
    commit(repo, "links", target="x")
    (repo / "link").symlink_to("target")
    (repo / "there").symlink_to("target")
    commit(repo, "links", gone="x", run="x", deep__down="x", pipe="x")
    (repo / "gone").unlink()
    (repo / "run").chmod(0o755)
    (repo / "pipe").unlink()
    os.mkfifo(repo / "pipe")
    (repo / "link").unlink()
    (repo / "link").write_text("target")  # as a system without links has it
    (repo / "there").unlink()
    (repo / "there").symlink_to("other")
    (repo / "deep").rename(repo / "moved")
    (repo / "deep").symlink_to("moved")
    (repo / "new").write_text("")
    (repo / "ignored.pyc").write_text("")
    (repo / ".git" / "info" / "exclude").write_text("*.pyc\n")
    assert changed(repo) == {"gone", "pipe", "there", "deep/down", "deep", "moved/down", "new"}


def test_what_git_ignores_is_no_change(
    repo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (repo / ".gitignore").write_text("__pycache__/\n")
    commit(repo, "ignore")
    (tmp_path / "mine").write_text("*.swp\n")
    (tmp_path / "gitconfig").write_text(f"[core]\n\texcludesFile = {tmp_path / 'mine'}\n")
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", str(tmp_path / "gitconfig"))
    for name in ("plugins/log/__pycache__/x.pyc", "a.swp", "b.txt", "forced.swp"):
        (repo / name).parent.mkdir(exist_ok=True)
        (repo / name).write_text("x")
    git(repo, "add", "-f", "forced.swp")
    assert changed(repo) == {"b.txt", "forced.swp"}


def test_names_of_any_letters(repo: Path) -> None:
    names = [
        b"\xc3\xa4",
        b"a\xcc\x88",
        b"Big",
        b"big",
        b"tab\there",
        b"\xff",
        b" sp ",
        b"-n",
        b'q"uo\\te',
    ]
    for one in names:
        (repo / os.fsdecode(one)).write_bytes(one)
    (repo / "line\nend").write_bytes(b"line")
    commit(repo, "names")
    assert {os.fsencode(one) for one in laid(repo, "HEAD")} >= {*names, b"line\nend"}
    (repo / os.fsdecode(b"\xff")).write_bytes(b"other")
    assert changed(repo) == {os.fsdecode(b"\xff")}


def test_a_sparse_check_out_takes_nothing_away(repo: Path) -> None:
    git(repo, "sparse-checkout", "set", "plugins/log")
    assert not (repo / "plugins" / "horn").exists()
    assert changed(repo) == set()
    assert changed(repo, "HEAD~2") == {"robot.yaml", "plugins/log/manifest.yaml"}


def test_core_worktree_elsewhere_changes_nothing(repo: Path, tmp_path: Path) -> None:
    """The work tree is where .git is; git itself looks elsewhere, the control."""
    (tmp_path / "elsewhere").mkdir()
    git(repo, "config", "core.worktree", str(tmp_path / "elsewhere"))
    assert git(repo, "diff", "--name-only", "HEAD")
    assert changed(repo) == set()
    assert laid(repo, "HEAD~1", "plugins/horn") == {"manifest.yaml": b"horn\n"}


def test_an_added_work_tree(repo: Path, tmp_path: Path) -> None:
    git(repo, "worktree", "add", "-q", "-b", "other", str(tmp_path / "other"), "HEAD~1")
    other = tmp_path / "other"
    (other / "robot.yaml").write_text("a: 9\n")
    assert changed(other) == {"robot.yaml"}
    assert meant(other, "HEAD") == meant(repo, "main~1") == meant(repo, "other")
    other.rename(tmp_path / "moved")
    assert "does not know of this folder" in refusal(lambda: meant(tmp_path / "moved", "HEAD"))
    git(repo, "worktree", "repair", str(tmp_path / "moved"))
    assert changed(tmp_path / "moved") == {"robot.yaml"}


def test_a_repository_that_leads_elsewhere_is_not_followed(repo: Path, tmp_path: Path) -> None:
    for number, lead in enumerate((f"gitdir: {repo}/.git\n", "gitdir: /dev/zero\n", "x", "")):
        folder = tmp_path / f"given{number}"
        folder.mkdir()
        (folder / ".git").write_text(lead)
        assert "follow" in (why := refusal(lambda: meant(folder, "HEAD"))) or "names no" in why  # noqa: B023
    linked = tmp_path / "linked"
    linked.mkdir()
    (linked / ".git").symlink_to(repo / ".git")
    assert "is a link" in refusal(lambda: meant(linked, "HEAD"))


def test_no_repository_and_a_bare_one(repo: Path, tmp_path: Path) -> None:
    (tmp_path / "empty" / ".git").mkdir(parents=True)
    assert "lies in no git repository" in refusal(lambda: meant(tmp_path / "empty", "HEAD"))
    git(tmp_path, "clone", "-q", "--bare", str(repo), "bare.git")
    assert "bare repository" in refusal(lambda: meant(tmp_path / "bare.git", "HEAD"))
    git(tmp_path, "init", "-q", "fresh")
    assert "no branch, tag or commit" in refusal(lambda: changed(tmp_path / "fresh"))
    assert offered(tmp_path / "fresh") == offered(tmp_path) == []


def test_hashes_of_sha256(tmp_path: Path) -> None:
    repo = made(tmp_path / "robot", "--object-format=sha256")
    assert meant(repo, "HEAD~1") == git(repo, "rev-parse", "HEAD~1")
    assert laid(repo, "HEAD~2", "plugins") == {"horn/manifest.yaml": b"horn\n"}
    assert changed(repo) == set()
    (repo / "robot.yaml").write_text("x")
    assert changed(repo) == {"robot.yaml"}


def test_refs_in_a_table(tmp_path: Path, repo: Path) -> None:
    """git before 2.45 cannot read them, which is told; later ones make and read them here."""
    new = tmp_path / "new"
    made_it = subprocess.run(
        ["git", "init", "-q", "-b", "main", "--ref-format=reftable", str(new)],
        check=False, capture_output=True,
    )  # fmt: skip
    if made_it.returncode:
        (repo / ".git" / "reftable").mkdir()
        assert "reftable needs 2.45" in refusal(lambda: meant(repo, "main"))
        return
    commit(new, "first", robot_yaml="1")
    assert meant(new, "main") == git(new, "rev-parse", "main")
    assert changed(new) == set()
    assert offered(new) == ["main"]


def test_a_shallow_clone_says_what_brings_the_rest(repo: Path, tmp_path: Path) -> None:
    git(tmp_path, *LOCAL, "clone", "-q", "--depth", "2", f"file://{repo}", "clone")
    clone = tmp_path / "clone"
    assert meant(clone, "HEAD~1") == meant(repo, "HEAD~1")
    assert "git fetch --unshallow" in refusal(lambda: meant(clone, "HEAD~2"))
    git(clone, *LOCAL, "fetch", "-q", "--unshallow")
    assert meant(clone, "HEAD~2") == meant(repo, "HEAD~2")


def test_a_partial_clone_says_what_brings_the_rest(repo: Path, tmp_path: Path) -> None:
    git(repo, "config", "uploadpack.allowFilter", "true")
    git(tmp_path, *LOCAL, "clone", "-q", "--filter=blob:none", f"file://{repo}", "clone")
    clone = tmp_path / "clone"
    assert changed(clone) == set(), "the names of objects tell"
    assert changed(clone, "HEAD~2", "HEAD") == {"robot.yaml", "plugins/log/manifest.yaml"}
    assert changed(clone, "HEAD~2") == {"robot.yaml", "plugins/log/manifest.yaml"}
    told = refusal(lambda: laid(clone, "HEAD~2"))
    assert "partial clone" in told
    assert "git archive REVISION" in told
    git(clone, *LOCAL, "archive", "--output", os.devnull, "HEAD~2")
    assert laid(clone, "HEAD~2")["robot.yaml"] == b"a: 1\n"


def test_objects_elsewhere_are_read_where_they_are_named(
    repo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stranger's repository may name the objects of any other on this machine."""
    git(tmp_path, "clone", "-q", "--shared", str(repo), "clone")
    told = refusal(lambda: changed(tmp_path / "clone"))
    variable, store = "GIT_ALTERNATE_OBJECT_DIRECTORIES", f"{repo}/.git/objects"
    assert f"type {variable}={store} before" in told
    monkeypatch.setenv(variable, store)
    assert changed(tmp_path / "clone") == set()


def test_replacements_and_grafts_are_not_believed(repo: Path) -> None:
    first = meant(repo, "HEAD~2")
    git(repo, "replace", first, "HEAD")
    (repo / ".git" / "info").mkdir(exist_ok=True)
    (repo / ".git" / "info" / "grafts").write_text(f"{meant(repo, 'HEAD')}\n")
    assert meant(repo, "HEAD~2") == first
    assert laid(repo, first)["robot.yaml"] == b"a: 1\n"


def test_pipes_and_devices_among_its_files_are_refused(repo: Path) -> None:
    own = repo / ".git"
    os.mkfifo(own / "refs" / "heads" / "pipe")
    os.mkfifo(own / "ORIG_HEAD")
    (own / "index").unlink()
    os.mkfifo(own / "index")
    (own / "packed-refs").symlink_to("/dev/zero")
    (own / "refs" / "heads" / "zero").symlink_to("/dev/zero")
    assert meant(repo, "main") == meant(repo, "HEAD")
    assert changed(repo) == set()
    (own / "objects" / "ab").mkdir(exist_ok=True)
    os.mkfifo(own / "objects" / "ab" / ("c" * 38))
    assert "no ordinary file" in refusal(lambda: meant(repo, "main"))


def _tree(repo: Path, *entries: tuple[str, str, str]) -> str:
    """Write a tree that git itself would refuse to make: (mode, name, hash)."""
    content = b"".join(
        f"{mode} ".encode() + os.fsencode(name) + b"\0" + bytes.fromhex(value)
        for mode, name, value in entries
    )
    done = subprocess.run(
        ["git", "hash-object", "-w", "-t", "tree", "--literally", "--stdin"],
        cwd=repo, input=content, check=True, capture_output=True,
    )  # fmt: skip
    return done.stdout.decode().strip()


def _blob(repo: Path, content: bytes) -> str:
    words = ["git", "hash-object", "-w", "--stdin"]
    done = subprocess.run(words, cwd=repo, input=content, check=True, capture_output=True)
    return done.stdout.decode().strip()


def test_a_tree_that_leads_out_stays_in(repo: Path, tmp_path: Path) -> None:
    evil, good = _blob(repo, b"evil"), _blob(repo, b"good")
    up = _blob(repo, b"../../outside")
    tree = _tree(
        repo, ("40000", "..", _tree(repo, ("100644", "out", evil))), ("100644", ".GIT", evil),
        ("120000", "abs", _blob(repo, b"/etc")), ("100644", "a/../../b", evil), ("100644", "ok", good),
        ("120000", "in", _blob(repo, b"ok")), ("120000", "up", up), ("120000", "none", _blob(repo, b"")),
    )  # fmt: skip
    value = git(repo, "commit-tree", "-m", "evil", tree)
    outside = "/dev/null/outside"
    assert laid(repo, value) == {
        "ok": b"good", "in": "ok", "abs": outside, "up": outside, "none": outside,
    }  # fmt: skip
    assert changed(repo, "HEAD", value) >= {"ok", "in"}
    twice = _tree(repo, ("120000", "d", _blob(repo, b"/tmp")), ("40000", "d", tree))
    value = git(repo, "commit-tree", "-m", "twice", twice)
    assert "two of its names are one file here" in refusal(lambda: laid(repo, value))


def test_trees_without_end_and_large_files(repo: Path) -> None:
    tree = _tree(repo, ("100644", "f", _blob(repo, b"x")))
    for _ in range(12):
        tree = _tree(repo, *(("40000", f"d{number}", tree) for number in range(10)))
    bomb = git(repo, "commit-tree", "-m", "bomb", tree)
    assert "more files than can be looked at" in refusal(lambda: laid(repo, bomb))
    size = revisions.WHOLE_BYTES + 5
    large = commit(repo, "large", large=b"x" * size)
    assert laid(repo, large)["large"] == bytes(size)
    assert changed(repo) == set()


def test_more_than_a_robot_holds_is_refused(repo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(revisions, "MAX_BYTES", 10)
    assert "its folder is larger than" in refusal(lambda: laid(repo, "HEAD"))


def test_submodules_are_not_entered(repo: Path, tmp_path: Path) -> None:
    inner = made(tmp_path / "inner")
    git(repo, *LOCAL, "submodule", "--quiet", "add", str(inner), "plugins/sub")
    commit(repo, "sub")
    sub = repo / "plugins" / "sub"
    assert (found := changes(repo)).paths == frozenset()
    assert found.unseen == {PurePosixPath("plugins/sub")}
    assert found.touch(PurePosixPath("plugins/sub/plugins/horn"))
    assert not found.touch(PurePosixPath("plugins/horn"))
    assert changes(sub).paths == frozenset(), "asked for, it is a repository like any"
    git(sub, "checkout", "-q", "HEAD~1")
    assert changed(repo) == {"plugins/sub"}
    commit(repo, "older")
    between = changes(repo, "HEAD~1", "HEAD")
    assert between.touch(PurePosixPath("plugins/sub/plugins/horn"))
    with open_repository(repo) as repository, repository.folder("HEAD", "") as folder:
        assert list(folder.lost_plugins("plugins")) == [PurePosixPath("plugins/sub")]
        assert list(folder.lost_plugins("plugins/sub/plugins")) == [PurePosixPath("plugins/sub")]
        assert list(folder.lost_plugins("elsewhere")) == []
    assert "is a submodule" in refusal(lambda: laid(repo, "HEAD", "plugins/sub/plugins"))
    assert "there was no folder" in refusal(lambda: laid(repo, "HEAD~2", "plugins/sub"))
    nested = repo / "plugins" / "own"
    made(nested)
    assert PurePosixPath("plugins/own") in changes(repo).unseen
