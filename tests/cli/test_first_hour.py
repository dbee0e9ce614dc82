"""Ten mistakes of a first hour: what is printed as `fix`, typed as it stands, mends each."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import yaml

from robokit_plan.app import planning
from robokit_plan.model import Need, Snapshot
from tests.casebook import grown, rows_of, snapshot_of
from tests.cli.conftest import Command, FrozenWorld

SAMPLE = Path(__file__).parents[2] / "sample_robot"
SONAR = "plugins/sonar/manifest.yaml"
GUARD = "plugins/leak-guard/manifest.yaml"

# One file of each project that heron asks for, as a pure wheel without requirements of its own:
# what is tried here is what a person types, not what the index holds.
ROWS: Mapping[str, Any] = {
    "python": {
        name: [{"file": f"{name.replace('-', '_')}-{version}-py3-none-any.whl", "modules": modules}]
        for name, version, modules in (
            ("aiohttp", "3.12", ["aiohttp"]),
            ("cbor2", "5.6", ["cbor2"]),
            ("click", "8.2", ["click"]),
            ("evdev", "1.9", ["evdev"]),
            ("gpiod", "2.3", ["gpiod"]),
            ("linuxpy", "0.23", ["linuxpy"]),
            ("numpy", "2.3", ["numpy"]),
            ("opencv-python-headless", "4.12", ["cv2"]),
            ("paho-mqtt", "2.1", ["paho"]),
            ("pyais", "3.0", ["pyais"]),
            ("pynmea2", "1.19", ["pynmea2"]),
            ("pyserial", "3.5", ["serial"]),
            ("smbus2", "0.5", ["smbus2"]),
            ("sounddevice", "0.5", ["sounddevice"]),
            ("spidev", "3.8", ["spidev"]),
        )
    }
    | {
        # Wheels for one older Python and no source archive, as happens on small boards.
        "tinynet": [{"file": "tinynet-2.14-cp311-cp311-manylinux2014_aarch64.whl"}],
    }
}


class HeronWorld(FrozenWorld):
    """Answers what heron asks for, and nothing of Debian."""

    debian_reason = "no list is looked at here"

    def __init__(self, *_: object, **__: object) -> None:
        super().__init__()
        self.snapshot: Snapshot = snapshot_of(ROWS)
        self._rows = rows_of(ROWS)

    def learn(self, need: Need) -> None:
        """Add what `ROWS` holds."""
        self.snapshot = grown(self.snapshot, need, self._rows, ROWS)


Edit = Callable[[Path], None]


def swap(file: str, old: str, new: str) -> Edit:
    """Return the edit that replaces the text *old*, which stands in *file* once."""

    def edit(folder: Path) -> None:
        text = (folder / file).read_text("utf-8")
        assert text.count(old) == 1, f"{old!r} in {file}"
        (folder / file).write_text(text.replace(old, new), "utf-8")

    return edit


def begin(file: str, line: int, spaces: int) -> Edit:
    """Return the edit that gives *line* of *file* so many spaces at its start."""

    def edit(folder: Path) -> None:
        lines = (folder / file).read_text("utf-8").split("\n")
        lines[line - 1] = " " * spaces + lines[line - 1].lstrip()
        (folder / file).write_text("\n".join(lines), "utf-8")

    return edit


def add(section: str, entry: str) -> Edit:
    """Return the edit that writes *entry* as the first of a *section* of the robot file."""
    return swap("robot.yaml", f"\n{section}:\n", f"\n{section}:\n  {entry}\n")


@dataclass(frozen=True, kw_only=True)
class Mistake:
    """What was typed wrong, the finding, one of its repairs, and the typing of it."""

    wrong: Edit
    head: str
    fix: str
    typed: Edit | None = None
    """None: the repair is a command."""


MISTAKES = {
    "a misspelt key": Mistake(
        wrong=swap(SONAR, "trigger: {function:", "trigger: {functon:"),
        head="error unknown-key: key `functon` is not known in `hardware.signals.trigger`; "
        "`function` is",
        fix="function: output",
        typed=swap(SONAR, "functon: output", "function: output"),
    ),
    "a misspelt key of a long list": Mistake(
        wrong=swap("robot.yaml", "\nenabled:\n", "\nenabeld:\n"),
        head="error unknown-key: key `enabeld` is not known in this file; `enabled` is",
        fix="enabled:   in place of enabeld:",
        typed=swap("robot.yaml", "enabeld:", "enabled:"),
    ),
    "wrong indentation of a key": Mistake(
        wrong=swap(SONAR, "  modules: [gpiod]", " modules: [gpiod]"),
        head=f"error file-unreadable: {SONAR} cannot be read: "
        "this line does not line up with the ones above",
        fix="begin line 15 with 2 spaces, as line 14 does",
        typed=begin(SONAR, 15, 2),
    ),
    "wrong indentation of a section": Mistake(
        wrong=swap(GUARD, "\n  signals:", "\nsignals:"),
        head=f"error file-unreadable: {GUARD} cannot be read: "
        "this line does not line up with the ones above",
        fix="begin line 19 with 2 spaces",
        typed=begin(GUARD, 19, 2),
    ),
    "wrong indentation of an item": Mistake(
        wrong=swap("robot.yaml", "enabled:\n  - helm\n  - thr", "enabled:\n  - helm\n - thr"),
        head="error file-unreadable: robot.yaml cannot be read: "
        "this line does not line up with the ones above",
        fix="begin line 35 with 2 spaces, as line 34 does",
        typed=begin("robot.yaml", 35, 2),
    ),
    "a comma without quotes": Mistake(
        wrong=swap(SONAR, '["gpiod>=2.2,<3"]', "[gpiod>=2.2,<3]"),
        head="error yaml-surprise: `gpiod>=2.2,<3` is split at the comma into 2 items",
        fix='"gpiod>=2.2,<3"',
        typed=swap(SONAR, "[gpiod>=2.2,<3]", '["gpiod>=2.2,<3"]'),
    ),
    "a board in brackets without quotes": Mistake(
        wrong=swap("robot.yaml", '"raspberrypi,4-model-b"', "[raspberrypi,4-model-b]"),
        head="error schema: `board` must be a device-tree compatible string in quotes, such as "
        '`"raspberrypi,4-model-b"`, not a list',
        fix='board: "raspberrypi,4-model-b"',
        typed=swap(
            "robot.yaml", "board: [raspberrypi,4-model-b]", 'board: "raspberrypi,4-model-b"'
        ),
    ),
    "a pin that is taken": Mistake(
        wrong=swap(SONAR, "{function: output, gpio: any", "{function: output, gpio: 2"),
        head="error pin-collision: gpio2 is claimed twice",
        fix="wiring: {sonar.trigger: gpio24}, or gpio17 or gpio8",
        typed=add("wiring", "sonar.trigger: gpio24"),
    ),
    "an address that is taken": Mistake(
        wrong=swap(
            "robot.yaml",
            "  - tablet-view\n\nprofiles",
            "  - tablet-view\n  - air-probe\n\nprofiles",
        ),
        head="error address-collision: 0x40 on i2c1 is claimed twice",
        fix="wiring: {pack-watch.gauge: {address: 0x41}}, or {address: 0x42} or {address: 0x43}",
        typed=swap("robot.yaml", "gauge: {address: 0x40}", "gauge: {address: 0x41}"),
    ),
    "a package named like the import": Mistake(
        wrong=swap(SONAR, '["gpiod>=2.2,<3"]', '["gpiod>=2.2,<3", "cv2"]'),
        head="error distribution-missing: no Python index has cv2",
        fix='requires: ["opencv-python-headless"]',
        typed=swap(SONAR, '"cv2"', '"opencv-python-headless"'),
    ),
    "a wheel that is missing": Mistake(
        wrong=swap(SONAR, '["gpiod>=2.2,<3"]', '["gpiod>=2.2,<3", "tinynet>=2"]'),
        head="error wheel-missing: no file of tinynet>=2 works with Python 3.13 on aarch64",
        fix="robokit-plan disable sonar",
    ),
    "a capability without provider": Mistake(
        wrong=swap("robot.yaml", "\n  - fog-signal\n", "\n"),
        head="error capability-missing: nothing provides alarm-sound, "
        "which leak-guard and pack-watch need",
        fix="robokit-plan enable fog-signal",
    ),
    "a port that is full": Mistake(
        wrong=swap(SONAR, "current-ma: 1}", "current-ma: 1, port: 5V}"),
        head="error port-full: port P4 is full",
        fix="robokit-plan disable sonar",
    ),
    "a supply that nobody knows": Mistake(
        wrong=swap(SONAR, "driver: {supply: 5V", "driver: {supply: bec5v"),
        head="error supply-unknown: no supply is bound to the role bec5v",
        fix="roles: {bec5v: bec-5v}",
        typed=add("roles", "bec5v: bec-5v"),
    ),
}


@pytest.fixture
def heron(tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a copy of the sample robot, and stand in it."""
    folder = tmp_path / "heron"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("*.sh", "*.html", "*.toml"))
    monkeypatch.setattr(planning, "World", HeronWorld)
    monkeypatch.chdir(folder)
    return folder


