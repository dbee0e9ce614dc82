"""Whatever stands in a folder, each call ends in clear words, soon, and with an exit status."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests import plain_yaml
from tests.casebook import kept_facts
from tests.cli.conftest import Command, Done
from tests.pace import within

LIMIT_S = 10.0
"""Of the processor. Two are the aim; a loaded machine has needed four, and what explodes needs more."""
CALLS = (
    ("check",),
    ("check", "--json"),
    ("lint",),
    ("lint", "--json"),
    ("lint", "--format", "gnu"),
)
MANIFEST = Path("plugins/leak/manifest.yaml")
ROBOT = Path("robot.yaml")


@pytest.fixture(scope="module", autouse=True)
def _facts_once() -> Iterator[None]:
    with kept_facts():
        yield


def assert_clear(done: Done, arguments: tuple[str, ...]) -> None:
    """The call says what is wrong and where; nothing of our own inside shows."""
    said = done.out + done.err
    assert done.status in {1, 2}, (arguments, done)
    assert "Traceback" not in said
    assert "fault of its own" not in said, said
    assert "error" in said
    assert "\0" not in said
    if "--json" in arguments:
        found = json.loads(done.out)
        assert found["findings"], done
        assert not found["ok"]
        assert all(one["places"] for one in found["findings"])
        assert done.err == ""


def calls_for(content: bytes) -> tuple[tuple[str, ...], ...]:
    """Return the calls to make; of a large file, two forms tell as much as all."""
    return CALLS if len(content) < 50_000 else (CALLS[0], CALLS[-1])


def judge(command: Command, calls: tuple[tuple[str, ...], ...] = CALLS) -> list[Done]:
    """Make the calls, each of which must end well."""
    all_done = []
    for arguments in calls:
        with within(LIMIT_S):
            done = command(*arguments)
        assert_clear(done, arguments)
        all_done.append(done)
    return all_done


CONTENTS: dict[str, bytes] = {
    "empty": b"",
    "nothing but a comment": b"# to be written\n",
    "a word": b"leak\n",
    "a list": b"- a\n- b\n",
    "two documents": b"format: 1\n---\nformat: 1\n",
    "binary": bytes(range(256)) * 40,
    "a picture": b"\x89PNG\r\n\x1a\n" + os.urandom(200),
    "UTF-16": "format: 1\nrobot: dinghy\n".encode("utf-16"),
    "Latin 1": "format: 1\nsummary: größer\n".encode("latin-1"),
    "NUL bytes": b"format: 1\nrobot: din\0ghy\n\0\0",
    "NUL written out": b'format: 1\nrobot: "din\\0ghy"\nplugin: "le\\0ak"\n',
    "a tab in front": b"format: 1\nhardware:\n\tsignals: {}\n",
    "an open quote": b'format: 1\nrobot: "dinghy\n',
    "an open bracket": b"format: 1\nenabled: [leak\n",
    "a merge mark": b"format: 1\n<<<<<<< HEAD\nrobot: dinghy\n",
    "a tag that makes objects": b"!!python/object/apply:os.system ['true']\n",
    "an anchor without end": b"a: &a [*a]\n",
    "an alias bomb": b"a: &a [x,x,x,x,x,x,x,x,x]\n"
    + b"".join(
        b"%c: &%c [%s]\n" % (at, at, b",".join([b"*%c" % (at - 1)] * 9)) for at in range(98, 110)
    ),
    "deep nesting": b"a: " + b"[" * 20_000 + b"]" * 20_000 + b"\n",
    "deep maps": b"".join(b" " * at + b"a:\n" for at in range(2_000)),
    "10,000 keys": b"".join(b"key%d: %d\n" % (at, at) for at in range(10_000)),
    "10,000 items": b"format: 1\nenabled:\n" + b"".join(b"- p%d\n" % at for at in range(10_000)),
    "one line of 2 MB": b"x-note: " + b"y" * 2_000_000 + b"\n",
    "2 MB of lines": b"# a note\n" * 230_000,
    "a huge number": b"format: 1" + b"0" * 5_000 + b"\n",
    "only anchors": b"&a : &b\n",
    "a line break in a name": b'format: 1\nrobot: "a\\nb"\nplugin: "a\\nb"\n',
    "terminal codes": b'format: 1\nrobot: "\\e[31mred"\nplugin: "\\e]0;title\\a"\n',
}


@pytest.mark.parametrize("content", CONTENTS.values(), ids=CONTENTS.keys())
def test_a_robot_file_that_is_none(content: bytes, dinghy: Path, command: Command) -> None:
    """Whatever its bytes are."""
    (dinghy / ROBOT).write_bytes(content)
    for done in judge(command, calls_for(content)):
        assert "\x1b" not in done.out + done.err


@pytest.mark.parametrize("content", CONTENTS.values(), ids=CONTENTS.keys())
def test_a_manifest_that_is_none(content: bytes, dinghy: Path, command: Command) -> None:
    """The same for a plugin that is enabled."""
    (dinghy / MANIFEST).write_bytes(content)
    for done in judge(command, calls_for(content)):
        assert "\x1b" not in done.out + done.err
        assert "plugins/leak/manifest.yaml" in done.out + done.err


WRONG: tuple[Any, ...] = (
    None,
    True,
    7,
    -1,
    3.5,
    "word",
    "",
    [],
    [[]],
    [7, {}],
    {},
    {"a": {"b": []}},
)
"""One of these is of the wrong kind at any place."""


def _paths() -> list[tuple[str, ...]]:
    return [
        *((key,) for key in plain_yaml.load(SECOND_ROBOT)),
        *(("system", key) for key in ("release", "image", "python", "suites", "sources", "base")),
        *(("controllers", "fin", key) for key in ("chip", "link", "moves-alone", "inhibit")),
        *(("supplies", "main", key) for key in ("volts", "max-ma", "feeds", "battery")),
        ("wiring", "leak.float"),
        ("program", "log"),
    ]


SECOND_ROBOT = """\
format: 1
robot: dinghy
board: "raspberrypi,4-model-b"
system: {release: debian-13, image: vendor, python: "3.13", suites: [trixie], sources: [], base: base}
plugin-paths: [plugins]
enabled: [leak, horn]
profiles: {bench: [leak]}
choose: {alarm-sound: horn}
variant: {leak: spi}
roles: {hull: fin}
wiring: {leak.float: gpio17}
indexes: [{name: own, url: "https://index.example/simple", only: [own]}]
controllers: {fin: {chip: rp2040, link: usb, moves-alone: [], inhibit: {pin: 15, stops: []}}}
supplies: {main: {volts: 5.1, max-ma: 3000, feeds: board, battery: {}}}
ports: [{name: P1, kind: i2c}]
measured: {gpio17: 3.3}
program: {run: "python -m dinghy", log: {keep: 2}}
"""
SECOND_MANIFEST = """\
format: 1
plugin: leak
version: "1.0"
summary: Rings
license: MIT
behaviour: leak.leak:Leak
boards: []
settings: {loud: {type: integer, default: 3}}
provides: []
needs: []
plugins: []
excludes: []
python: {requires: [], modules: [], requires-python: ">=3.11"}
debian: {packages: []}
machine: {groups: [], services: {start: []}, kernel: {load: []}, environment: [], assets: [], load: {}}
variants: {spi: {hardware: {}}}
hardware:
  signals: {float: {function: input, gpio: 17, pull: up, active: low, volts: 3.3, hz: 50, leds: 3}}
  i2c: {imu: {part: bno055, address: [0x28], max-khz: 400, bus: any, behind: {mux: a, channel: 1}}}
  spi: {radio: {part: sx1276, select: 0}}
  uart: {gnss: {baud: 9600, parity: none, port: any}}
  i2s: {ear: {direction: in}}
  one-wire: {probe: {part: ds18b20, gpio: any}}
  camera: {eye: {connector: any}}
  usb: {stick: {id: "0bda:2838", ma: 300}}
  audio: {horn: {direction: out, via: any}}
  ports: {plug: {kind: 5V}}
  power: {pump: {supply: 5V, typical-ma: 4}}
  actuators: {fin: {hazard: none}}
