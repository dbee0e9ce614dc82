"""What a person at a terminal sees and answers, through a real pseudo-terminal."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import sys
import termios
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from robokit_plan.cli import _terminal
from robokit_plan.edge.rules import read_rules
from tests.cli.conftest import Command

ROOT = Path(__file__).parents[2]
_COLOUR = re.compile(r"\x1b\[[0-9;]*m")


class Terminal:
    """One call of the command line over the frozen rows of the dinghy, *columns* wide."""

    def __init__(
        self,
        words: Sequence[str],
        folder: Path,
        *,
        columns: int = 80,
        environ: Mapping[str, str] | None = None,
    ) -> None:
        around = {
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "TERM": "xterm-256color",
            "ROBOKIT_PLAN_CACHE": str(folder.parent / "cache"),
            **(environ or {}),
        }
        around.pop("COLUMNS", None)
        if environ is None:
            around.pop("NO_COLOR", None)
        self.child, self._side = pty.fork()
        if self.child == 0:
            # Whoever starts tests in the background may have these ignored, which is inherited.
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            signal.signal(signal.SIGHUP, signal.SIG_DFL)
            os.chdir(folder)
            call = [sys.executable, "-m", "tests.cli.frozen_run", *words]
            os.execve(sys.executable, call, around)
        size = struct.pack("HHHH", 40, columns, 0, 0)
        fcntl.ioctl(self._side, termios.TIOCSWINSZ, size)
        self.shown = ""
        self._ended = False

    def until(self, words: str) -> None:
        """Read until *words* were shown."""
        end = time.monotonic() + 600
        while words not in self.shown:
            assert time.monotonic() < end, self.shown
            assert self._more(), self.shown

    def type(self, text: str) -> None:
        """Type *text*."""
        os.write(self._side, text.encode())

    def interrupt(self) -> None:
        """
        Press Ctrl-C until something is said to it.

        A signal that comes between the prompt and the read that waits for an answer is seen after
        that read (signal, "Execution of Python signal handlers"); a person just presses again.
        """
        shown = len(self.shown)
        for _ in range(60):
            self.type("\x03")
            end = time.monotonic() + 1
            while "Aborted" not in self.shown[shown:] and (left := end - time.monotonic()) > 0:
                if select.select([self._side], [], [], left)[0] and not self._more():
                    return
            if "Aborted" in self.shown[shown:]:
                return

    def status(self) -> int:
        """Read to the end and return the exit status."""
        try:
            while self._more():
                pass
            if not self._ended:
                os.kill(self.child, signal.SIGKILL)  # it waits for an answer that nobody types
        finally:
            os.close(self._side)
            _, status = os.waitpid(self.child, 0)
        return os.waitstatus_to_exitcode(status)

    def _more(self) -> bool:
        ready, _, _ = select.select([self._side], [], [], 60)
        if not ready:
            return False
        try:
            read = os.read(self._side, 65_536)
        except OSError:  # what Linux says at the end of a pseudo-terminal
            read = b""
        self.shown += read.decode("utf-8", "replace").replace("\r\n", "\n")
        self._ended = not read
        return bool(read)


@pytest.mark.parametrize(("answer", "does"), [("\n", True), ("n\n", False), ("\x03", False)])
def test_the_diff_comes_first_then_the_question(answer: str, does: bool, dinghy: Path) -> None:
    """Yes is the default where it can be built; no and Ctrl-C leave everything as it is."""
    robot = dinghy / "robot.yaml"
    before = robot.read_text("utf-8")
    terminal = Terminal(["enable", "log"], dinghy)
    terminal.until("Do it? [Y/n]: ")
    assert terminal.shown.index("because of") < terminal.shown.index("Do it?")
    assert robot.read_text("utf-8") == before
    if answer == "\x03":
        terminal.interrupt()
    else:
        terminal.type(answer)
    status = terminal.status()
    assert status != -signal.SIGKILL
    assert (robot.read_text("utf-8") != before) is does
    assert (dinghy / "pylock.dinghy.toml").exists() is does
    assert "Traceback" not in terminal.shown
    if does:
        assert status == 0
        undo = Terminal(["enable", "--undo"], dinghy)
        assert undo.status() == 0
        assert robot.read_text("utf-8") == before
        assert not (dinghy / "pylock.dinghy.toml").exists()


def test_what_cannot_be_built_is_not_the_default(dinghy: Path) -> None:
    """Several at once, in a profile."""
    robot = dinghy / "robot.yaml"
    before = robot.read_text("utf-8")
    terminal = Terminal(["enable", "log", "mast", "--profile", "bench"], dinghy)
    terminal.until("This cannot be built as it stands. Do it all the same? [y/N]: ")
    assert "pin-collision" in terminal.shown
    terminal.type("\n")
    assert terminal.status() == 1
    assert robot.read_text("utf-8") == before
    assert "nothing was changed" in terminal.shown
    terminal = Terminal(["enable", "log", "--profile", "bench"], dinghy)
    terminal.until("Do it?")
    terminal.type("y\n")
    assert terminal.status() == 0
    assert robot.read_text("utf-8") == before.replace("[leak, horn]\n", "[leak, horn, log]\n")
    assert (dinghy / "pylock.dinghy-bench.toml").exists()


def test_new_asks_for_what_it_needs(dinghy: Path) -> None:
    terminal = Terminal(["new"], dinghy)
    for question, answer in (
        ("Name of the plugin", "tilt"),
        ("What it does for the robot, in one line: ", "Tilt of the deck"),
        ("Part that it wires up", "BNO-055"),
    ):
        terminal.until(question)
        terminal.type(f"{answer}\n")
    assert terminal.status() == 0, terminal.shown
    text = (dinghy / "plugins" / "tilt" / "manifest.yaml").read_text("utf-8")
    assert 'summary: "Tilt of the deck"' in text
    assert "part: bno055" in text


def _lines(shown: str) -> list[str]:
    return _COLOUR.sub("", shown).splitlines()


CALLS = (
    ("check", "--notes"),
    ("enable", "mast", "--dry-run"),
    ("diff", "--help"),
    ("wiring",),
    ("suggest", "--no-software"),
    ("boards",),
    ("boards", "raspberrypi,4-model-b"),
    ("parts",),
    ("rules",),
    ("rules", "i2c-speed"),
    ("lint", "--notes"),
)


@pytest.mark.parametrize("columns", [80, 200])
@pytest.mark.parametrize("call", CALLS, ids=" ".join)
def test_nothing_wraps_at_the_edge(
    call: tuple[str, ...],
    columns: int,
    dinghy: Path,
    command: Command,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Tables and paragraphs keep to the terminal; words that are typed are never cut."""
    monkeypatch.setattr(_terminal, "width", lambda: columns)
    monkeypatch.setattr(_terminal, "list_width", lambda: columns)
    monkeypatch.setenv("COLUMNS", str(columns))
    done = command(*call)
    shown = done.out.splitlines()
    assert shown, (done, dinghy)
    assert "…" not in done.out
    wide = [one for one in shown if len(one) > columns]
    # A finding's sentences, its repairs and the verdict are one line each: a terminal wraps them
    # at any width, and what is to be typed can be copied whole.
    whole = re.compile(r"  (at|why|fix) |(error|warning|note) |dinghy can")
    assert [one for one in wide if not whole.match(one)] == []


