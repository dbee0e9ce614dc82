"""A robot whose indices are on this machine's loopback: the whole tool runs as it does in the field."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from robokit_plan.edge import kept_files
from robokit_plan.edge.kept_files import Watched
from tests.edge.debian_mirror import DebianMirror, debian_mirror
from tests.edge.index_server import IndexServer, serving, wheel

ROBOT = """\
format: 1
robot: skiff
board: "raspberrypi,4-model-b"
system: {suites: [trixie], boot-config: config.txt}
enabled: [leak, post]
profiles: {bench: [leak]}
"""
MANIFEST = """\
format: 1
plugin: {name}
version: "1.0"
summary: Plugin {name} of the skiff
"""
LEAK = """\
python: {requires: ["alpha>=1"]}
hardware: {signals: {float: {function: input, gpio: 17}}}
"""
PACKAGES = """\
Package: mosquitto
Version: 2.0.21-1
Architecture: arm64
Filename: pool/m/mosquitto.deb
Size: 320000
Installed-Size: 700
SHA256: 3333333333333333333333333333333333333333333333333333333333333333

Package: python3-venv
Version: 3.13.5-1
Architecture: arm64
Filename: pool/p/python3-venv.deb
Size: 3000
Installed-Size: 6
SHA256: 4444444444444444444444444444444444444444444444444444444444444444

Package: ca-certificates
Version: 20250419
Architecture: all
Filename: pool/c/ca-certificates.deb
Size: 4000
Installed-Size: 390
SHA256: 5555555555555555555555555555555555555555555555555555555555555555
"""
APT_CONFIG = """\
#!/bin/sh
cat "$APT_CONFIG"
"""


@dataclass(frozen=True)
class Skiff:
    """A robot folder, and the indices that its plan reads."""

    root: Path
    home: Path
    index: IndexServer
    mirror: DebianMirror

    def write(self, name: str, text: str) -> None:
        """Write a file of the robot's folder."""
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")

    def plugin(self, name: str, text: str) -> None:
        """Write the manifest of a plugin."""
        self.write(f"plugins/{name}/manifest.yaml", MANIFEST.format(name=name) + text)


@pytest.fixture(name="skiff")
def the_skiff(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Skiff]:
    """Serve the indices, lay out the robot, stand in its folder."""
    home = tmp_path / "home"
    for folder in ("home/bin", "home/apt/sources.list.d", "skiff"):
        (tmp_path / folder).mkdir(parents=True)
    with serving() as index, debian_mirror() as mirror:
        index.add("alpha", {"alpha-1.0-py3-none-any.whl": wheel("alpha", "1.0")})
        mirror.add_suite("trixie", PACKAGES, date=time.time() - 60, valid=time.time() + 86_400)
        program = home / "bin/apt-config"
        program.write_text(APT_CONFIG)
        program.chmod(0o755)
        (home / "apt.conf").write_text(f'Dir "{home}";\nDir::Etc "apt";\n')
        (home / "apt/sources.list.d/debian.sources").write_text(
            f"Types: deb\nURIs: {mirror.url}/debian\nSuites: trixie\nComponents: main\nTrusted: yes\n"
        )
        (home / "pip.conf").write_text(f"[global]\nindex-url = {index.url}/simple\n")
        for name in [one for one in os.environ if one.startswith(("PIP_", "ROBOKIT_PLAN_"))]:
            monkeypatch.delenv(name)
        for name, value in {
            "HOME": home,
            "PIP_CONFIG_FILE": home / "pip.conf",
            "APT_CONFIG": home / "apt.conf",
            "PATH": f"{home / 'bin'}:{os.environ['PATH']}",
            "ROBOKIT_PLAN_CACHE": tmp_path / "cache",
            "NO_PROXY": "127.0.0.1",
        }.items():
            monkeypatch.setenv(name, str(value))
        # The package itself may be under work while this runs; a test of its own looks at it.
        monkeypatch.setattr(kept_files, "tool_files", lambda: (Watched("stamp", sys.executable),))
        skiff = Skiff(tmp_path / "skiff", home, index, mirror)
        skiff.write("robot.yaml", ROBOT)
        skiff.write("config.txt", "dtparam=i2c_arm=on\n")
        skiff.plugin("leak", LEAK)
        skiff.plugin("post", "debian: {packages: [mosquitto]}\n")
        monkeypatch.chdir(skiff.root)
        yield skiff