topics: {publishes: [], subscribes: [], commands: []}
"""


def tried(
    file: Path, text: str, paths: list[tuple[str, ...]], command: Command, *, every: bool
) -> None:
    """Put values of `WRONG` at each of *paths*, and call: words and a status, never a fault."""
    good = plain_yaml.load(text)
    for at, path in enumerate(paths):
        for value in WRONG if every else WRONG[at % 5 :: 5]:
            broken = yaml.safe_dump(_with(good, path, value), sort_keys=False)
            file.write_text(broken, "utf-8")
            done = command("check", "--json")
            assert done.status in {0, 1, 2}, (path, value, done)
            json.loads(done.out)
            assert done.err == "", (path, value)


def _with(good: Any, path: tuple[str, ...], value: Any) -> Any:
    if not path:
        return value
    return {**good, path[0]: _with(good.get(path[0], {}), path[1:], value)}


EVERY = pytest.mark.parametrize(
    "every", [False, pytest.param(True, marks=pytest.mark.slow)], ids=["some", "every"]
)


@EVERY
def test_values_of_the_wrong_kind_in_a_robot_file(
    every: bool, dinghy: Path, command: Command
) -> None:
    """Each key, in a robot file that uses all of them."""
    tried(dinghy / ROBOT, SECOND_ROBOT, _paths(), command, every=every)


def _manifest_paths() -> Iterator[tuple[str, ...]]:
    def below(value: Any, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        for key, inner in value.items():
            yield (*path, key)
            if isinstance(inner, dict):
                yield from below(inner, (*path, key))

    yield from below(plain_yaml.load(SECOND_MANIFEST), ())


@EVERY
def test_values_of_the_wrong_kind_in_a_manifest(
    every: bool, dinghy: Path, command: Command
) -> None:
    """Each key of each kind of claim, in a plugin that is enabled."""
    tried(dinghy / MANIFEST, SECOND_MANIFEST, list(_manifest_paths()), command, every=every)


def _a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def _a_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _a_dangling_link(path: Path) -> None:
    path.unlink()
    path.symlink_to("nowhere.yaml")


def _a_link_to_itself(path: Path) -> None:
    path.unlink()
    path.symlink_to(path.name)


def _a_device(path: Path) -> None:
    path.unlink()
    path.symlink_to("/dev/zero")


PLACES: tuple[Callable[[Path], None], ...] = (
    _a_folder,
    _a_pipe,
    _a_dangling_link,
    _a_link_to_itself,
    _a_device,
)


@pytest.mark.parametrize("spoil", PLACES, ids=[one.__name__[1:] for one in PLACES])
def test_a_robot_file_that_cannot_be_read(
    spoil: Callable[[Path], None], dinghy: Path, command: Command
) -> None:
    """Something else has its name; what would never end is not opened."""
    spoil(dinghy / ROBOT)
    here = str(dinghy)
    judge(command, (("check", "--robot", here), ("check", "--robot", here, "--json")))
    judge(command, (("lint", str(dinghy / ROBOT)), ("lint", str(dinghy / ROBOT), "--json")))


@pytest.mark.parametrize("spoil", PLACES, ids=[one.__name__[1:] for one in PLACES])
def test_a_manifest_that_cannot_be_read(
    spoil: Callable[[Path], None], dinghy: Path, command: Command
) -> None:
    """The plugin is enabled, so nothing can be planned without it."""
    spoil(dinghy / MANIFEST)
    judge(command)


def _unknown_plugin(folder: Path) -> None:
    file = folder / ROBOT
    file.write_text(file.read_text("utf-8").replace("- leak ", "- laek "), "utf-8")


def _another_name(folder: Path) -> None:
    (folder / "plugins/leak").rename(folder / "plugins/drip")


def _two_of_one_name(folder: Path) -> None:
    inside = folder / "plugins/leak-2"
    inside.mkdir()
    (inside / "manifest.yaml").write_bytes((folder / MANIFEST).read_bytes())


def _no_folder(folder: Path) -> None:
    (folder / "plugins").rename(folder / "plug-ins")


def _a_file_for_the_folder(folder: Path) -> None:
    _no_folder(folder)
    (folder / "plugins").write_text("leak\n", "utf-8")


def _a_folder_outside(folder: Path) -> None:
    with (folder / ROBOT).open("a", encoding="utf-8") as file:
        file.write("plugin-paths: [../plugins]\n")


def _another_format(folder: Path) -> None:
    file = folder / ROBOT
    file.write_text(file.read_text("utf-8").replace("format: 1", "format: 9"), "utf-8")


def _another_board(folder: Path) -> None:
    file = folder / ROBOT
    file.write_text(file.read_text("utf-8").replace("4-model-b", "40-model-b"), "utf-8")


ROBOTS: tuple[Callable[[Path], None], ...] = (
    _unknown_plugin,
    _another_name,
    _two_of_one_name,
    _no_folder,
    _a_file_for_the_folder,
    _a_folder_outside,
    _another_format,
    _another_board,
)


@pytest.mark.parametrize("spoil", ROBOTS, ids=[one.__name__[1:] for one in ROBOTS])
def test_a_robot_whose_parts_do_not_meet(
    spoil: Callable[[Path], None], dinghy: Path, command: Command
) -> None:
    """Names that nothing bears, folders that are elsewhere."""
    spoil(dinghy)
    judge(command, (("check",), ("check", "--json"), ("lint",), ("lint", "--json")))


def test_a_folder_without_a_robot(tmp_path: Path, command: Command) -> None:
    """The path leads nowhere."""
    judge(
        command,
        (
            ("check", "--robot", str(tmp_path)),
            ("check", "--robot", str(tmp_path / "no"), "--json"),
            ("lint", str(tmp_path)),
            ("lint", str(tmp_path / "no"), "--json"),
        ),
    )
