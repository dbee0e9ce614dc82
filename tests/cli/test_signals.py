"""
Ctrl-C, a hang-up, a polite kill: under a second, 128 and the signal's number, one line, whole files.

Source of the statuses: POSIX.1-2017, XCU 2.8.2 "Exit Status for Commands" (greater than 128), and the
usual 128 + n of shells (common practice, no source).
"""

from __future__ import annotations

import os
import pty
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.cli.skiff import Skiff
from tests.edge.index_server import tarball

CHECKOUT = Path(__file__).parents[2]
SAID = "robokit-plan: stopped; no file is half written\n"
SOON_S = 1.0
"""From the signal to the end, on a machine that does nothing else."""


def slack_s() -> float:
    """Return how much longer it may take here and now: what an empty Python needs to start and end."""
    begun = time.monotonic()
    subprocess.run([sys.executable, "-c", "import typer"], check=True)
    return 5 * (time.monotonic() - begun)


def started(
    *arguments: str,
    program: tuple[str, ...] = ("-m", "robokit_plan"),
    nohup: bool = False,
) -> subprocess.Popen[str]:
    """Start a command in a session of its own."""
    return subprocess.Popen(
        [*(("nohup",) if nohup else ()), sys.executable, *program, *arguments],
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def done(*arguments: str) -> int:
    """Return the status of a command that nothing disturbs."""
    process = started(*arguments)
    process.communicate(timeout=120)
    return process.returncode


def ended(process: subprocess.Popen[str], number: int = signal.SIGINT) -> str:
    """Send the signal, hold the end to be as it should be; return what was said."""
    begun = time.monotonic()
    process.send_signal(number)
    try:
        _, said = process.communicate(timeout=30)
    finally:
        process.kill()
    took = time.monotonic() - begun
    assert process.returncode == 128 + number, said
    assert said == SAID
    assert took < SOON_S + slack_s()
    return said


@dataclass(frozen=True)
class Silent:
    """A server that takes every connection and says nothing; `asked` once somebody came."""

    url: str
    asked: threading.Event


@pytest.fixture
def silent() -> Iterator[Silent]:
    """Listen until the test ends."""
    server = socket.create_server(("127.0.0.1", 0), backlog=64)
    asked = threading.Event()
    kept = []

    def listen() -> None:
        with suppress(OSError):
            while True:
                kept.append(server.accept())
                asked.set()

    threading.Thread(target=listen, daemon=True).start()
    yield Silent(f"http://127.0.0.1:{server.getsockname()[1]}", asked)
    server.shutdown(socket.SHUT_RDWR)
    server.close()
    for connection, _ in kept:
        connection.close()


def waits_for(path: Path) -> str:
    """Wait until there is something in *path*."""
    until = time.monotonic() + 60
    while not (path.exists() and path.read_text()):
        assert time.monotonic() < until
        time.sleep(0.01)
    return path.read_text()


def files_of(skiff: Skiff) -> dict[str, bytes]:
    """Return what the robot's folder holds, files under way as well."""
    return {str(one): one.read_bytes() for one in skiff.root.rglob("*") if one.is_file()}


def is_there(pid: int) -> bool:
    """Whether that process lives; one that is only not yet fetched does not."""
    with suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    ("command", "number"),
    [
        ("check", signal.SIGINT),
        ("check", signal.SIGTERM),
        ("lock", signal.SIGHUP),
        *(pytest.param(one, signal.SIGINT, marks=SLOW) for one in ("lock", "report", "suggest")),
    ],
)
def test_while_an_index_says_nothing(
    skiff: Skiff, silent: Silent, command: str, number: signal.Signals
) -> None:
    """The threads that wait for it are not waited for; files are as before."""
    (skiff.home / "pip.conf").write_text(
        f"[global]\nindex-url = {silent.url}/simple\ntimeout = 60\n"
    )
    before = files_of(skiff)
    process = started(command)
    assert silent.asked.wait(60)
    ended(process, number)
    assert files_of(skiff) == before


def test_while_a_mirror_says_nothing(skiff: Skiff, silent: Silent) -> None:
    """The same on Debian's side."""
    (skiff.home / "apt/sources.list.d/debian.sources").write_text(
        f"Types: deb\nURIs: {silent.url}/debian\nSuites: trixie\nComponents: main\nTrusted: yes\n"
    )
    process = started("check")
    assert silent.asked.wait(60)
    ended(process)


def test_while_a_card_is_fetched(skiff: Skiff, silent: Silent) -> None:
    """No folder under way is left."""
    assert done("lock") == 0
    lock = skiff.root / "pylock.skiff.toml"
    lock.write_text(lock.read_text().replace(f"{skiff.index.url}/", f"{silent.url}/"))
    before = files_of(skiff)
    process = started("card", "--offline")
    assert silent.asked.wait(60)
    ended(process)
    assert files_of(skiff) == before
    assert not list(skiff.root.glob(".card-*"))


def test_while_apt_is_asked(skiff: Skiff, tmp_path: Path) -> None:
    """A program that we wait for ends as well."""
    mark = tmp_path / "mark"
    (skiff.home / "bin/apt-config").write_text(f"#!/bin/sh\necho $$ > {mark}\nexec sleep 60\n")
    process = started("check")
    pid = int(waits_for(mark))
    ended(process)
    assert not is_there(pid)


BACKEND = """\
import os, subprocess, sys, time
child = subprocess.Popen(["sleep", "60"])
with open({mark!r}, "w") as file:
    file.write(f"{{os.getpid()}} {{child.pid}}")
time.sleep(60)
"""


