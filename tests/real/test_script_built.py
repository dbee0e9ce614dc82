"""
What a robot builds it keeps, and the next run, the next lock file, the next robot take it from there.

The two source archives call a compiler that is nothing but a line in a log: a package made by hand,
which a robot that has everything built needs no more. Tools to build with are real.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from robokit_plan.cli._app import run as run_command
from robokit_plan.formats.lock import render_lock
from robokit_plan.model import DistributionName, IndexFile, Plan, PythonPin
from robokit_plan.render import source_builds
from tests.edge.index_server import tarball as sdist_bytes
from tests.real.roots import (
    Root,
    differences,
    made_tarball,
    plan_for,
    put_script,
    python_pins,
    unpacked,
    with_venv,
)
from tests.real.test_script_told import own_package, version_of
from tests.render.plans import names

pytestmark = [pytest.mark.root, pytest.mark.live]

RELEASE = "debian-13"
INSTALL = "ROBOT_BUNDLE=/srv/bundle sh /srv/heron/install.sh"
BUILT = "opt/heron/built"
COMPILER = b'echo "$1" >>/var/log/raft-cc\n'
SETUP = """\
import subprocess
import setuptools
from setuptools.command.build_py import build_py

class Build(build_py):
    def run(self):
        subprocess.run(["sh", "/usr/bin/raft-cc", "{name}"], check=True)
        super().run()

class Compiled(setuptools.Distribution):
    def has_ext_modules(self):
        return True

