"""What shells complete: driven by the shells themselves, with typer's own scripts for them."""

from __future__ import annotations

import os
import pty
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from robokit_plan.edge.facts import read_parts
from robokit_plan.edge.names import board_names, part_names, release_names, rule_names
from robokit_plan.edge.rules import read_rules
from robokit_plan.model import find_part
from tests.cli.conftest import Command

BIN = Path(sys.executable).parent


def environment(**more: str) -> dict[str, str]:
    return {**os.environ, "PATH": f"{BIN}:{os.environ['PATH']}", "TERM": "dumb", **more}


Offered = Callable[[str], list[str]]


@pytest.fixture
def offered(command: Command, monkeypatch: pytest.MonkeyPatch) -> Offered:
    """Return what bash offers after some words, asked as its completion function asks."""

    def ask(words: str) -> list[str]:
        line = words.split(" ")
        monkeypatch.setenv("COMP_WORDS", "\n".join(["robokit-plan", *line]))
        monkeypatch.setenv("COMP_CWORD", str(len(line)))
        monkeypatch.setenv("_ROBOKIT_PLAN_COMPLETE", "complete_bash")
        done = command()
        assert (done.status, done.err) == (0, "")
        return done.out.split()

    return ask


@pytest.mark.parametrize(
    ("words", "names"),
    [
        ("en", ["enable"]),
        ("enable m", ["mast"]),
        ("enable ", ["log", "mast"]),
        ("enable log ", ["mast"]),
        ("disable ", ["leak", "horn"]),
        ("disable leak ", ["horn"]),
        ("enable --profile bench ", ["log", "mast"]),
        ("check --profile ", ["bench"]),
        ("check --profile b", ["bench"]),
        ("check --board raspberrypi,4", ["raspberrypi,4-model-b", "raspberrypi,400"]),
        ("check --release ", ["debian-12", "debian-13"]),
        ("boards ti", ["ti,am335x-bone-black"]),
        ("parts bno", ["bno055", "bno085"]),
        ("new tilt --part bno055", ["bno055"]),
        ("rules pin-col", ["pin-collision"]),
        ("lint --format s", ["sarif"]),
        ("diff b", ["bench"]),
        ("enable --robot elsewhere ", []),
    ],
)
def test_names_are_offered(words: str, names: list[str], dinghy: Path, offered: Offered) -> None:
    assert offered(words) == names, dinghy


def test_a_robot_elsewhere_is_asked_for_its_names(
    dinghy: Path, tmp_path: Path, offered: Offered, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert offered("disable l") == []
    assert offered(f"disable --robot {dinghy} l") == ["leak"]


@pytest.mark.parametrize("text", ["", "enabled: [", "- a", "enabled: {a: b}", "\x00"])
def test_a_robot_file_that_is_broken_has_no_names(
    text: str, dinghy: Path, offered: Offered
) -> None:
    """A key stroke never ends in a message."""
    (dinghy / "robot.yaml").write_text(text, "utf-8")
    assert offered("disable ") == []


def test_branches_and_tags_are_revisions(dinghy: Path, offered: Offered) -> None:
    subprocess.run(["git", "init", "-q", "-b", "pond"], cwd=dinghy, check=True)
    assert offered("lint --since ") == []
    identity = ["-c", "user.name=b", "-c", "user.email=b@raft.example"]
    subprocess.run(
        ["git", *identity, "commit", "-q", "--allow-empty", "-m", "x"], cwd=dinghy, check=True
    )
    subprocess.run(["git", "tag", "launched"], cwd=dinghy, check=True)
    assert offered("lint --since ") == ["pond", "launched"]
    assert offered("diff ") == ["bench", "pond", "launched"]


def test_completing_imports_no_planner(dinghy: Path) -> None:
    """Between two key strokes there is no time for it."""
    code = (
        "import sys\n"
        "from robokit_plan.cli import main\n"
        "try:\n    main([])\n"
        "finally:\n    print(sorted(one for one in sys.modules if one.startswith('robokit_plan.')), "
        "file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment(
            COMP_WORDS="robokit-plan\nenable\n",
            COMP_CWORD="2",
            _ROBOKIT_PLAN_COMPLETE="complete_bash",
        ),
        cwd=dinghy,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.split() == ["log", "mast"], done
    for name in ("planner", "model", "hardware", "resolve", "edge.reading"):
        assert f"'robokit_plan.{name}'" not in done.stderr


def test_the_names_are_those_that_commands_know() -> None:
    assert len(rule_names()) > 200
    assert sorted(rule_names()) == sorted(read_rules())
    known = read_parts()
    assert len(part_names()) == len({one.name for one in known.values()})
    assert all(find_part(known, name) for name in part_names())
    assert "raspberrypi,4-model-b" in board_names()
    assert release_names() == ["debian-12", "debian-13"]


KEYS = {
    # shell -> how it is started plainly, and how it takes the script of `--show-completion`
    "bash": (
        ["bash", "--norc", "--noprofile", "-i"],
        'eval "$(robokit-plan --show-completion bash)"',
    ),
    "zsh": (
        ["zsh", "-f", "-i"],
        'autoload -Uz compinit; compinit -u; eval "$(robokit-plan --show-completion zsh)"',
    ),
    "fish": (["fish", "--no-config", "-i"], "robokit-plan --show-completion fish | source"),
}


@pytest.mark.parametrize("shell", KEYS)
def test_a_tab_completes(shell: str, dinghy: Path, tmp_path: Path) -> None:
    """The tab key at a real terminal: the rest of the only name that fits appears."""
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed")
    start, script = KEYS[shell]
    child, terminal = pty.fork()
    if child == 0:
        signal.signal(signal.SIGINT, signal.SIG_DFL)  # ignored, perhaps, by who started the tests
        os.chdir(dinghy)
        os.execvpe(start[0], start, environment(HOME=str(tmp_path), TERM="xterm", PS1="% "))
    try:
        _until(terminal, "")
        os.write(terminal, f"{script}; echo rea''dy\n".encode())
        _until(terminal, "ready")
        os.write(terminal, b"robokit-plan disable ho\t")
        shown = _until(terminal, "horn")
        assert "horn" in shown.replace("\x1b[K", ""), shown
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)
        os.close(terminal)


def _until(terminal: int, words: str) -> str:
    """Return what the terminal shows until *words* stand there, or nothing comes any more."""
    shown = ""
    end = time.monotonic() + 300
    while time.monotonic() < end:
        ready, _, _ = select.select([terminal], [], [], 0.5)
        if ready:
            shown += os.read(terminal, 65_536).decode("utf-8", "replace")
        if (words and words in shown) or (not words and shown and not ready):
            break
    return shown
