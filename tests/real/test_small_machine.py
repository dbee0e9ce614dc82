"""
Small machines: little memory, another processor, 32 bit, no compiler.

Memory is limited by the kernel's own control groups; programs for arm64 and armhf run by qemu-user.
What the tool needs there comes as wheels from the index that pip is configured for, or from Debian.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage

import pytest
from packaging.requirements import Requirement

from .roots import SUITES, emulated, environment, mirror

pytestmark = [pytest.mark.root, pytest.mark.live]

CHECKOUT = Path(__file__).parents[2]
SAMPLE = CHECKOUT / "sample_robot"
MEGABYTES = 256
AS_TYPED = "import sys; from robokit_plan.cli import main; main(sys.argv[1:])"
IN_ROOT = f"import os, sys; os.chdir('/opt/robot'); sys.path.insert(0, '/opt/tool'); {AS_TYPED}"


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


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A processor, and how the tool's dependencies come to it."""

    tags: tuple[str, ...]
    cpu: str
    """One that qemu-user has; see `roots.environment`."""
    debian: tuple[str, ...] = ()
    """Distributions that Debian's own packages bring, since no wheel does."""


KINDS = {
    "arm64": Kind(tags=("manylinux_2_28_aarch64", "manylinux2014_aarch64"), cpu="cortex-a72"),
    # 32 bit: PyYAML publishes no wheel for it, Debian compiles it
    "armhf": Kind(
        tags=("manylinux_2_31_armv7l", "manylinux2014_armv7l"), cpu="cortex-a7", debian=("pyyaml",)
    ),
}


@dataclass(frozen=True)
class Small:
    """A root with Debian's Python and nothing else, and the tool beside it."""

    root: Path
    kind: Kind

    def typed(self, *words: str) -> str:
        """Return what a command says there; ``pytest -s`` shows how long the processor took."""
        before = getrusage(RUSAGE_CHILDREN)
        done = subprocess.run(
            ["chroot", str(self.root), "/usr/bin/python3", "-c", IN_ROOT, *words],
            env={
                **environment(self.root),
                "QEMU_CPU": self.kind.cpu,
                "ROBOKIT_PLAN_CACHE": "/var/tmp/cache",
            },
            capture_output=True,
            text=True,
            check=False,
        )
        after = getrusage(RUSAGE_CHILDREN)
        took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        sys.stdout.write(f"{self.kind.tags[-1]} {' '.join(words)}: {took:.1f} s\n")
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def typed_here(self, *words: str) -> str:
        """Return what the same command says on this machine, over the same folder and cache."""
        done = subprocess.run(
            [sys.executable, "-c", AS_TYPED, *words],
            cwd=self.root / "opt/robot",
            # indices that are folders of this machine would be told in a note of their own
            env={
                **{name: text for name, text in os.environ.items() if name != "PIP_FIND_LINKS"},
                "PIP_CONFIG_FILE": os.devnull,
                "ROBOKIT_PLAN_CACHE": str(self.root / "var/tmp/cache"),
            },
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


@pytest.fixture(scope="module", params=KINDS)
def small(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Small:
    """Make the root, with the sample robot in it."""
    if os.geteuid() != 0 or shutil.which("mmdebstrap") is None:
        pytest.skip("making a root needs root rights and mmdebstrap")
    architecture: str = request.param
    kind = KINDS[architecture]
    emulated(architecture)
    folder = tmp_path_factory.mktemp(architecture)
    root, tarball = folder / "root", folder / "root.tar"
    packages = ["python3", "gpgv", "debian-archive-keyring"]
    packages += [f"python3-{name.removeprefix('py')}" for name in kind.debian]
    # Unpacked only: configuring under emulation takes minutes, and Python needs none.
    subprocess.run(
        [
            "mmdebstrap", "-q", "--variant=extract", f"--architectures={architecture}",
            f"--include={','.join(packages)}", SUITES["debian-13"], str(tarball), mirror(),
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
    wanted = [
        one for one in project["dependencies"] if Requirement(one).name.lower() not in kind.debian
    ]
    assert len(wanted) == len(project["dependencies"]) - len(kind.debian)
    subprocess.run(
        [
            sys.executable, "-m", "pip", "install", "-q", "--target", str(tool),
            "--only-binary=:all:", "--implementation=cp", "--python-version=3.13",
            *(f"--platform={tag}" for tag in kind.tags), *wanted,
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
    return Small(root, kind)


def test_the_tool_runs_where_nothing_can_be_compiled(small: Small) -> None:
    """
    Dependencies come as wheels or from Debian; what is said and written is what is here.

    Rows are read here and used there: reading Debian's indices under emulation takes minutes.
    """
    compilers = [
        one.name for one in (small.root / "usr/bin").iterdir() if one.name in {"cc", "gcc", "clang"}
    ]
    assert compilers == []
    assert small.typed("--version").startswith("robokit-plan ")
    small.typed_here("lock")
    lock = small.root / "opt/robot/pylock.heron.toml"
    here = lock.read_bytes()
    lock.unlink()
    said = small.typed("lock", "--offline")
    assert "heron can be built on raspberrypi,4-model-b with debian-13 arm64" in said
    assert lock.read_bytes() == here
    for words in (("check", "--offline"), ("lint", "."), ("wiring",)):
        assert small.typed(*words) == small.typed_here(*words), words
