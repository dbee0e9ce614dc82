"""Which program is started when we ask for one by name, and where in the product that happens."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from robokit_plan.edge._debian_apt_config import AptSettings, read_apt_settings
from robokit_plan.edge._debian_release import verify
from robokit_plan.edge._programs import find_program, search_path
from robokit_plan.edge.machine import _is_active

NAMES = ("apt-config", "gpgv", "sqv", "systemctl", "git")


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A stranger's folder, worked in, with programs by the names that we ask for."""
    folder = tmp_path / "robot"
    folder.mkdir()
    for name in NAMES:
        (folder / name).write_text(f"#!/bin/sh\necho >>{tmp_path / 'sprung'}\nexit 0\n")
        (folder / name).chmod(0o755)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("PATH", ".::../robot")
    return folder


def test_nothing_in_the_folder_worked_in_is_run(here: Path) -> None:
    """With ``.`` or an empty entry in PATH, which a shell takes for the current folder."""
    environ = {"PATH": ".::../robot"}
    for name in NAMES:
        assert find_program(name, environ) is None
        assert shutil.which(name, path=environ["PATH"]) is not None, "the control"
    assert read_apt_settings(environ) == AptSettings()
    assert "neither gpgv nor sqv" in verify(b"x", b"y", [b"\x99key"], environ).why
    assert _is_active("pond.service") is None
    assert not (here.parent / "sprung").exists()


def test_whole_paths_are_searched_in_their_order(here: Path, tmp_path: Path) -> None:
    assert search_path({"PATH": f".:{here}::/bin"}) == f"{here}:/bin"
    assert find_program("git", {"PATH": f"bin:{here}"}) == str(here / "git")
    assert find_program("sh", {}), "without PATH, the system's own"
    assert find_program("git", {"PATH": ""}) is None


STARTS = re.compile(
    r"subprocess\.(?:run|Popen|call|check)|os\.(?:system|popen|exec|spawn|posix_spawn)"
)
KNOWN = {"_debian_apt_config.py", "_build_metadata.py", "_debian_release.py", "_git_objects.py", "machine.py"}  # fmt: skip


def test_programs_are_started_in_known_places_alone() -> None:
    """A new place comes here, and to the question what decides which program runs."""
    package = Path(__file__).parents[2] / "robokit_plan"
    texts = {one: one.read_text("utf-8") for one in package.rglob("*.py")}
    assert {one.name for one, text in texts.items() if STARTS.search(text)} == KNOWN
    found = {one.name for one, text in texts.items() if "shutil.which" in text}
    assert found == {"_programs.py"}
    assert not [one for one, text in texts.items() if "shell=True" in text]
