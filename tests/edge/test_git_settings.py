"""No setting of a repository has a program run, a path read or an address asked by our questions."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path, PurePosixPath

import pytest

from robokit_plan.edge.names import revision_names
from robokit_plan.edge.revisions import NoRevision, is_revision, open_repository
from tests.edge.git_settings import CASES, IDENTITY, Case, Opened, config_text, every_key, git

ATTRIBUTES = (
    "*.yaml filter=e=vil diff=evil merge=evil text eol=crlf ident export-subst\n"
    "*.txt export-ignore working-tree-encoding=UTF-16\n"
)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A repository with two branches, a submodule, attributes, and a file that was edited."""
    folder = tmp_path_factory.mktemp("git") / "robot"
    folder.mkdir()
    git(folder, "init", "-q", "-b", "main")
    (folder / "robot.yaml").write_text("a: 1\n")
    (folder / "other").write_text("o\n")
    (folder / "notes.txt").write_text("n\n")
    git(folder, "add", ".")
    git(folder, "commit", "-qm", "first")
    head = git(folder, "rev-parse", "HEAD")
    (folder / ".gitmodules").write_text('[submodule "sub"]\n\tpath = sub\n\turl = ./nowhere\n')
    (folder / ".gitattributes").write_text(ATTRIBUTES)
    git(folder, "update-index", "--add", "--cacheinfo", f"160000,{head},sub")
    git(folder, "add", ".gitmodules", ".gitattributes")
    git(folder, "commit", "-qm", "second")
    git(folder, "checkout", "-qb", "side")
    (folder / "robot.yaml").write_text("a: 3\n")
    git(folder, "commit", "-qm", "side", "robot.yaml")
    git(folder, "checkout", "-q", "main")
    (folder / "robot.yaml").write_text("a: 2\n")
    git(folder, "commit", "-qm", "third", "robot.yaml")
    (folder / "sub").mkdir(exist_ok=True)
    return folder