def test_a_terminal_says_how_wide_it_is(dinghy: Path) -> None:
    """The same list, laid out for two terminals; every name is whole in both."""
    for columns in (60, 200):
        terminal = Terminal(["rules"], dinghy, columns=columns)
        assert terminal.status() == 0
        lines = _lines(terminal.shown)
        assert max(map(len, lines)) <= columns
        assert {line.split()[0] for line in lines if not line.startswith(" ")} == set(read_rules())


@pytest.mark.parametrize(
    ("line", "shown"),
    [
        ("  why  one pin carries one function", "  why  one pin carries one\n       function"),
        (
            "error pin-collision: gpio17 is claimed twice",
            "error pin-collision: gpio17 is\n  claimed twice",
        ),
        (
            "boot     14 settings; they act after a reboot",
            "boot     14 settings; they act\n         after a reboot",
        ),
        ("  fix  robokit-plan disable helm thrusters leak-guard", None),
        ('  "message": "gpio17 is claimed twice, by two"', None),
        ("  at   plugins/leak-guard/manifest.yaml:31:7   leak", None),
    ],
)
def test_what_is_read_is_wrapped_and_what_is_typed_is_not(line: str, shown: str | None) -> None:
    assert _terminal.wrapped(line, 30) == (line if shown is None else shown)
    assert _terminal.wrapped(line, 200) == line


def test_colour_says_nothing_that_words_do_not(dinghy: Path) -> None:
    """Without colour, and through a pipe, there are the same characters and no codes."""
    call = ["enable", "mast", "--dry-run"]
    coloured = Terminal(call, dinghy)
    coloured.status()
    assert "\x1b[1;38;5;" in coloured.shown
    for name, value in (("NO_COLOR", "1"), ("TERM", "dumb")):
        plain = Terminal(call, dinghy, environ={name: value})
        plain.status()
        assert "\x1b" not in plain.shown
        assert _lines(coloured.shown) == _lines(plain.shown)
