"""
The sample robot's own lock in real Debian roots.

The lock files are those of the raft heron, all plugins, planned from the configured indices; what
is then installed is asked of dpkg, pip and the Python of the root. The robot is an arm64 one: amd64
roots are planned for as such, and one arm64 root runs under emulation (qemu-user).
"""

from __future__ import annotations

import json
import os
import shutil
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from robokit_plan.app.session import open_session
from robokit_plan.cli._app import run as run_command
from robokit_plan.formats.lock import lock_name, parse_lock, render_lock
from robokit_plan.model import Plan
from robokit_plan.render import Locked, render_script, union_of
from tests.real.roots import (
    Root,
    differences,
    emulated,
    made_tarball,
    unpacked,
    with_suites,
)

pytestmark = [pytest.mark.root, pytest.mark.live]

SAMPLE = Path(__file__).parents[2] / "sample_robot"
SCRIPT = "sh /srv/heron/install.sh"
CONFIG = "# mine\n[cm4]\notg_mode=1\n"
COMMAND_LINE = "console=serial0,115200 console=tty1 root=/dev/mmcblk0p2\n"
SMALL = 'mount -t tmpfs -o size=1m none "$1/tmp"'
"""A folder for temporary files that is memory, and too small for a single wheel of weight."""


@dataclass(frozen=True)
class Installed:
    """A root after the first run, with the plans of its profiles and what it held before."""

    root: Root
    locked: tuple[Locked, ...]
    base: frozenset[str]
    output: str

    @property
    def union(self) -> Plan:
        return union_of(self.locked)


def lock_of(release: str, architecture: str, profile: str | None) -> Locked:
    """Return heron's lock file for another machine, read back from its text."""
    session = open_session(SAMPLE, profile=profile)
    system = replace(session.problem.robot.system, release=release, architecture=architecture)
    problem = replace(session.problem, robot=replace(session.problem.robot, system=system))
    plan = replace(session, problem=problem).plan()
    assert plan.ok
    name = lock_name(plan)
    return Locked(plan=parse_lock(render_lock(plan), file=name), name=name, sha256=f"{profile}" * 9)


def base_of(tarball: Path) -> frozenset[str]:
    with tarfile.open(tarball) as archive:
        status = archive.extractfile("./var/lib/dpkg/status")
        assert status is not None
        lines = status.read().decode().splitlines()
    return frozenset(line.split(": ")[1] for line in lines if line.startswith("Package: "))


@pytest.fixture(scope="module", params=["debian-12", "debian-13"])
def installed(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Installed]:
    """Debian 12 has the robot alone, Debian 13 its profiles bench and show as well."""
    release = str(request.param)
    folder = tmp_path_factory.mktemp(release)
    profiles = [None] if release == "debian-12" else [None, "bench", "show"]
    with pytest.MonkeyPatch.context() as patch:
        if "ROBOKIT_PLAN_CACHE" not in os.environ:
            patch.setenv("ROBOKIT_PLAN_CACHE", str(folder / "cache"))
        locked = tuple(lock_of(release, "amd64", one) for one in profiles)
    tarball = made_tarball(release, variant="important")
    root = unpacked(tarball, folder / "root")
    with_suites(root, release)
    shutil.copytree(SAMPLE, root.path / "srv/heron")
    root.write("boot/firmware/config.txt", CONFIG)
    root.write("boot/firmware/cmdline.txt", COMMAND_LINE)
    first, *others = locked
    root.write(
        "srv/heron/install.sh",
        render_script(
            first.plan, lock_name=first.name, lock_sha256=first.sha256, also=tuple(others)
        ),
    )
    yield Installed(root, locked, base_of(tarball), root.sh(SCRIPT, before=SMALL))
    shutil.rmtree(folder)


def test_debian_packages_are_those_of_the_lock_and_no_other(installed: Installed) -> None:
    rows = installed.root.sh(
        "dpkg-query -W -f '${db:Status-Status} ${Package} ${Version} ${Architecture}\\n'"
    ).splitlines()
    planned = {
        f"installed {pin.name} {pin.version} {pin.architecture}" for pin in installed.union.debian
    }
    assert planned <= set(rows)
    added = {row.split()[1] for row in rows} - installed.base
    assert added <= {pin.name for pin in installed.union.debian}


def test_python_packages_are_those_of_the_lock_and_no_other(installed: Installed) -> None:
    assert_python(installed.root, installed.union)


def assert_python(root: Root, plan: Plan) -> None:
    listed = json.loads(root.sh("/opt/heron/venv/bin/pip list --format json 2>/dev/null"))
    found = {one["name"].lower().replace("_", "-"): one["version"] for one in listed}
    own = {"pip", "setuptools"}  # of the environment itself (venv of Python 3.11 brings both)
    assert {name: one for name, one in found.items() if name not in own} == {
        str(pin.name): pin.version for pin in plan.python
    }


def test_every_declared_module_comes_up(installed: Installed) -> None:
    assert "every declared module can be imported" in installed.output
    assert_imports(installed.root, installed.union)


def assert_imports(root: Root, plan: Plan) -> None:
    """Each on its own, so that none hides behind another."""
    assert plan.modules
    for name in sorted(plan.modules):
        root.sh(f"cd /tmp && /opt/heron/venv/bin/python -B -c 'import {name}'")


def test_a_second_run_changes_nothing(installed: Installed) -> None:
    before = installed.root.state()
    output = installed.root.sh(SCRIPT, network=False)
    assert "heron is as planned; nothing had to change" in output
    assert differences(before, installed.root.state()) == []