def test_while_something_is_built(skiff: Skiff, tmp_path: Path) -> None:
    """So does what a build started in its turn."""
    mark = tmp_path / "mark"
    body = tarball(
        {
            "raw-1.0/PKG-INFO": b"Metadata-Version: 2.1\nName: raw\nVersion: 1.0\n",
            "raw-1.0/pyproject.toml": b"[build-system]\nrequires = []\n"
            b'build-backend = "backend"\nbackend-path = ["."]\n',
            "raw-1.0/backend.py": BACKEND.format(mark=str(mark)).encode(),
        }
    )
    skiff.index.add("raw", {"raw-1.0.tar.gz": body})
    skiff.plugin("leak", "python: {requires: [raw]}\n")
    process = started("lock", "--build-metadata")
    pids = [int(one) for one in waits_for(mark).split()]
    ended(process)
    time.sleep(0.1)
    assert not [one for one in pids if is_there(one)]


SOLVING = """\
import sys
from pathlib import Path
from robokit_plan import cli
from robokit_plan.cli import _plain

def solve(*_):
    Path({mark!r}).write_text("begun")
    while True:
        sorted(range(1000))

_plain._check = solve
sys.argv = ["robokit-plan", "check"]
cli.main()
"""


def test_while_it_thinks(tmp_path: Path) -> None:
    """Without any wait in it."""
    mark = tmp_path / "mark"
    process = started(program=("-c", SOLVING.format(mark=str(mark))))
    waits_for(mark)
    ended(process)


@pytest.mark.parametrize("moments", [6, pytest.param(60, marks=SLOW)])
@pytest.mark.timeout(0)  # as many moments as were asked for
def test_at_any_moment(skiff: Skiff, moments: int) -> None:
    """While modules are imported too: no traceback, and the lock file whole or not there."""
    lock = skiff.root / "pylock.skiff.toml"
    begun = time.monotonic()
    assert done("lock") == 0
    usual_s = time.monotonic() - begun
    whole = lock.read_bytes()
    lock.unlink()
    bare_s = slack_s() / 5
    for at in range(moments):
        process = started("lock")
        # Before Python itself has begun there is nobody who could say anything.
        with suppress(subprocess.TimeoutExpired):
            process.wait(bare_s / 2 + usual_s * at / moments)
        process.send_signal(signal.SIGINT)
        out, said = process.communicate(timeout=60)
        assert "Traceback" not in said
        assert process.returncode in {130, 0}, (said, out)
        assert (process.returncode == 130) == (SAID in said)
        assert [one.name for one in skiff.root.glob("*pylock*")] in ([], [lock.name])
        if lock.exists():
            assert lock.read_bytes() == whole
            lock.unlink()


@pytest.mark.parametrize("keys", [b"\x03", b"\x04", b"n\n", b"\n"])
def test_at_a_question(skiff: Skiff, keys: bytes) -> None:
    """Ctrl-C is 130; the end of input is no, as n is; Enter takes what is offered."""
    before = files_of(skiff)
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ["PYTHONPATH"] = str(CHECKOUT)
        os.execv(sys.executable, [sys.executable, "-m", "robokit_plan", "disable", "post"])
    said = _until(terminal, b"[Y/n]:")
    begun = time.monotonic()
    os.write(terminal, keys)
    said = _until(terminal, None)
    _, status = os.waitpid(pid, 0)
    took = time.monotonic() - begun
    os.close(terminal)
    code = os.waitstatus_to_exitcode(status)
    if keys == b"\x03":
        assert code == 130, said
        assert said.replace(b"\r", b"").endswith(b"\n" + SAID.encode())
        assert took < SOON_S + slack_s()
    else:
        assert code == 0, said
        assert (b"nothing was changed" in said) == (keys != b"\n")
    assert (files_of(skiff) == before) == (keys != b"\n")


def _until(terminal: int, words: bytes | None) -> bytes:
    """Return what the terminal shows up to *words*, or to its end."""
    seen = b""
    while words is None or words not in seen:
        assert select.select([terminal], [], [], 60)[0], seen
        try:
            piece = os.read(terminal, 4096)
        except OSError:  # the other side is closed
            piece = b""
        if not piece:
            assert words is None, seen
            break
        seen += piece
    return seen


def test_what_is_ignored_stays_ignored(skiff: Skiff) -> None:
    """As behind nohup, or an & of a shell."""
    process = started("check", nohup=True)
    time.sleep(0.3)
    process.send_signal(signal.SIGHUP)
    process.communicate(timeout=120)
    assert process.returncode == 0


def test_two_files_change_together(skiff: Skiff) -> None:
    """A signal between the lock file and the robot file waits for the second one."""
    assert done("lock") == 0
    code = (
        "import os, signal, sys\n"
        "from robokit_plan import cli\n"
        "from robokit_plan.edge import files\n"
        "real = files.write_atomically\n"
        "def write(path, text, mode=None):\n"
        "    real(path, text, mode)\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
        "files.write_atomically = write\n"
        "sys.argv = ['robokit-plan', 'disable', 'post', '--yes']\n"
        "cli.main()\n"
    )
    process = started(program=("-c", code))
    _, said = process.communicate(timeout=120)
    assert process.returncode == 130
    assert SAID in said
    assert "post" not in (skiff.root / "robot.yaml").read_text()
    assert "mosquitto" not in (skiff.root / "pylock.skiff.toml").read_text()
