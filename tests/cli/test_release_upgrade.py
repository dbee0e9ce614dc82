"""A robot on Debian 12 that is to go to Debian 13: what that would move, then what it does move."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.app import planning
from robokit_plan.model import Need, Robot
from tests.casebook import grown, rows_of, snapshot_of, write_case
from tests.cli.conftest import Command, FrozenWorld

BOOKWORM, TRIXIE = "cp311-cp311-manylinux_2_17_aarch64", "cp313-cp313-manylinux_2_17_aarch64"
CASE: Mapping[str, Any] = {
    "robot": """\
format: 1
robot: gig
board: "raspberrypi,4-model-b"
system: {release: debian-12}
enabled: [horn, leak]
""",
    "plugins": {
        "horn": "debian: {packages: [tooter]}\n",
        "leak": 'python: {requires: ["alpha", "beta"]}\n',
        "lookout": 'python: {requires: ["sight"]}\n',
    },
    # Each release names its Python in a way of its own: in a tag, in Requires-Python, in a marker.
    "python": {
        "alpha": [
            {"file": f"alpha-1.0-{BOOKWORM}.whl"},
            {"file": f"alpha-1.1-{TRIXIE}.whl"},
        ],
        "beta": [
            {
                "file": "beta-2.1-py3-none-any.whl",
                "requires": ["older ; python_version < '3.12'", "newer ; python_version >= '3.12'"],
            },
        ],
        "newer": [{"file": "newer-1-py3-none-any.whl"}],
        "older": [
            {"file": "older-1-py3-none-any.whl"},
            {"file": "older-2-py3-none-any.whl", "python": ">=3.12"},
        ],
        "sight": [{"file": f"sight-4.2-{BOOKWORM}.whl"}],
    },
}
STANZA = """\
Package: {name}
Version: {version}
Architecture: arm64
Depends: {depends}
Filename: pool/{name}.deb
Size: 1000
Installed-Size: 12
SHA256: 1111111111111111111111111111111111111111111111111111111111111111
"""
ARCHIVES: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "debian-12": {
        "tooter": ("1.2-3", "libtoot4"),
        "libtoot4": ("1.2-3", "libc6"),
        "python3-venv": ("3.11.2-1+b1", "libc6"),
        "ca-certificates": ("20230311", "libc6"),
        "libc6": ("2.36-9", "libc6"),
    },
    "debian-13": {
        "tooter": ("1.4-1", "libtoot5t64"),
        "libtoot5t64": ("1.4-1", "libc6"),
        "python3-venv": ("3.13.5-1", "libc6"),
        "ca-certificates": ("20250419", "libc6"),
        "libc6": ("2.41-12", "libc6"),
    },
}


class TwoReleases(FrozenWorld):
    """Answers as the archive of the release that the robot is to have."""

    def __init__(self, robot: Robot, **_: object) -> None:
        super().__init__()
        stanzas = [
            STANZA.format(name=name, version=version, depends=depends)
            for name, (version, depends) in ARCHIVES[robot.system.release].items()
        ]
        self._case = {**CASE, "debian": "\n".join(stanzas)}
        self.snapshot = snapshot_of(self._case)
        self._rows = rows_of(CASE)

    def learn(self, need: Need) -> None:
        self.snapshot = grown(self.snapshot, need, self._rows, self._case)


@pytest.fixture
def gig(
    tmp_path: Path,
    command: Command,  # puts a world of its own in place, before this one
    monkeypatch: pytest.MonkeyPatch,
) -> Path:
    """Lay out the robot of `CASE`, and stand in its folder."""
    monkeypatch.setattr(planning, "World", TwoReleases)
    folder = tmp_path / "gig"
    folder.mkdir()
    write_case(CASE, folder)
    monkeypatch.chdir(folder)
    return folder


MOVES = """\
all of this because of the system

person  another release: this needs a fresh card

  item             now          after

Python
  alpha            1.0          1.1
  newer            none         1
  older            1            none

Debian
  ca-certificates  20230311     20250419
  libc6            2.36-9       2.41-12
  libtoot4         1.2-3        none
  libtoot5t64      none         1.4-1
  python3-venv     3.11.2-1+b1  3.13.5-1
  tooter           1.2-3        1.4-1

machine
  Python           3.11         3.13
  release          debian-12    debian-13
"""
"""By hand from the rows above; Debian 12 has Python 3.11, 13 has 3.13 (their release notes)."""


def test_what_if_says_all_that_the_upgrade_moves(gig: Path, command: Command) -> None:
    """Before anybody edits anything, in both forms."""
    before = (gig / "robot.yaml").read_bytes()
    done = command("check", "--release", "debian-13")
    assert done.status == 0
    assert done.out.startswith(MOVES)
    assert done.out.endswith("gig can be built on raspberrypi,4-model-b with debian-13 arm64\n")
    found = json.loads(command("check", "--release", "debian-13", "--json").out)
    told = {
        (one["domain"], one["item"]): (one["now"], one["after"])
        for one in found["moves"]["changes"]
    }
    rows = [line.split() for line in MOVES.splitlines() if line.startswith("  ")][1:]
    assert {item: moved for (_, item), moved in told.items()} == {
        row[0]: tuple(None if one == "none" else one for one in row[1:3]) for row in rows
    }
    assert (gig / "robot.yaml").read_bytes() == before


def test_the_upgrade_itself_is_the_same_diff(gig: Path, command: Command) -> None:
    """Locked on 12, the release edited: `diff` says what the what-if had said, and back is back."""
    robot = gig / "robot.yaml"
    before = robot.read_text("utf-8")
    assert command("lock").status == 0
    locked = (gig / "pylock.gig.toml").read_bytes()
    robot.write_text(before.replace("debian-12", "debian-13"), "utf-8")
    assert command("diff").out == MOVES
    assert command("lock").status == 0
    assert (gig / "pylock.gig.toml").read_bytes() != locked
    back = command("check", "--release", "debian-12").out
    assert ["alpha", "1.1", "1.0"] in [line.split() for line in back.splitlines()]
    robot.write_text(before, "utf-8")
    assert command("lock").status == 0
    assert (gig / "pylock.gig.toml").read_bytes() == locked


def test_what_does_not_come_along_is_told_before(gig: Path, command: Command) -> None:
    """A plugin whose only wheel is for the older Python: an error, and what keeps it."""
    robot = gig / "robot.yaml"
    robot.write_text(robot.read_text("utf-8").replace("leak]", "leak, lookout]"), "utf-8")
    assert command("check").status == 0
    done = command("check", "--release", "debian-13")
    assert done.status == 1
    assert (
        "error wheel-missing: no file of sight works with Python 3.13 on aarch64\n"
        "  at   plugins/lookout/manifest.yaml:5:21   lookout asks for sight\n"
        "  why  wheels of 4.2 are for Python 3.11 on aarch64\n"
        "  why  there is no source archive to build from\n"
        "  fix  system: {release: debian-12}   in robot.yaml, for its Python 3.11\n"
        "  fix  robokit-plan disable lookout\n"
    ) in done.out + done.err