class Yard:
    """A copy of the template among traps, which tells what was opened and who was asked."""

    def __init__(self, template: Path, place: Path) -> None:
        self.robot = place / "robot"
        shutil.copytree(template, self.robot, symlinks=True)
        self.traps = place / "traps"
        self.traps.mkdir()
        for name in ("trap", "post-commit", "post-checkout", "pre-commit", "reference-transaction"):
            (self.traps / name).write_text("#!/bin/sh\nexit 1\n")
            (self.traps / name).chmod(0o755)
        self._opened = Opened(self.traps)
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)

    def filled(self, text: str, name: str = "trap") -> str:
        host, port = self._server.getsockname()
        return (
            text.replace("{T}", str(self.traps / name))
            .replace("{D}", str(self.traps))
            .replace("{R}", str(self.robot))
            .replace("{A}", f"http://{host}:{port}/")
            .replace("{S}", f"https://{host}:{port}/")
        )

    def sprung(self) -> set[str]:
        """Return what was opened or asked since the last call."""
        found = self._opened.names()
        with suppress(BlockingIOError):
            connection, _ = self._server.accept()
            connection.close()
            found.add("address")
        return found

    def naive(self, case: Case) -> None:
        """Run git as it is; a listener that says nothing is waited for shortly."""
        environ = {
            **{key: value for key, value in os.environ.items() if "proxy" not in key.lower()},
            "GIT_CONFIG_GLOBAL": "/dev/null", "GIT_TERMINAL_PROMPT": "0", "TERM": "xterm",
        }  # fmt: skip
        words = ["git", *IDENTITY, *(self.filled(one) for one in case.command)]
        primary, secondary = pty.openpty() if case.tty else (None, subprocess.DEVNULL)
        process = subprocess.Popen(
            words, cwd=self.robot, env=environ, stdin=subprocess.PIPE, stdout=secondary,
            stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        waits = any(one in str(case) for one in ("{A}", "{S}"))
        with suppress(subprocess.TimeoutExpired):
            process.communicate(case.stdin.encode(), timeout=0.5 if waits else 10)
        with suppress(ProcessLookupError):
            os.killpg(process.pid, 9)
        process.wait()
        if primary is not None:
            os.close(primary)
            os.close(secondary)

    def close(self) -> None:
        self._opened.close()
        self._server.close()


@pytest.fixture
def yard(template: Path, tmp_path: Path) -> Iterator[Yard]:
    made = Yard(template, tmp_path)
    yield made
    made.close()


def ask_everything(robot: Path) -> None:
    """Ask all that the product asks of a repository, and look at the answers."""
    with open_repository(robot) as repository:
        changes = repository.changes("HEAD~2")
        assert PurePosixPath("robot.yaml") in changes.paths
        assert PurePosixPath("notes.txt") not in changes.paths
        between = repository.changes("HEAD~1", "side")
        assert between.paths == {PurePosixPath("robot.yaml")}
        assert repository.files_named(None, "robot.yaml") == ("robot.yaml",)
        assert repository.files_named("side", "robot.yaml") == ("robot.yaml",)
        for text in ("HEAD@{1}", "@{-1}", ":/first", "1" * 40, "main@{upstream}"):
            with suppress(NoRevision):
                repository.commit(text)
        with repository.folder("HEAD~1", "") as laid:
            assert (laid.path / "robot.yaml").read_bytes() == b"a: 1\n"
            assert (laid.path / "notes.txt").read_bytes() == b"n\n"
            assert laid.submodules == (PurePosixPath("sub"),)
    assert is_revision(robot, "main")
    with contextlib.chdir(robot):
        assert "side" in revision_names()


@pytest.mark.parametrize("case", CASES, ids=[one.key for one in CASES])
def test_a_setting_does_nothing(case: Case, yard: Yard) -> None:
    """Our questions open and ask nothing; git itself does, so that the trap is known to work."""
    settings = [(case.key, case.value), *case.also]
    config = yard.robot / ".git" / "config"
    with config.open("a") as file:
        file.write(config_text([(yard.filled(key), yard.filled(to)) for key, to in settings]))
    (yard.robot / "robot.yaml").write_text("a: 22\n")
    (yard.robot / "other").write_text("changed\n")
    yard.sprung()
    ask_everything(yard.robot)
    assert yard.sprung() == set()
    yard.naive(case)
    assert yard.sprung() != set(), "the control: git heeds this setting"


@pytest.mark.parametrize("value", ["{T}", "!{T}", "ext::{T}", "{A}", "file://{T}"])
def test_no_key_of_gits_whole_list_does_anything(
    value: str, yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that ``git help --config`` lists, at once, in each file of settings of a repository."""
    settings = []
    for key in every_key():
        name = re.sub(r"[^a-zA-Z0-9.]", "_", key)
        (yard.traps / name).write_text("#!/bin/sh\nexit 1\n")
        (yard.traps / name).chmod(0o755)
        settings.append((key, yard.filled(value, name)))
    own = yard.robot / ".git"
    for file in ("config", "config.worktree", "modules"):
        (own / file).write_text(config_text(settings))
    shutil.copy(own / "modules", yard.robot / ".gitmodules")
    (own / "info").mkdir(exist_ok=True)
    (own / "info" / "attributes").write_text(ATTRIBUTES)
    hook = yard.filled("#!/bin/sh\nexec {T}\n")
    for one in (
        "post-index-change",
        "reference-transaction",
        "fsmonitor-watchman",
        "post-checkout",
    ):
        (own / "hooks" / one).write_text(hook)
        (own / "hooks" / one).chmod(0o755)
    yard.sprung()
    ask_everything(yard.robot)
    assert yard.sprung() == set()
    # Control, with git's reader alone, since one nonsense of so many ends any command.
    words = ["git", "config", "--includes", "--file", str(own / "config"), "--list"]
    subprocess.run(words, cwd=yard.traps, check=False, capture_output=True)
    assert value != "{T}" or "include.path" in yard.sprung()


VARIABLES = [
    "GIT_DIR",
    "GIT_WORK_TREE",
    "GIT_INDEX_FILE",
    "GIT_OBJECT_DIRECTORY",
    "GIT_COMMON_DIR",
    "GIT_NAMESPACE",
    "GIT_CEILING_DIRECTORIES",
    "GIT_CONFIG",
    "GIT_CONFIG_PARAMETERS",
    "GIT_EXTERNAL_DIFF",
    "GIT_SSH",
    "GIT_SSH_COMMAND",
    "GIT_ASKPASS",
    "GIT_PROXY_COMMAND",
    "GIT_EDITOR",
    "GIT_SEQUENCE_EDITOR",
    "GIT_PAGER",
    "GIT_EXEC_PATH",
    "GIT_TEMPLATE_DIR",
    "GIT_TRACE",
    "GIT_TRACE_SETUP",
    "GIT_TRACE2",
    "GIT_TRACE2_EVENT",
    "GIT_GRAFT_FILE",
    "GIT_SHALLOW_FILE",
    "GIT_REPLACE_REF_BASE",
    "GIT_ATTR_SOURCE",
    "GIT_DEFAULT_HASH",
    "GIT_PREFIX",
    "GIT_REDIRECT_STDOUT",
    "GIT_SSL_CAINFO",
    "GIT_QUARANTINE_PATH",
]
"""Those of git(1), "Environment Variables", that name a program, a path or a place to look."""


def test_no_variable_of_the_caller_leads_elsewhere(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hook of another repository sets them; each of them would mean that one."""
    for name in VARIABLES:
        monkeypatch.setenv(name, yard.filled("{T}"))
    monkeypatch.setenv("GIT_CONFIG_COUNT", "1")
    monkeypatch.setenv("GIT_CONFIG_KEY_0", "core.fsmonitor")
    monkeypatch.setenv("GIT_CONFIG_VALUE_0", yard.filled("{T}"))
    yard.sprung()
    ask_everything(yard.robot)
    assert yard.sprung() == set()
    subprocess.run(["git", "status"], cwd=yard.robot, check=False, capture_output=True)
    assert yard.sprung()


def test_a_git_in_the_folder_worked_in_is_not_run(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An entry of PATH that is no whole path means a folder that may be a stranger's."""
    shutil.copy(yard.traps / "trap", yard.robot / "git")
    monkeypatch.chdir(yard.robot)
    for entry in (".", "", "../robot"):
        monkeypatch.setenv("PATH", f"{entry}:{os.environ['PATH']}")
    ask_everything(yard.robot)
    monkeypatch.setenv("PATH", ".")
    with pytest.raises(NoRevision, match="git is not installed"):
        ask_everything(yard.robot)


def _traced(script: str, folder: Path, log: Path) -> list[str]:
    words = ["strace", "-f", "-qq", "-e", "trace=execve,execveat,connect", "-o", str(log)]
    subprocess.run([*words, sys.executable, "-c", script], cwd=folder, check=True)
    rows = log.read_text().splitlines()
    return [one for one in rows if re.search(r"\) = 0$|EINPROGRESS", one)]


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_no_program_but_git_is_started(yard: Yard, tmp_path: Path) -> None:
    """With the eyes of the kernel: every program that starts, and every connection."""
    text = "".join(
        config_text(
            [(yard.filled(key), yard.filled(to)) for key, to in [(one.key, one.value), *one.also]]
        )
        for one in CASES
        if "extensions" not in str(one) and not one.key.startswith("include")
    )
    with (yard.robot / ".git" / "config").open("a") as file:
        file.write(text.replace(str(yard.robot), "/nowhere"))
    (yard.robot / "robot.yaml").write_text("a: 22\n")
    call: Callable[[str], str] = "from pathlib import Path\n{}\n".format
    ours = "import tests.edge.test_git_settings as t; t.ask_everything(Path.cwd() / 'robot')"
    here = Path(__file__).parents[2]
    seen = _traced(
        f"import sys; sys.path.insert(0, {str(here)!r})\n" + call(ours), tmp_path, tmp_path / "ours"
    )
    git_itself = shutil.which("git")
    assert any(f'"{git_itself}"' in one for one in seen)
    others = [
        one for one in seen if f'"{git_itself}"' not in one and f'"{sys.executable}"' not in one
    ]
    assert others == []
    naive = "import subprocess; subprocess.run(['git', '-C', 'robot', 'status'], check=False)"
    seen = _traced(naive, tmp_path, tmp_path / "naive")
    assert any("trap" in one for one in seen), "the control"
