"""Packages that only builds need go when somebody sends them away, in a real Debian root."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.model import DebianName
from tests.real.roots import (
    Root,
    bundle_of,
    debian_pins,
    made_tarball,
    plan_for,
    put_script,
    python_pins,
    unpacked,
    with_venv,
)

pytestmark = [pytest.mark.root, pytest.mark.live]

RELEASE = "debian-13"
INSTALL = "ROBOT_BUNDLE=/srv/bundle sh /srv/heron/install.sh"
TOOLS = ("bison", "m4")
"""Of bison's dependencies, m4 alone is in no fresh root: apt-cache depends bison, Debian 13."""


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    folder = tmp_path_factory.mktemp("tidy")
    tarball = made_tarball(RELEASE)
    oracle = unpacked(tarball, folder / "oracle")
    oracle.sh("apt-get update -qq")
    pins = debian_pins(oracle, ["python3-venv", "tree", "bison"], "trixie")
    with_venv(oracle)
    plan = plan_for(RELEASE, debian=pins, python=python_pins(oracle, ["smbus2"]), program=None)
    plan = replace(plan, debian_build=tuple(DebianName(name) for name in TOOLS))
    assert {DebianName(name) for name in TOOLS} <= {pin.name for pin in pins}
    bundle = bundle_of(oracle, plan, folder / "bundle")
    made = unpacked(tarball, folder / "root")
    shutil.copytree(bundle, made.path / "srv/bundle")
    put_script(made, plan)
    shutil.rmtree(oracle.path)
    yield made
    shutil.rmtree(folder)


def installed(root: Root) -> set[str]:
    return {line.split()[1] for line in root.packages() if line.startswith("ii ")}


def test_they_go_stay_away_and_come_back(root: Root) -> None:
    """One root through all of it, since each state is made of the one before."""
    told = root.sh(f"{INSTALL} --drop-build-tools", network=False)
    assert "remove Debian packages that are not needed any more: bison m4" in told
    assert "tree" in installed(root)
    assert installed(root).isdisjoint(TOOLS)
    assert "nothing had to change" in root.sh(INSTALL, network=False)
    assert installed(root).isdisjoint(TOOLS)
    # a broken environment is built anew, and that takes them
    root.sh("rm -rf /opt/heron/venvs/*/lib/python3*/site-packages/smbus2*")
    told = root.sh(INSTALL, network=False)
    assert "install 2 Debian packages" in told
    assert "make the virtual environment" in told
    assert installed(root).isdisjoint(TOOLS)
    root.sh(f"{INSTALL} --keep-build-tools", network=False)
    assert set(TOOLS) <= installed(root)
    told = root.sh(INSTALL, network=False)
    assert "2 packages that only builds need; --drop-build-tools removes" in told
    assert set(TOOLS) <= installed(root)


def test_what_was_there_before_stays(root: Root, tmp_path: Path) -> None:
    """A tool that the machine had is not the script's to take away."""
    other = root.copy(tmp_path / "other")
    other.sh(f"{INSTALL} --drop-build-tools", network=False)
    other.sh("apt-get install -y -qq /srv/bundle/debian/m4_*.deb")
    other.sh(f"{INSTALL} --keep-build-tools", network=False)
    other.sh(f"{INSTALL} --drop-build-tools", network=False)
    assert "m4" in installed(other)
    assert "bison" not in installed(other)
    shutil.rmtree(other.path)
