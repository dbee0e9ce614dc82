"""
Small machines: little memory, another processor, no compiler.

Memory is limited by the kernel's own control groups; arm64 programs run by qemu-user. What the tool
needs there comes as wheels from the index that pip is configured for.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from .roots import SUITES, emulated, environment, mirror

pytestmark = [pytest.mark.root, pytest.mark.live]

CHECKOUT = Path(__file__).parents[2]
SAMPLE = CHECKOUT / "sample_robot"
MEGABYTES = 256
AS_TYPED = "import sys; from robokit_plan.cli import main; main(sys.argv[1:])"
IN_ROOT = f"import sys; sys.path.insert(0, '/opt/tool'); {AS_TYPED}"


@pytest.fixture
def group() -> Iterator[Path]:
    """Make a control group whose processes have little memory together, page cache included."""
    if os.geteuid() != 0:
        pytest.skip("making a control group needs root rights")
    first, second = Path("/sys/fs/cgroup/memory"), Path("/sys/fs/cgroup")
    is_first = (first / "memory.limit_in_bytes").exists()
    folder = (first if is_first else second) / "robokit-plan-test"
    limit = "memory.limit_in_bytes" if is_first else "memory.max"
    try:
        folder.mkdir(exist_ok=True)
        (folder / limit).write_text(str(MEGABYTES * 1024 * 1024))
    except OSError as error:
        pytest.skip(f"this machine makes no control group for memory: {error}")
    yield folder
    folder.rmdir()


def test_check_from_nothing_in_little_memory(group: Path, tmp_path: Path) -> None:
    """A board with 512 MB has about half of it left for us: indices, solvers and all."""
    done = subprocess.run(
        [
            "sh", "-c", 'echo $$ >"$1/cgroup.procs" && exec "$2" -c "$3" check --robot "$4"',
            "sh", str(group), sys.executable, AS_TYPED, str(SAMPLE),
        ],
        env={**os.environ, "ROBOKIT_PLAN_CACHE": str(tmp_path)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "heron can be built on" in done.stdout


@pytest.fixture(scope="module")
def arm64(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a root with Debian's Python for arm64 and nothing else, and the tool beside it."""
    if os.geteuid() != 0 or shutil.which("mmdebstrap") is None:
        pytest.skip("making a root needs root rights and mmdebstrap")
    emulated("arm64")
    folder = tmp_path_factory.mktemp("arm64")
    root, tarball = folder / "root", folder / "root.tar"
    # Unpacked only: configuring under emulation takes minutes, and Python needs none.
    subprocess.run(
        [
            "mmdebstrap", "-q", "--variant=extract", "--architectures=arm64",
            "--include=python3,gpgv,debian-archive-keyring", SUITES["debian-13"], str(tarball), mirror(),
        ],
        check=True,
    )  # fmt: skip
    root.mkdir()
    subprocess.run(["tar", "-xf", str(tarball), "-C", str(root)], check=True)
    for name in ("bin", "sbin", "lib"):
        if not (root / name).exists():
            (root / name).symlink_to(f"usr/{name}")
    shutil.copy("/etc/resolv.conf", root / "etc/resolv.conf")
    bundle = os.environ.get("PIP_CERT") or "/etc/ssl/certs/ca-certificates.crt"
    (root / "etc/ssl").mkdir(exist_ok=True)
    shutil.copy(bundle, root / "etc/ssl/test-bundle.crt")
    tool = root / "opt/tool"
    project = tomllib.loads((CHECKOUT / "pyproject.toml").read_text())["project"]
    subprocess.run(
        [
            sys.executable, "-m", "pip", "install", "-q", "--target", str(tool),
            "--only-binary=:all:", "--implementation=cp", "--python-version=3.13",
            "--platform=manylinux_2_28_aarch64", "--platform=manylinux2014_aarch64",
            *project["dependencies"],
        ],
        check=True,
    )  # fmt: skip
    shutil.copytree(CHECKOUT / "robokit_plan", tool / "robokit_plan")
    shutil.copytree(CHECKOUT / "schemas", tool / "robokit_plan/schemas")
    shutil.copytree(SAMPLE, root / "opt/robot")
    robot = root / "opt/robot/robot.yaml"
    text = robot.read_text("utf-8")
    assert text.count("  architecture: arm64\n") == 1
    # There is no apt in this root whose sources could be asked for.
    robot.write_text(
        text.replace("  architecture: arm64\n", f"  architecture: arm64\n  mirror: {mirror()}\n")
    )
    return root


def _typed(root: Path, *words: str) -> str:
    done = subprocess.run(
        ["chroot", str(root), "/usr/bin/python3", "-c", IN_ROOT, *words],
        env={**environment(root), "ROBOKIT_PLAN_CACHE": "/var/tmp/cache"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_the_tool_runs_where_nothing_can_be_compiled(arm64: Path) -> None:
    """
    Every dependency comes as a wheel for arm64, and the lock file is the one made here, byte by byte.

    Rows are read here and used there: reading Debian's indices under emulation takes minutes.
    """
    compilers = [
        one.name for one in (arm64 / "usr/bin").iterdir() if one.name in {"cc", "gcc", "clang"}
    ]
    assert compilers == []
    assert _typed(arm64, "--version").startswith("robokit-plan ")
    subprocess.run(
        [sys.executable, "-c", AS_TYPED, "lock", "--robot", "."],
        cwd=arm64 / "opt/robot",
        env={**os.environ, "ROBOKIT_PLAN_CACHE": str(arm64 / "var/tmp/cache")},
        check=True,
        capture_output=True,
    )
    lock = arm64 / "opt/robot/pylock.heron.toml"
    here = lock.read_bytes()
    lock.unlink()
    said = _typed(arm64, "lock", "--offline", "--robot", "/opt/robot")
    assert "heron can be built on raspberrypi,4-model-b with debian-13 arm64" in said
    assert lock.read_bytes() == here
