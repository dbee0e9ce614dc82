"""Runs the command line as a person does, over frozen index rows in place of a network."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import pytest

from robokit_plan.app import planning
from robokit_plan.cli._app import run
from robokit_plan.edge._debian_apt_config import AptSettings
from robokit_plan.model import Need, Snapshot
from tests.casebook import grown, rows_of, snapshot_of, write_case
from tests.cli.skiff import the_skiff  # noqa: F401  a fixture of every test here

CASE: Mapping[str, Any] = {
    "robot": """\
# yaml-language-server: $schema=robot.schema.json
format: 1
robot: dinghy            # small and quick
board: "raspberrypi,4-model-b"
enabled:
  - leak     # first
  - horn
profiles:
  bench: [leak, horn]
""",
    "plugins": {
        "leak": """\
needs: [alarm-sound]
python: {requires: ["alpha>=1,<3"]}
hardware: {signals: {float: {function: input, gpio: 17}}}
""",
        "horn": """\
provides: [alarm-sound]
debian: {packages: [tooter]}
""",
        "mast": """\
python: {requires: ["beta"]}
hardware: {signals: {lamp: {function: output, gpio: 17}}}
""",
        "log": """\
python: {requires: ["beta>=2"]}
""",
    },
    "python": {
        "alpha": [
            {"file": "alpha-1.0-py3-none-any.whl", "requires": []},
            {"file": "alpha-2.0-py3-none-any.whl", "requires": ["gamma"]},
        ],
        "beta": [{"file": "beta-2.1-py3-none-any.whl", "requires": ["alpha<2"]}],
        "gamma": [{"file": "gamma-0.3-py3-none-any.whl", "requires": []}],
    },
    "debian": """\
Package: tooter
Version: 1.2-3
Architecture: arm64
Depends: libtoot
Filename: pool/t/tooter.deb
Size: 1000
Installed-Size: 12
SHA256: 1111111111111111111111111111111111111111111111111111111111111111

Package: libtoot
Version: 1.2-3
Architecture: arm64
Filename: pool/t/libtoot.deb
Size: 2000
Installed-Size: 40
SHA256: 2222222222222222222222222222222222222222222222222222222222222222

Package: python3-venv
Version: 3.13.5-1
Architecture: arm64
Filename: pool/p/python3-venv.deb
Size: 3000
Installed-Size: 6
SHA256: 3333333333333333333333333333333333333333333333333333333333333333

Package: ca-certificates
Version: 20250419
Architecture: all
Filename: pool/c/ca-certificates.deb
Size: 4000
Installed-Size: 390
SHA256: 4444444444444444444444444444444444444444444444444444444444444444
""",
}
"""A robot with one plugin that collides in a line (mast), and one that moves a version (log)."""


class FrozenWorld:
    """Stands in for `World`: answers from the case, whatever robot asks."""

    def __init__(self, *_: object, **__: object) -> None:
        self.snapshot: Snapshot = snapshot_of(CASE)
        self.indexes = {"default": "https://index.example/simple"}
        self.findings: tuple[object, ...] = ()
        self._rows = rows_of(CASE)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    @property
    def rows(self) -> None:
        """Tell of no rows by which an answer could be kept."""

    apt = AptSettings()
    solved = None

    def recall(self, robot: str, need: Need | None = None) -> None:
        """Remember nothing."""

    def remember(self, robot: str) -> None:
        """Keep nothing."""

    def learn(self, need: Need) -> None:
        """Add what the case holds."""
        self.snapshot = grown(self.snapshot, need, self._rows, CASE)


@dataclass(frozen=True)
class Done:
    """One finished call."""

    status: int
    out: str
    err: str


Command = Callable[..., Done]


@pytest.fixture
def dinghy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Lay out the robot of `CASE`, and stand in its folder."""
    folder = tmp_path / "dinghy"
    folder.mkdir()
    write_case(CASE, folder)
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Command:
    """Give a function that runs one call; indices are those of `CASE`."""
    monkeypatch.setattr(planning, "World", FrozenWorld)
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    monkeypatch.delenv("ROBOKIT_PLAN_TRACE", raising=False)

    def call(*arguments: str) -> Done:
        capsys.readouterr()
        status = run([str(one) for one in arguments])
        said = capsys.readouterr()
        return Done(status=status, out=said.out, err=said.err)

    return call