setuptools.setup(
    name="{name}", version="1.0", py_modules=["{name}"], cmdclass={{"build_py": Build}},
    distclass=Compiled,
)
"""


def own_sdist(name: str, folder: Path) -> PythonPin:
    """Put a source archive into *folder*; its wheel is one for this machine alone."""
    top = f"{name}-1.0"
    body = sdist_bytes(
        {
            f"{top}/setup.py": SETUP.format(name=name).encode(),
            f"{top}/{name}.py": b"print('afloat')\n",
            f"{top}/PKG-INFO": f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n".encode(),
        }
    )
    file = f"{top}.tar.gz"
    (folder / file).write_bytes(body)
    return PythonPin(
        name=DistributionName(name),
        version="1.0",
        file=IndexFile(
            filename=file,
            url=f"https://files.example/{file}",
            sha256=hashlib.sha256(body).hexdigest(),
        ),
        wanted_by=names("helm"),
        direct=True,
    )


@dataclass(frozen=True)
class Kit:
    """
    A fresh root with Python and a bundle, and plans of one robot.

    `a` builds two archives, `b` none, `more` those of `a` beside one more wheel.
    """

    root: Root
    a: Plan
    b: Plan
    more: Plan


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kit]:
    folder = tmp_path_factory.mktemp("built")
    root = unpacked(made_tarball(RELEASE), folder / "root")
    root.sh("apt-get update -qq")
    with_venv(root)
    wheels = {pin.name: pin for pin in python_pins(root, ["setuptools", "smbus2"])}
    setuptools, smbus2 = wheels[DistributionName("setuptools")], wheels[DistributionName("smbus2")]
    root.sh("mkdir -p /srv/bundle/debian /srv/bundle/python")
    words = " ".join(f"{pin.name}=={pin.version}" for pin in (setuptools, smbus2))
    root.sh(f"/tmp/venv/bin/pip -q download --no-deps -d /srv/bundle/python {words}")
    root.sh("rm -rf /tmp/venv /var/lib/apt/lists/* /var/cache/apt/*")
    compiler = own_package(root, "raft-cc", files={"usr/bin/raft-cc": COMPILER})
    sdists = tuple(
        own_sdist(name, root.path / "srv/bundle/python") for name in ("fathom", "soundings")
    )
    a = plan_for(
        RELEASE,
        debian=(compiler,),
        debian_build=(compiler.name,),
        python=sdists,
        build=(setuptools,),
        modules={pin.name: names("helm") for pin in sdists},
        program=None,
    )
    b = plan_for(RELEASE, python=(smbus2,), program=None)
    more = replace(a, python=(*sdists, smbus2))
    for one, name in ((a, "install.sh"), (b, "other.sh"), (more, "more.sh")):
        put_script(root, one, name)
    yield Kit(root, a, b, more)
    shutil.rmtree(folder)


@pytest.fixture(scope="module")
def installed(kit: Kit, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    """The root after one run of A that nothing disturbed."""
    root = kit.root.copy(tmp_path_factory.mktemp("once") / "root")
    told = root.sh(INSTALL, network=False)
    assert "  to be built here: fathom 1.0, soundings 1.0\n" in told
    assert compiled(root) == ["fathom", "soundings"]
    yield root
    shutil.rmtree(root.path)


def compiled(root: Root) -> list[str]:
    """Return what was compiled since this was asked last, in order."""
    log = root.path / "var/log/raft-cc"
    found = log.read_text().split() if log.exists() else []
    log.unlink(missing_ok=True)
    return found


def kept(root: Root) -> set[str]:
    folder = root.path / BUILT
    return {one.name for one in folder.iterdir()} if folder.exists() else set()


def test_what_was_built_once_is_not_built_again(kit: Kit, installed: Root, tmp_path: Path) -> None:
    """One root through all of it: a further plugin, a damaged wheel, a lock without builds, and back."""
    root = installed.copy(tmp_path / "root")
    before = root.state(noise=False)
    keys = {one.name: one.key for one in source_builds(kit.a)}
    assert kept(root) == set(keys.values())
    for one in (root.path / BUILT).rglob("*"):
        about = one.stat()
        assert (about.st_uid, about.st_mode & 0o022) == (0, 0), one
    assert "nothing had to change" in root.sh(INSTALL, network=False)

    more = INSTALL.replace("install", "more")
    dry = root.sh(f"{more} --dry-run", network=False)
    assert "  built before: fathom 1.0, soundings 1.0\n" in dry
    assert "to be built" not in dry
    told = root.sh(more, network=False)
    assert "  built before: fathom 1.0, soundings 1.0\n" in told
    # neither a tool to build with nor a build
    assert "setuptools" not in told
    assert compiled(root) == []
    root.sh("/opt/heron/venv/bin/python -B -c 'import fathom, soundings, smbus2'")

    (wheel,) = (root.path / BUILT / keys[DistributionName("fathom")]).glob("*.whl")
    wheel.write_bytes(wheel.read_bytes()[:-1] + b"x")
    told = root.sh(INSTALL, network=False)
    assert "  kept, but damaged since: fathom 1.0\n  built before: soundings 1.0\n" in told
    assert compiled(root) == ["fathom"]
    # the same bytes, since every build is told the same time
    assert differences(before, root.state(noise=False)) == []

    told = root.sh(INSTALL.replace("install", "other"), network=False)
    assert all(f"  remove /opt/heron/built/{key}\n" in told for key in keys.values())
    assert not (root.path / BUILT).exists()
    root.sh(INSTALL, network=False)
    assert compiled(root) == ["fathom", "soundings"]
    assert differences(before, root.state(noise=False)) == []
    shutil.rmtree(root.path)


def test_a_plug_pulled_in_the_second_build_costs_that_one(
    kit: Kit, installed: Root, tmp_path: Path
) -> None:
    root = kit.root.copy(tmp_path / "root")
    assert root.killed(INSTALL, lambda line: line == "  build soundings 1.0\n", after_s=0.3)
    assert compiled(root)[:1] == ["fathom"]
    told = root.sh(INSTALL, network=False)
    assert "  built before: fathom 1.0\n  to be built here: soundings 1.0\n" in told
    assert compiled(root) == ["soundings"]
    assert differences(installed.state(noise=False), root.state(noise=False)) == []
    shutil.rmtree(root.path)


def test_the_next_robot_is_given_what_this_one_built(
    kit: Kit, installed: Root, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An offline card with it: no compiler is installed, nothing is built, and all of it is there."""
    folder = tmp_path / "heron"
    packages = folder / "card-heron/packages"
    packages.mkdir(parents=True)
    # as a card before this one has them, so that nobody is asked
    for kind in ("debian", "python"):
        shutil.copytree(kit.root.path / "srv/bundle" / kind, packages / kind)
    (folder / "card-heron/SHA256SUMS").write_text("")
    (folder / "robot.yaml").write_text(
        'format: 1\nrobot: heron\nboard: "raspberrypi,4-model-b"\nenabled: []\nsystem: '
        '{release: debian-13, architecture: amd64, mirror: "https://mirror.example/debian"}\n'
    )
    (folder / "pylock.heron.toml").write_text(render_lock(kit.a))
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    built = shutil.copytree(installed.path / BUILT, tmp_path / "copy")
    words = ["card", "--robot", str(folder), "--offline", "--built", str(built)]
    assert run_command(words) == 0
    root = kit.root.copy(tmp_path / "root")
    shutil.rmtree(root.path / "srv/bundle")
    card = root.path / "boot/firmware/card-heron"
    shutil.copytree(folder / "card-heron", card)
    start = "sh /boot/firmware/card-heron/start.sh --drop-build-tools"
    told = root.sh(start, network=False)
    assert "  built before: fathom 1.0, soundings 1.0\n" in told
    assert "setuptools" not in told
    assert version_of(root, "raft-cc") == "none"
    assert compiled(root) == []
    root.sh("/opt/heron/venv/bin/python -B -c 'import fathom, soundings'")
    ours, theirs = (
        {name: one for name, one in state.items() if name.startswith((BUILT, "opt/heron/venvs"))}
        for state in (root.state(noise=False), installed.state(noise=False))
    )
    assert differences(ours, theirs) == []
    assert "nothing had to change" in root.sh(start, network=False)
    # without its list of hashes nobody looks but the script; what is damaged changes nothing
    (wheel,) = (card / "packages/built" / source_builds(kit.a)[0].key).glob("*.whl")
    wheel.write_bytes(b"half")
    assert "is not whole any more" in root.sh(start, expect=7, network=False)
    root.sh("rm -rf /opt/heron")
    script = "sh /boot/firmware/card-heron/robot/install.sh"
    bundle = "ROBOT_BUNDLE=/boot/firmware/card-heron/packages"
    refused = root.sh(f"{bundle} {script}", expect=7, network=False)
    assert "does not hold the wheel that was carried; nothing was changed" in refused
    assert not (root.path / "opt/heron/venvs").exists()
    shutil.rmtree(root.path)
