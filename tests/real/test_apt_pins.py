"""Which version counts where sources are pinned, put to apt itself in a private root; asks no network."""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.model import DebianArchive, DebianName, DebianPackage, DebianRow
from robokit_plan.resolve.debian._universe import Universe
from tests.resolve.debian.small_archive import ARCHITECTURE, PrivateApt, stanza

pytestmark = pytest.mark.skipif(
    shutil.which("apt-get") is None, reason="apt is not on this machine"
)
PRIORITIES = (-1, 1, 50, 99, 100, 101, 499, 500, 501, 990, 999, 1000, 1001)
"""Round the steps of apt_preferences(5): never, only where nothing is, ..., even downwards."""
OFFERED = (1, 2, 3)
"""Versions of the pinned source; Debian itself has version 2."""
INSTALLED = (None, 1, 2, 3, 4)


def _package(name: str, version: int, suite: str) -> DebianPackage:
    return DebianPackage(
        name=DebianName(name),
        version=str(version),
        architecture=ARCHITECTURE,
        suite=suite,
        component="main",
        size=1000,
        sha256="0" * 64,
    )


def _name(offered: int, installed: int | None, *, both: bool) -> str:
    return f"tool-{offered}-{installed or 'none'}-{'both' if both else 'one'}"


def _write(folder: Path, packages: Iterable[DebianPackage], origin: str) -> str:
    """Write a flat archive that calls itself *origin*; return its line of sources.list."""
    folder.mkdir()
    text = "".join(stanza(one) for one in packages)
    (folder / "Packages").write_text(text)
    digest = hashlib.sha256(text.encode()).hexdigest()
    (folder / "Release").write_text(
        f"Origin: {origin}\nSuite: {origin}\nDate: Sat, 21 Nov 2026 09:15:44 UTC\n"
        f"SHA256:\n {digest} {len(text)} Packages\n"
    )
    return f"deb [trusted=yes] file:{folder} ./\n"


@pytest.fixture(scope="module")
def world(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[PrivateApt, dict[str, tuple[DebianPackage, ...]], dict[DebianName, DebianPackage]]:
    """Return apt over two sources, and the same packages as values: offered and installed."""
    offers: dict[str, tuple[DebianPackage, ...]] = {}
    base: dict[DebianName, DebianPackage] = {}
    for offered in OFFERED:
        for installed in INSTALLED:
            for both in (False, True):
                name = _name(offered, installed, both=both)
                main = [_package(name, 2, "trixie")] if both else []
                offers[name] = (*main, replace(_package(name, offered, "vendor"), source="vendor"))
                if installed is not None:
                    base[DebianName(name)] = _package(name, installed, "base")
    folder = tmp_path_factory.mktemp("pins")
    every = [one for some in offers.values() for one in some]
    lines = _write(folder / "debian", [one for one in every if not one.source], "Debian")
    lines += _write(folder / "vendor", [one for one in every if one.source], "Vendor")
    apt = PrivateApt(folder / "root", lines)
    apt.write_status(base.values())
    return apt, offers, base


def _candidates(apt: PrivateApt, names: Iterable[str]) -> dict[str, str]:
    done = subprocess.run(
        ["apt-cache", "policy", *names],
        capture_output=True,
        text=True,
        check=True,
        env={"APT_CONFIG": str(apt.root / "apt.conf"), "LC_ALL": "C", "PATH": "/usr/bin:/bin"},
    )
    return dict(
        re.findall(r"^(\S+):\n  Installed: .*\n  Candidate: (\S+)", done.stdout, re.MULTILINE)
    )


@pytest.mark.parametrize("priority", PRIORITIES)
def test_the_version_that_apt_would_take(
    priority: int,
    world: tuple[PrivateApt, dict[str, tuple[DebianPackage, ...]], dict[DebianName, DebianPackage]],
) -> None:
    """A pinned source against Debian and against what is installed (apt_preferences(5))."""
    apt, offers, base = world
    (apt.root / "etc/apt/preferences.d/vendor").write_text(
        f"Package: *\nPin: release o=Vendor\nPin-Priority: {priority}\n"
    )
    said = _candidates(apt, offers)
    assert len(said) == len(offers)
    rows = {
        DebianName(name): DebianRow(
            name=DebianName(name),
            packages=tuple(
                replace(one, pin=priority) if one.source else one for one in offers[name]
            ),
            providers=(),
        )
        for name in offers
    }
    universe = Universe(
        archive=DebianArchive(rows=rows, base=base, suites=("trixie",)),
        architecture=ARCHITECTURE,
        installed=base,
    )
    ours = {}
    for name in offers:
        best = universe.candidate(DebianName(name))
        ours[name] = "(none)" if best is None else best.version
    assert ours == said
