"""Of a library of plugins those that did not change are not read again, and what is told is the same."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from robokit_plan.app.answers import lint_asked
from robokit_plan.app.forms import LINT_FORMATS
from robokit_plan.app.lint import lint_anew
from robokit_plan.edge import lint_targets
from robokit_plan.edge.manifests import parse_manifest
from tests.bench.generated import write_library
from tests.cli.skiff import Skiff

Said = tuple[str, int]
WORDS = ("numpy", "gpio17", "commands", "requires", "tide", "reef", "smbus2", "0.5", ":", ",", "\n")
COMMANDS = "topics: {commands: [keel]}\n"
KEEL = "hardware: {actuators: {keel: {hazard: motion, safe-state: stopped}}}\n"


@pytest.fixture(name="library")
def _library(skiff: Skiff) -> Path:
    """Give a library with findings, beside the robot and without one in it."""
    folder = skiff.root / "library"
    write_library(folder, 6)
    skiff.write("library/wet/manifest.yaml", "format: 1\nplugin: wet\nversion: none\nsummary: x\n")
    skiff.write(
        "library/allowed/manifest.yaml",
        "# robokit-plan: allow license-missing because it is for this boat alone\n"
        'format: 1\nplugin: allowed\nversion: "1.0"\nsummary: x\n',
    )
    for name, text in (("helm", COMMANDS), ("keel", KEEL)):
        skiff.write(
            f"library/{name}/manifest.yaml",
            f'format: 1\nplugin: {name}\nversion: "1.0"\nsummary: x\nlicense: MIT\n{text}',
        )
    return folder


Linted = Callable[..., tuple[Said, list[str]]]


@pytest.fixture(name="linted")
def _linted(
    skiff: Skiff, library: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Linted:
    """Give a function that lints the library, in text and otherwise, and tells what it read."""
    read: list[str] = []

    def parsed(text: str, name: str) -> object:
        read.append(Path(name).parent.name)
        return parse_manifest(text, name)

    monkeypatch.setattr(lint_targets, "parse_manifest", parsed)

    def linted(*, layout: str = "text", anew: bool = False) -> tuple[Said, list[str]]:
        time.sleep(0.05)  # what was changed just before a run could have changed during it
        read.clear()
        with pytest.MonkeyPatch.context() as inside:
            if anew:
                inside.setenv("ROBOKIT_PLAN_CACHE", str(skiff.home / str(time.time_ns())))
            said = lint_anew(*lint_asked([library], layout=layout, notes=False))
        return said, sorted(read)

    return linted


def test_only_what_changed_is_read_again(library: Path, linted: Linted) -> None:
    everything = sorted(one.name for one in library.iterdir())
    first, read = linted()
    assert read == everything
    again, read = linted()
    assert again == first
    # Others decide what is told of the one, a comment of its own what is told of the other.
    assert read == ["allowed", "helm"]
    name = "tide-00000"
    (library / name / name.replace("-", "_") / "more.py").write_text("import numpy\n")
    told, read = linted()
    assert read == sorted(["allowed", "helm", name])
    assert told == linted(anew=True)[0] != first


@pytest.mark.parametrize("layout", LINT_FORMATS)
def test_each_format_says_the_same(linted: Linted, layout: str) -> None:
    linted()
    told, read = linted(layout=layout)
    assert read == ["allowed", "helm"], "rows of one format serve the others"
    assert told == linted(layout=layout, anew=True)[0]


def test_what_another_plugin_wires_is_known_without_reading_it(
    library: Path, linted: Linted
) -> None:
    (told, _), _ = linted()
    assert "command-unknown" not in told
    (again, _), read = linted()
    assert ("command-unknown" in again, "keel" in read) == (False, False)
    manifest = library / "keel/manifest.yaml"
    manifest.write_text(manifest.read_text().replace(KEEL, ""))
    (gone, _), read = linted()
    assert ("command-unknown" in gone, "keel" in read) == (True, True)


def test_with_a_robot_beside_them_all_are_read(skiff: Skiff, library: Path, linted: Linted) -> None:
    linted()
    skiff.write("library/robot.yaml", (skiff.root / "robot.yaml").read_text())
    told, read = linted()
    assert set(read) >= {one.name for one in library.iterdir() if one.is_dir()}
    assert told == linted(anew=True)[0]


@pytest.mark.parametrize("edits", [8, pytest.param(120, marks=pytest.mark.slow)])
def test_any_edit_leaves_what_is_told_right(library: Path, linted: Linted, edits: int) -> None:
    """Law: with what is kept the same is told as without, whatever was edited or taken away."""
    chance = random.Random(20261129 + edits)
    linted()
    spared = 0
    for _ in range(edits):
        path = chance.choice(sorted(one for one in library.rglob("*") if one.is_file()))
        text = path.read_text(errors="replace")
        at = chance.randrange(len(text) + 1)
        was = path.stat()
        match chance.randrange(6):
            case 0:
                path.unlink()
            case 1:
                path.rename(path.with_name(f"more-{path.name}"))
            case 2:
                path.parent.rename(path.parent.with_name(f"{path.parent.name}x"))
            case 3:
                path.write_text(text[:at] + text[at + 1 :])
            case 4:
                path.with_name(f"{at}.py").write_text("import numpy\n")
            case _:
                path.write_text(text[:at] + chance.choice(WORDS) + text[at:])
                os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))
        if not any(library.rglob("manifest.yaml")):
            break
        told, read = linted()
        full, every = linted(anew=True)
        assert told == full
        spared += len(every) - len(read)
    assert spared
