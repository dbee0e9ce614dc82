"""
Indices on this machine's loopback, as large as a benchmark wants them, the same every time.

A Python index whose files have their metadata beside them (PEP 658), so that neither pip nor this
tool needs more than pages and metadata to choose; and a Debian mirror of a few packages.
"""

from __future__ import annotations

import hashlib
import os
import re
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from tests.bench.generated import (
    distribution_name,
    manifest_text,
    plugin_name,
    release_requirements,
    robot_text,
)
from tests.edge.debian_mirror import debian_mirror
from tests.edge.index_server import IndexServer, metadata, serving, wheel

RELEASES = 10
"""Of each distribution."""
SENSOR = "smbus2>=0.5,<1"
"""What every plugin asks for."""
_PACKAGES = ("python3-venv", "ca-certificates", "i2c-tools")
_APT_CONFIG = '#!/bin/sh\ncat "$APT_CONFIG"\n'


@contextmanager
def served(folder: Path, distributions: int) -> Iterator[Mapping[str, str]]:
    """Serve so many *distributions*; give the environment in which pip, apt and we find them."""
    home = folder / "home"
    for part in ("bin", "apt/sources.list.d"):
        (home / part).mkdir(parents=True)
    with serving() as index, debian_mirror() as mirror:
        for number in range(distributions):
            _add(index, number)
        index.add("smbus2", {"smbus2-0.6.0-py3-none-any.whl": wheel("smbus2", "0.6.0")})
        now = time.time()
        mirror.add_suite("trixie", _packages(), date=now - 60, valid=now + 86_400)
        program = home / "bin/apt-config"
        program.write_text(_APT_CONFIG)
        program.chmod(0o755)
        (home / "apt.conf").write_text(f'Dir "{home}";\nDir::Etc "apt";\n')
        (home / "apt/sources.list.d/debian.sources").write_text(
            f"Types: deb\nURIs: {mirror.url}/debian\nSuites: trixie\nComponents: main\n"
            "Trusted: yes\n"
        )
        (home / "pip.conf").write_text(f"[global]\nindex-url = {index.url}/simple\n")
        kept = {name: one for name, one in os.environ.items() if not name.startswith("PIP_")}
        yield {
            **kept,
            "HOME": str(home),
            "PIP_CONFIG_FILE": str(home / "pip.conf"),
            "APT_CONFIG": str(home / "apt.conf"),
            "PATH": f"{home / 'bin'}:{os.environ['PATH']}",
            "NO_PROXY": "127.0.0.1",
        }


def write_robot(folder: Path, *, distributions: int = 0, plugins: int = 10) -> None:
    """
    Write a robot with so many *plugins* in reach, ten of them enabled.

    Beside what each asks for, those ask for the first *distributions* of the index, in equal parts.
    """
    names = [plugin_name(one) for one in range(plugins)]
    for number, name in enumerate(names):
        wanted = tuple(distribution_name(one) for one in range(number, distributions, 10))
        (folder / "plugins" / name).mkdir(parents=True)
        text = manifest_text(number, requires=(SENSOR, *wanted) if number < 10 else ())
        (folder / "plugins" / name / "manifest.yaml").write_text(text, "utf-8")
    text = robot_text(names[:10]).replace(" image: vendor,", " suites: [trixie],")
    (folder / "robot.yaml").write_text(text, "utf-8")


def change_requirement(folder: Path) -> None:
    """Let the first plugin refuse one more release that does not exist: a question never asked."""
    file = folder / "plugins" / plugin_name(0) / "manifest.yaml"
    text, name = file.read_text("utf-8"), distribution_name(0)
    refused = len(re.findall(r"!=0\.", text))
    more = f"!=0.{refused}" + ("," if refused else "")
    file.write_text(text.replace(f'"{name}', f'"{name}{more}', 1), "utf-8")


def _add(index: IndexServer, number: int) -> None:
    name = distribution_name(number)
    module = name.replace("-", "_")
    files = []
    for minor in range(RELEASES):
        version = f"1.{minor}"
        needs = [f"Requires-Dist: {one}" for one in release_requirements(number, minor)]
        body, told = wheel(module, version, *needs), metadata(module, version, *needs)
        file = f"{module}-{version}-py3-none-any.whl"
        more = {"core-metadata": {"sha256": hashlib.sha256(told).hexdigest()}}
        files.append(index.entry(file, body, more))
        index.file(f"/files/{file}", body)
        index.file(f"/files/{file}.metadata", told)
    index.page(name, files)


def _packages() -> str:
    """Return the index of the mirror; sizes and versions are invented."""
    return "\n".join(
        f"Package: {name}\nVersion: 1.0-1\nArchitecture: arm64\nFilename: pool/{name}.deb\n"
        f"Size: 4000\nInstalled-Size: 20\nSHA256: {number:064x}\n"
        for number, name in enumerate(_PACKAGES, 1)
    )