def test_heron_over_these_rows_can_be_built(heron: Path, command: Command) -> None:
    """Else nothing below would say anything."""
    done = command("check")
    assert done.status == 0, done.out
    assert heron.is_dir()


@pytest.mark.parametrize("name", MISTAKES)
def test_the_printed_repair_mends(name: str, heron: Path, command: Command) -> None:
    """The finding says it in one block; typing one of its repairs makes `check` pass."""
    mistake = MISTAKES[name]
    mistake.wrong(heron)
    done = command("check")
    assert done.status in {1, 2}, done.out
    text = done.out + done.err
    errors = [block for block in text.split("\n\n") if block.startswith("error ")]
    assert [block.split("\n")[0] for block in errors] == [mistake.head], text
    fixes = [line for line in errors[0].split("\n") if line.startswith("  fix  ")]
    assert any(mistake.fix in line for line in fixes), errors[0]
    if mistake.typed is None:
        assert mistake.fix.startswith("robokit-plan ")
        assert command(*mistake.fix.split()[1:], "--yes").status == 0
    else:
        mistake.typed(heron)
    mended = command("check")
    assert mended.status == 0, mended.out + mended.err
    verdict = "heron can be built on raspberrypi,4-model-b with debian-13 arm64"
    assert mended.out.splitlines()[-1].startswith(verdict), mended.out


