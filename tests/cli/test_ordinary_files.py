"""What is no file, in place of one: told at once, by every command, and never waited for."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from robokit_plan.cli._app import run
from robokit_plan.edge.cache import cache_file
from tests.cli.conftest import Command
from tests.cli.skiff import ROBOT, Skiff

pytestmark = pytest.mark.timeout(60)


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        # Names of sockets are short; the working folder is that of the robot.
        made.bind(os.path.relpath(path))


KINDS: dict[str, tuple[Callable[[Path], None], str]] = {
    "pipe": (os.mkfifo, "it is a pipe"),
    "device": (lambda path: path.symlink_to("/dev/zero"), "it is a device"),
    "socket": (_socket, "it is a socket"),
    "folder": (Path.mkdir, "it is a folder"),
}
LOCK = "pylock.dinghy.toml"
OF_LOCK = (
    ("check",), ("lock",), ("lock", "--upgrade"), ("script",), ("card",), ("verify",), ("wiring",),
    ("report",), ("report", "--format", "cyclonedx"), ("diff",), ("diff", "bench"), ("suggest",),
    ("enable", "log", "--dry-run"), ("enable", "log", "--yes"), ("disable", "leak", "--yes"),
)  # fmt: skip
OF_ROBOT = (("check",), ("lock",), ("suggest",), ("report",), ("enable", "log", "--yes"))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("words", OF_LOCK, ids=" ".join)
def test_as_lock_file(dinghy: Path, command: Command, words: tuple[str, ...], kind: str) -> None:
    """Nothing is read from it, it stays where it is, and what is printed puts it aside."""
    make, why = KINDS[kind]
    make(dinghy / LOCK)
    robot = (dinghy / "robot.yaml").read_bytes()
    done = command(*words)
    assert done.status == 2
    assert f"{LOCK} cannot be read: {why}" in done.err
    assert f"  fix  mv --backup=numbered {LOCK} {LOCK}.before\n" in done.err
    assert (dinghy / "robot.yaml").read_bytes() == robot
    assert (dinghy / LOCK).is_symlink() or not (dinghy / LOCK).is_file()
    (dinghy / LOCK).rename(dinghy / f"{LOCK}.before")
    assert command("lock").status == 0


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("words", OF_ROBOT, ids=" ".join)
def test_as_boot_file(dinghy: Path, command: Command, words: tuple[str, ...], kind: str) -> None:
    make, why = KINDS[kind]
    make(dinghy / "odd")
    file = dinghy / "robot.yaml"
    file.write_text(f"{file.read_text()}system: {{boot-config: odd}}\n")
    done = command(*words)
    assert done.status == 2, done
    # A link to a device leads out of the robot's folder, which is told first.
    led_out = "boot-config odd is not a file in the robot's folder"
    assert f"odd cannot be read: {why}" in done.err or (kind == "device" and led_out in done.err)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "words", [("check",), ("lock",), ("lint",), ("diff",), ("new", "mast-two")]
)
def test_as_robot_file(dinghy: Path, command: Command, words: tuple[str, ...], kind: str) -> None:
    """Whether named or found; `new` needs only its folder."""
    assert command("lock").status == 0
    make, why = KINDS[kind]
    robot = dinghy / "robot.yaml"
    robot.unlink()
    make(robot)
    named = () if words[0] == "lint" else ("--robot", "robot.yaml")
    done = command(*words, *named)
    if words[0] == "lint" and kind in {"device", "folder"}:
        # A link that leads out, or a folder of that name, is no robot file of this folder.
        assert done.status == 0, done
        return
    assert done.status == 2, done
    # `--robot FOLDER` means the robot file in it.
    words_ = "there is no such file" if kind == "folder" else why
    assert f"robot.yaml cannot be read: {words_}" in done.err + done.out


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("words", [("check",), ("lint",), ("lock",)], ids=" ".join)
def test_as_manifest(dinghy: Path, command: Command, words: tuple[str, ...], kind: str) -> None:
    make, why = KINDS[kind]
    manifest = dinghy / "plugins" / "leak" / "manifest.yaml"
    manifest.unlink()
    make(manifest)
    done = command(*words)
    said = done.err + done.out
    if kind == "device" and words != ("lint",):
        # A link that leads out of the robot's folder is not even looked at.
        assert done.status == 1, done
        assert "error path-escape" in said
    elif kind in {"device", "folder"} and words == ("lint",):
        # No manifest is there; the robot file that enables it says so.
        assert done.status == 1, done
        assert "leak" in said
    else:
        assert done.status == 2, done
        assert f"plugins/leak/manifest.yaml cannot be read: {why}" in said


@pytest.mark.parametrize("kind", KINDS)
def test_as_keyring(skiff: Skiff, capsys: pytest.CaptureFixture[str], kind: str) -> None:
    """Of an archive that the robot file declares."""
    make, _ = KINDS[kind]
    make(skiff.root / "odd.gpg")
    source = f'{{name: pond, url: "{skiff.mirror.url}/debian", suites: [trixie], '
    skiff.write(
        "robot.yaml",
        ROBOT.replace("{suites:", f"{{sources: [{source}signed-by: odd.gpg}}], suites:"),
    )
    status = run(["check"])
    said = capsys.readouterr()
    assert status == 1, said
    assert "error source-key-missing: odd.gpg, the key of archive pond, is no file" in said.out


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "name",
    ["etc/os-release", "etc/passwd", "etc/group", "var/lib/dpkg/status", "opt/dinghy/wiring.json"],
)
def test_as_file_of_a_machine(
    dinghy: Path, command: Command, tmp_path: Path, name: str, kind: str
) -> None:
    """Of a card that `verify` looks at: as if it were not there."""
    assert command("lock").status == 0
    without = tmp_path / "without"
    odd = tmp_path / "odd"
    for root in (without, odd):
        for one in ("etc", "var/lib/dpkg", "opt/dinghy"):
            (root / one).mkdir(parents=True)
    make, _ = KINDS[kind]
    os.chdir((odd / name).parent)
    make(Path(Path(name).name))
    os.chdir(dinghy)
    told = command("verify", "--root", str(odd))
    plain = command("verify", "--root", str(without))
    assert told.status == plain.status == 1, told
    assert told.out.replace(str(odd), "") == plain.out.replace(str(without), "")


@pytest.mark.parametrize("kind", KINDS)
def test_as_base(skiff: Skiff, capsys: pytest.CaptureFixture[str], kind: str) -> None:
    """The status file of a card."""
    make, why = KINDS[kind]
    make(skiff.root / "odd")
    skiff.write("robot.yaml", ROBOT.replace("{suites:", "{base: odd, suites:"))
    status = run(["check"])
    said = capsys.readouterr()
    assert status == 2, said
    assert why in said.err or (kind == "device" and "odd lies outside" in said.err)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("suffix", ["", "-wal", "-shm", "-journal"])
def test_as_cache(
    skiff: Skiff, capsys: pytest.CaptureFixture[str], tmp_path: Path, kind: str, suffix: str
) -> None:
    """What is kept is begun anew beside it."""
    make, _ = KINDS[kind]
    place = tmp_path / "cache"
    place.mkdir()
    os.chdir(place)
    make(Path(cache_file(os.environ).name + suffix))
    os.chdir(skiff.root)
    assert run(["check"]) == 0, capsys.readouterr()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", ["pip.conf", "apt/sources.list", "apt/sources.list.d/b.sources"])
def test_as_settings(
    skiff: Skiff,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    kind: str,
    name: str,
) -> None:
    """Of pip and of apt: left out, as the device is that says that there are none."""
    make, _ = KINDS[kind]
    path = skiff.home / name
    path.unlink(missing_ok=True)
    os.chdir(path.parent)
    make(Path(path.name))
    os.chdir(skiff.root)
    monkeypatch.setenv("PIP_INDEX_URL", f"{skiff.index.url}/simple")
    status = run(["check"])
    said = capsys.readouterr()
    assert status == 0, said
