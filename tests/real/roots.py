"""
Real Debian roots, and plans for them whose versions are the choice of apt and pip themselves.

A root's tarball is made once and kept in ``work`` beside this file (or ``ROBOKIT_TEST_ROOTS``);
each test unpacks its own.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import shutil
import signal
import stat
import subprocess
import tarfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from robokit_plan.edge.files import held
from robokit_plan.formats.lock import parse_lock, render_lock
from robokit_plan.model import (
    DebianName,
    DebianPin,
    DistributionName,
    IndexFile,
    Machine,
    Plan,
    PythonPin,
)
from robokit_plan.render import render_script
from tests.render.plans import HERON, names

WORK = Path(os.environ.get("ROBOKIT_TEST_ROOTS", Path(__file__).parent / "work"))
SUITES = {"debian-12": "bookworm", "debian-13": "trixie"}
PYTHONS = {"debian-12": "3.11", "debian-13": "3.13"}
_KEPT = (
    "PIP_INDEX_URL", "PIP_EXTRA_INDEX_URL", "PIP_DEFAULT_TIMEOUT", "HTTPS_PROXY", "HTTP_PROXY",
    "NO_PROXY", "https_proxy", "http_proxy", "no_proxy",
)  # fmt: skip
NOISE = (
    "var/log/",
    "var/cache/",
    "var/lib/apt/",
    "run/",
    "tmp/",
    "root/",
    "etc/machine-id",
    "var/lib/dbus/machine-id",
)
"""Places that tell when something was done, not what is there."""
NOISY_FILES = ("-old", "-", ".pyc", "install.log", "install.log.1")


def run(*command: str, **options: object) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False, **options)  # type: ignore[call-overload]
    assert done.returncode == 0, f"{command}: {done.returncode}\n{done.stdout}\n{done.stderr}"
    return str(done.stdout)


def environment(root: Path) -> dict[str, str]:
    found = {name: os.environ[name] for name in _KEPT if name in os.environ}
    if (root / "etc/ssl/test-bundle.crt").exists():
        for name in ("PIP_CERT", "SSL_CERT_FILE"):
            found[name] = "/etc/ssl/test-bundle.crt"
    # the processor of the sample robot's board; the default one of qemu-user has pointer
    # authentication, which every function of Debian's arm64 uses and which is slow to emulate
    # (QEMU documentation, "Arm CPU Features", pauth)
    found["QEMU_CPU"] = "cortex-a72"
    return found | {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root"}


@dataclass(frozen=True)
class Root:
    """A Debian root; commands run in it with /proc, and leave neither mount nor process behind."""

    path: Path

    def command(self, command: str, *, network: bool = True, before: str = ":") -> list[str]:
        """Return the words that run *command*; *before* runs outside, may mount, sees the root as $1."""
        net = [] if network else ["--net"]
        return [
            "unshare", "--mount", "--pid", "--fork", "--kill-child", *net, "sh", "-c",
            f'mount -t proc proc "$1/proc" && {before} && exec chroot "$1" sh -c "$2"',
            "sh", str(self.path), command,
        ]  # fmt: skip

    def sh(self, command: str, *, expect: int = 0, network: bool = True, before: str = ":") -> str:
        done = subprocess.run(
            self.command(command, network=network, before=before),
            env=environment(self.path), capture_output=True, text=True, check=False,
            stdin=subprocess.DEVNULL,
        )  # fmt: skip
        output = done.stdout + done.stderr
        assert done.returncode == expect, f"{command}: {done.returncode}\n{output}"
        return output

    def killed(self, command: str, when: Callable[[str], bool], *, after_s: float = 0.0) -> bool:
        """
        Run *command*, and pull the plug *after_s* once a line of its output fulfils *when*.

        Return whether it came to that.
        """
        started = subprocess.Popen(
            self.command(command, network=False),
            env=environment(self.path), stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL, text=True, start_new_session=True,
        )  # fmt: skip
        assert started.stdout is not None
        try:
            for line in started.stdout:
                if when(line):
                    try:
                        started.wait(after_s)
                    except subprocess.TimeoutExpired:
                        # the first process of the namespace: the kernel ends all others with it
                        # (pid_namespaces(7)), and unshare waits until they are gone
                        for first in _children(started.pid):
                            os.kill(first, signal.SIGKILL)
                            return True
                    return False
            return False
        finally:
            started.stdout.close()
            started.wait()

    def packages(self) -> set[str]:
        listed = self.sh(
            "dpkg-query -W -f '${db:Status-Abbrev} ${Package} ${Version} ${Architecture}\\n'"
        )
        return set(listed.splitlines())

    def state(self, *, noise: bool = True) -> dict[str, str]:
        """Path -> kind, mode, owner and content; without *noise* only what is there, not since when."""
        found = {}
        names_ = (
            ({}, {}) if noise else (_ids(self.path / "etc/passwd"), _ids(self.path / "etc/group"))
        )
        for folder, folders, files in os.walk(self.path):
            if Path(folder) == self.path:
                for name in ("proc", "sys", "dev", "tmp"):
                    folders.remove(name)
            for name in (*folders, *files):
                path = Path(folder, name)
                where = str(path.relative_to(self.path))
                if name.startswith("install.log"):
                    continue
                if not noise and (
                    where.startswith(NOISE)
                    or name.endswith(NOISY_FILES)
                    or "__pycache__" in where  # a killed compiler leaves its draft
                ):
                    continue
                about = path.lstat()
                if stat.S_ISLNK(about.st_mode):
                    content = str(path.readlink())
                elif stat.S_ISREG(about.st_mode):
                    content = hashlib.sha256(_told(path, where)).hexdigest()
                else:
                    content = ""
                # numbers are given in the order of asking
                owner = (
                    names_[0].get(about.st_uid, about.st_uid),
                    names_[1].get(about.st_gid, about.st_gid),
                )
                found[where] = f"{about.st_mode:o} {owner[0]}:{owner[1]} {content}"
        return found

    def copy(self, path: Path) -> Root:
        run("cp", "-a", str(self.path), str(path))
        return Root(path)

    def write(self, name: str, text: str) -> None:
        path = self.path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


def _children(process: int) -> list[int]:
    words = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    return [int(one) for one in words]


def _ids(path: Path) -> dict[int, str]:
    rows = [line.split(":") for line in path.read_text().splitlines()]
    return {int(row[2]): row[0] for row in rows}


def _told(path: Path, where: str) -> bytes:
    """Content without what only tells an order in time."""
    content = path.read_bytes()
    if where in {"etc/passwd", "etc/group", "etc/shadow", "etc/gshadow"}:
        return b"\n".join(sorted(line.split(b":")[0] for line in content.splitlines()))
    if where == "var/lib/dpkg/triggers/File":  # interests of packages, in the order of unpacking
        return b"\n".join(sorted(content.splitlines()))
    if where == "var/lib/dpkg/diversions":  # three lines each: from, to, package
        lines = content.splitlines()
        return b"\n".join(sorted(b"\n".join(lines[at : at + 3]) for at in range(0, len(lines), 3)))
    if where in {"var/lib/dpkg/status", "var/lib/dpkg/available"}:
        return b"\n\n".join(sorted(content.split(b"\n\n")))
    return content


def differences(one: dict[str, str], two: dict[str, str]) -> list[str]:
    return sorted(
        f"{name}: {one.get(name)} | {two.get(name)}"
        for name in one.keys() | two.keys()
        if one.get(name) != two.get(name)
    )


# --- making them ----------------------------------------------------------------------------------


def mirror() -> str:
    """Return the Debian mirror that apt of this machine is configured for."""
    lines = run(
        "apt-get", "indextargets", "--format", "$(ORIGIN) $(LABEL) $(SITE)", "Created-By: Packages"
    ).splitlines()
    for line in lines:
        if line.startswith("Debian Debian "):
            return line.split(" ")[2]
    pytest.skip("apt of this machine knows no Debian mirror")


def archives() -> tuple[str, str]:
    """Return the archive of Debian and that of its security updates, as this machine has them."""
    mirror_ = mirror()
    lines = run(
        "apt-get", "indextargets", "--format", "$(LABEL) $(SITE)", "Created-By: Packages"
    ).splitlines()
    security = [line.split(" ")[1] for line in lines if line.startswith("Debian-Security ")]
    if not security:
        pytest.skip("apt of this machine knows no archive of security updates")
    return mirror_, security[0]


def with_suites(root: Root, release: str) -> None:
    """Give *root* the sources of a fresh image: the release, its updates, its security updates."""
    main, security = archives()
    name = SUITES[release]
    shutil.rmtree(root.path / "etc/apt/sources.list.d")
    (root.path / "etc/apt/sources.list.d").mkdir()
    root.write(
        "etc/apt/sources.list",
        f"deb {main} {name} main\ndeb {main} {name}-updates main\ndeb {security} {name}-security main\n",
    )


def emulated(architecture: str) -> None:
    """Let this machine run programs of *architecture*; skip where it cannot be done."""
    machine, processor = {"arm64": ("aarch64", "aarch64"), "armhf": ("armv7l", "arm")}[architecture]
    if platform.machine() == machine:
        return
    entry = Path(f"/proc/sys/fs/binfmt_misc/qemu-{processor}")
    if not entry.exists():
        # binfmt_misc is a file system of its own (kernel documentation, admin-guide/binfmt-misc)
        if not (entry.parent / "register").exists():
            subprocess.run(
                ["mount", "-t", "binfmt_misc", "binfmt_misc", str(entry.parent)], check=False
            )
        if shutil.which("update-binfmts"):
            subprocess.run(["update-binfmts", "--enable", entry.name], check=False)
    if not entry.exists():
        pytest.skip(
            f"this machine cannot run {architecture}: packages qemu-user-static and binfmt-support"
        )


def made_tarball(
    release: str,
    *,
    architecture: str = "amd64",
    variant: str = "minbase",
    include: str = "ca-certificates",
) -> Path:
    """
    Return the tarball of a root, made once.

    Args:
        release: ``debian-13``.
        architecture: Another one than the machine's own is made by the machine's own dpkg
            (mmdebstrap(1), chrootless mode), a tenth of the time of emulating it; what is in
            `include` takes an emulated one.
        variant: ``minbase``: Priority required; ``important``: as well what an image holds.
        include: Further packages.
    """
    if os.geteuid() != 0:
        pytest.skip("making a root needs root rights")
    for tool in ("mmdebstrap", "unshare", "apt-get"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    if subprocess.run(["unshare", "--mount", "true"], check=False).returncode:
        pytest.skip("this machine lets nobody mount")
    WORK.mkdir(parents=True, exist_ok=True)
    kind = "" if variant == "minbase" else f"-{variant}"
    if include != "ca-certificates":
        kind += f"-{hashlib.sha256(include.encode()).hexdigest()[:6]}"
    path = WORK / f"{SUITES[release]}-{architecture}{kind}.tar"
    # Several workers may want the same one.
    with held(WORK):
        if not path.exists():
            part = path.with_suffix(".part.tar")
            own = run("dpkg", "--print-architecture").strip()
            mode = [] if architecture == own or include else ["--mode=chrootless"]
            run(
                "mmdebstrap", *mode, f"--variant={variant}", f"--architectures={architecture}",
                *([f"--include={include}"] if include else []), SUITES[release], str(part), mirror(),
            )  # fmt: skip
            part.rename(path)
    return path


def unpacked(tarball: Path, folder: Path) -> Root:
    folder.mkdir(parents=True)
    with tarfile.open(tarball) as archive:
        archive.extractall(folder, filter="fully_trusted", numeric_owner=True)
    shutil.copy("/etc/resolv.conf", folder / "etc/resolv.conf")
    bundle = os.environ.get("PIP_CERT") or os.environ.get("SSL_CERT_FILE")
    if bundle:
        (folder / "etc/ssl").mkdir(exist_ok=True)
        shutil.copy(bundle, folder / "etc/ssl/test-bundle.crt")
    return Root(folder)


def debian_pins(oracle: Root, wanted: Iterable[str], suite: str) -> tuple[DebianPin, ...]:
    """Return what apt itself would add for *wanted*."""
    asked = list(wanted)
    simulated = oracle.sh(f"apt-get -qq -s --no-install-recommends install {' '.join(asked)}")
    pins = []
    for line in simulated.splitlines():
        if not line.startswith("Inst "):
            continue
        name, version = line.split(" ")[1], line.partition("(")[2].split(" ")[0]
        shown = oracle.sh(f"apt-cache show '{name}={version}'").partition("\n\n")[0]
        fields = dict(
            one.split(": ", 1) for one in shown.splitlines() if ": " in one and one[0] != " "
        )
        pins.append(
            DebianPin(
                name=DebianName(name),
                version=version,
                architecture=fields["Architecture"],
                suite=suite,
                filename=fields["Filename"],
                size=int(fields["Size"]),
                installed_size=int(fields["Installed-Size"]) * 1024,
                sha256=fields["SHA256"],
                wanted_by=names("helm"),
                direct=name in asked,
            )
        )
    return tuple(sorted(pins, key=lambda pin: pin.name))


def python_pins(
    oracle: Root, wanted: Iterable[str], source: Iterable[str] = ()
) -> tuple[PythonPin, ...]:
    """Return what pip of that root itself would install; it needs ``/tmp/venv``."""
    options = "".join(f" --no-binary {name}" for name in source)
    oracle.sh(
        "/tmp/venv/bin/pip install -q --disable-pip-version-check --ignore-installed --dry-run"
        f" --report /tmp/report.json{options} {' '.join(wanted)}"
    )
    report = json.loads((oracle.path / "tmp/report.json").read_text())
    pins = []
    for item in report["install"]:
        url = item["download_info"]["url"]
        pins.append(
            PythonPin(
                name=DistributionName(item["metadata"]["name"].lower().replace("_", "-")),
                version=item["metadata"]["version"],
                file=IndexFile(
                    filename=url.rpartition("/")[2],
                    url=url,
                    sha256=item["download_info"]["archive_info"]["hashes"]["sha256"],
                ),
                wanted_by=names("helm"),
                direct=True,
            )
        )
    return tuple(sorted(pins, key=lambda pin: pin.name))


def with_venv(oracle: Root) -> None:
    oracle.sh(
        "apt-get -qq --no-install-recommends -y install python3-venv && python3 -m venv /tmp/venv"
    )


def bundle_of(oracle: Root, plan: Plan, folder: Path) -> Path:
    """Lay out every file of *plan* the way a card does, fetched by apt and pip of *oracle*."""
    (folder / "debian").mkdir(parents=True)
    (folder / "python").mkdir()
    fetched = oracle.path / "tmp/debs"
    fetched.mkdir(exist_ok=True)
    words = " ".join(
        f"'{pin.name}:{pin.architecture}={pin.version}'".replace(":all=", "=")
        for pin in plan.debian
    )
    oracle.sh(f"cd /tmp/debs && apt-get -qq -o APT::Sandbox::User=root download {words}")
    by_hash = {hashlib.sha256(one.read_bytes()).hexdigest(): one for one in fetched.iterdir()}
    for deb in plan.debian:
        shutil.copy(by_hash[deb.sha256], folder / "debian" / deb.filename.rpartition("/")[2])
    for pin in (*plan.python, *plan.build):
        target = folder / "python" / pin.file.filename
        code = "import sys, urllib.request as r; sys.stdout.buffer.write(r.urlopen(sys.argv[1]).read())"
        oracle.sh(f"/tmp/venv/bin/python -c '{code}' '{pin.file.url}' >/tmp/fetched")
        shutil.copy(oracle.path / "tmp/fetched", target)
    return folder


def plan_for(release: str, architecture: str = "amd64", **changes: object) -> Plan:
    """Return a small robot for a root; *changes* as fields of `Plan`, read back from its lock."""
    machines = {"amd64": "x86_64", "arm64": "aarch64"}
    target = replace(
        HERON.target,
        release=release,
        architecture=architecture,
        python=PYTHONS[release],
        markers={
            **HERON.target.markers,
            "platform_machine": machines[architecture],
            "python_version": PYTHONS[release],
        },
    )
    bare: dict[str, object] = {
        "target": target, "python": (), "build": (), "debian": (), "debian_build": (),
        "indexes": {}, "boot": (), "machine": Machine(), "sources": (), "build_environment": {},
        "modules": {}, "udev_rules": (),
    }  # fmt: skip
    made = replace(HERON, **(bare | changes))  # type: ignore[arg-type]
    # from the lock alone, as `script` does it
    return parse_lock(render_lock(made), file="pylock.heron.toml")


def put_script(root: Root, plan: Plan, name: str = "install.sh") -> None:
    root.write(
        f"srv/heron/{name}",
        render_script(plan, lock_name="pylock.heron.toml", lock_sha256="0" * 64),
    )