@pytest.mark.parametrize(
    "name", [name for name in MISTAKES if not name.startswith(("a package", "a wheel"))]
)
def test_lint_says_it_too_and_once(name: str, heron: Path, command: Command) -> None:
    """A mistake in a file needs no index to be seen, and no second block about the same thing."""
    mistake = MISTAKES[name]
    mistake.wrong(heron)
    done = command("lint")
    blocks = done.out.split("\n\n")
    heads = [block.split("\n")[0] for block in blocks if block.startswith(("error ", "warning "))]
    assert heads == [mistake.head]


def test_a_level_is_told_once(heron: Path, command: Command) -> None:
    """The manifest alone says it, the plan says it with the line: one block, the plan's."""
    swap(SONAR, ", divider-ohm: [1800, 3300]", "")(heron)
    found = re.findall(r"(?m)^error .*", command("lint").out)
    assert len(found) == 1
    assert re.fullmatch(
        r"error level-too-high: sonar\.echo puts 5 V on gpio\d+ \(position \d+\), "
        r"which bears 3\.3 V",
        found[0],
    )
    fixes = re.findall(r"(?m)^  fix  (.*?)   in the manifest of sonar$", command("lint").out)
    assert fixes
    assert yaml.safe_load(fixes[0]) == {
        "hardware": {"signals": {"echo": {"divider-ohm": [10_000, 18_000]}}}
    }


def test_repairs_of_a_profile_name_it(heron: Path, command: Command) -> None:
    """What is typed must change the profile that is looked at; typed, it is in order again."""
    assert heron.is_dir()
    done = command("disable", "fog-signal", "--profile", "bench", "--yes")
    fixes = re.findall(r"(?m)^  fix  (robokit-plan (?:en|dis)able .*)$", done.out)
    assert "robokit-plan enable fog-signal --profile bench" in fixes
    assert all(one.endswith(" --profile bench") for one in fixes)
    assert command("check", "--profile", "bench").status == 1
    assert command(*fixes[0].split()[1:], "--yes").status == 0
    assert command("check", "--profile", "bench").status == 0