def test_what_a_person_wrote_in_the_boot_files_stays(installed: Installed) -> None:
    assert (installed.root.path / "boot/firmware/config.txt").read_text().startswith(CONFIG)
    words = (installed.root.path / "boot/firmware/cmdline.txt").read_text().split()
    assert {"console=tty1", "root=/dev/mmcblk0p2"} <= set(words)


def test_switching_between_profiles_installs_nothing(installed: Installed) -> None:
    """To each profile and back, without network; what the robot then loads is that profile's."""
    if len(installed.locked) == 1:
        pytest.skip("this root carries one profile")
    root = installed.root
    before, packages = root.state(), root.packages()
    environment = (root.path / "opt/heron/venv").readlink()
    for one in (*installed.locked[1:], installed.locked[0]):
        word = one.plan.profile or "heron"
        output = root.sh(f"{SCRIPT} --profile {word}", network=False)
        assert "Debian packages" not in output
        assert "virtual environment is complete" in output
        assert (root.packages(), (root.path / "opt/heron/venv").readlink()) == (
            packages,
            environment,
        )
        wiring = json.loads((root.path / "opt/heron/wiring.json").read_text())
        assert wiring["profile"] == one.plan.profile
        assert set(wiring["instances"]) == {item.name for item in one.plan.instances}
        lines = (root.path / "boot/firmware/config.txt").read_text().splitlines()
        planned = {
            item.text for item in one.plan.boot if item.kind in {"parameter", "overlay", "firmware"}
        }
        assert planned == set(lines) - set(CONFIG.splitlines()) - {"[all]"} - {
            line for line in lines if line.startswith("# heron:")
        }
        if one is installed.locked[1]:
            assert "boot settings changed: restart the machine" in output
            # the choice is kept
            assert "nothing had to change" in root.sh(SCRIPT, network=False)
    kept = ("boot/firmware/config.txt.before-heron", "boot/firmware/cmdline.txt.before-heron")
    left = [one for one in differences(before, root.state()) if not one.startswith(kept)]
    assert left == []


# --- arm64 ----------------------------------------------------------------------------------------


QUICK = """\
force-unsafe-io
path-exclude=/usr/share/doc/*
path-exclude=/usr/share/man/*
path-exclude=/usr/share/ca-certificates/mozilla/*
path-include=/usr/share/ca-certificates/mozilla/ISRG_Root_X1.crt
"""
"""
dpkg.cfg(5): nobody pulls a plug here, so dpkg need not wait for the disk; nobody reads; and each of 140
certificates is put in its place by a shell loop, of which one is enough for pip to start.
"""


@pytest.mark.timeout(0)  # hours for the whole robot
def test_an_arm64_root_from_an_offline_card(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """
    The robot's own architecture, emulated, without network: the profile bench, since it takes minutes.

    All plugins take hours, and are asked for: ``ROBOKIT_TEST_ARM64=whole pytest -m root -k arm64``.
    """
    emulated("arm64")
    whole = os.environ.get("ROBOKIT_TEST_ARM64") == "whole"
    profile = [] if whole else ["--profile", "bench"]
    tarball = made_tarball("debian-13", architecture="arm64", include="")
    if "ROBOKIT_PLAN_CACHE" not in os.environ:
        monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    robot = tmp_path / "heron"
    shutil.copytree(SAMPLE, robot)
    root = unpacked(tarball, tmp_path / "root")
    # planned for this very root, which is smaller than an image
    shutil.copy(root.path / "var/lib/dpkg/status", robot / "status")
    text = (robot / "robot.yaml").read_text()
    (robot / "robot.yaml").write_text(
        text.replace("  architecture: arm64\n", "  architecture: arm64\n  base: status\n")
    )
    lock = robot / ("pylock.heron.toml" if whole else "pylock.heron-bench.toml")
    assert run_command(["lock", "--robot", str(robot), *profile]) == 0
    assert run_command(["card", "--robot", str(robot), *profile, "--offline"]) == 0
    card = next(robot.glob("card-*"))
    plan = parse_lock(lock.read_text(), file=lock.name)
    root.write("boot/firmware/config.txt", CONFIG)
    root.write("boot/firmware/cmdline.txt", COMMAND_LINE)
    root.write("etc/dpkg/dpkg.cfg.d/quick", QUICK)
    shutil.copytree(card, root.path / "boot/firmware" / card.name)
    assert root.sh("dpkg --print-architecture").strip() == "arm64"
    start = f"sh /boot/firmware/{card.name}/start.sh"
    output = root.sh(start, network=False, before=SMALL)
    assert "every declared module can be imported" in output
    now = root.packages()
    planned = {f"ii  {pin.name} {pin.version} {pin.architecture}" for pin in plan.debian}
    assert planned <= now
    assert {one.split()[1] for one in now} - base_of(tarball) == {pin.name for pin in plan.debian}
    assert_python(root, plan)
    assert plan.modules
    code = f"import platform, {', '.join(sorted(plan.modules))}; print(platform.machine())"
    said = root.sh(f"cd /tmp && /opt/heron/venv/bin/python -B -c '{code}'")
    assert said.splitlines()[-1] == "aarch64"
    before = root.state()
    assert "nothing had to change" in root.sh(start, network=False)
    assert differences(before, root.state()) == []
    shutil.rmtree(root.path)
