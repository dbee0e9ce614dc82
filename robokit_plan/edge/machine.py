"""
This machine, or a card that is mounted somewhere, read without changing or disturbing anything.

Nothing is started, opened for writing or asked over a bus: an I2C probe would itself be traffic.
"""

from __future__ import annotations

import base64
import csv
import os
import stat
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from robokit_plan.model import InstalledState, MachineState, UnitState, UsbDevice, dataclass

from ._debian_apt_config import deb822_paragraphs
from .ordinary import read_text, read_up_to, sha256_of

_MAX_STATUS = 256_000_000
"""Bytes of a file of dpkg."""

_MAX_TEXT = 4_000_000
_UNIT_FOLDERS = ("etc/systemd/system", "run/systemd/system", "usr/lib/systemd/system",
                 "lib/systemd/system")  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """
    What a comparison wants to know.

    `user` of the program; `texts` and `hashes` absolute paths of files, `devices` those of device
    files; `units` names with suffix; `variables` of the file with secrets.
    """

    home: str
    user: str | None = None
    texts: tuple[str, ...] = ()
    hashes: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    variables: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()


def read_machine(asked: Asked, *, root: Path = Path("/")) -> MachineState:
    """Return the machine below *root*; devices are looked for only where it is this machine."""
    tree = _Tree(root.resolve())
    live = tree.root == Path("/")
    venv = f"{asked.home}/venv"
    python, damaged = _environment(tree, venv)
    release = _os_release(tree.text("/etc/os-release") or "")
    packages = _packages(tree)
    dpkg = next((name for name in packages if name.startswith("dpkg:")), None)
    compatible = tree.text("/proc/device-tree/compatible") if live else None
    secrets = tree.find(f"{asked.home}/environment")
    return MachineState(
        board=tuple(one for one in compatible.split("\0") if one) if compatible else None,
        release=release,
        architecture=None if dpkg is None else dpkg.partition(":")[2],
        packages=packages,
        python=python,
        damaged=damaged,
        groups=None if asked.user is None else _groups(tree, asked.user),
        units={name: _unit(tree, name, live=live) for name in asked.units},
        texts={path: tree.text(path) for path in asked.texts},
        hashes={path: tree.sha256(path) for path in asked.hashes},
        variables=_variables(tree, f"{asked.home}/environment", asked.variables),
        secrets_mode=None if secrets is None else stat.S_IMODE(secrets.stat().st_mode),
        free=_free(tree, asked.home),
        lock=(tree.text(_lock_note(asked.home)) or "").strip() or None,
        paths={path: tree.find(path) is not None for path in asked.devices} if live else {},
        i2c_bound=frozenset(tree.names("/sys/bus/i2c/devices")) if live else frozenset(),
        usb=tuple(_usb(tree)) if live else None,
        cameras=tuple(_cameras(tree)) if live else None,
        cards=tuple(_cards(tree)) if live else None,
        command_line=tree.text("/proc/cmdline") if live else None,
    )


def installed_locks(home: str, *, root: Path = Path("/")) -> tuple[str, ...]:
    """Return the SHA-256 of each lock file that the machine below *root* was set up from."""
    return tuple((_Tree(root.resolve()).text(_lock_note(home)) or "").split())


def _lock_note(home: str) -> str:
    return f"{home}/state/lock"


@dataclass(frozen=True, slots=True)
class _Tree:
    """A folder taken for the root of a file system; links are followed inside it."""

    root: Path

    def find(self, path: str) -> Path | None:
        """Return where *path* is, None where it is not."""
        here = self.root
        todo = [part for part in path.split("/") if part]
        links = 0
        while todo:
            part = todo.pop(0)
            if part == "..":
                here = here.parent if here != self.root else here
                continue
            step = here / part
            try:
                if not step.is_symlink():
                    if not step.exists():
                        return None
                    here = step
                    continue
                links += 1
                target = str(step.readlink())
            except OSError:
                return None
            if links > 40:  # as the kernel: path_resolution(7)
                return None
            if target.startswith("/"):
                here = self.root
            todo = [one for one in target.split("/") if one and one != "."] + todo
        return here

    def text(self, path: str) -> str | None:
        """Return the text of an ordinary file; None where it is absent or may not be read."""
        found = self.find(path)
        try:
            if found is None:
                return None
            return read_up_to(found, _MAX_TEXT).decode("utf-8", "replace")
        except OSError:
            return None

    def sha256(self, path: str) -> str | None:
        found = self.find(path)
        return None if found is None else _sha256(found)

    def names(self, path: str) -> list[str]:
        """Return the names in a folder, sorted; none where it is absent."""
        found = self.find(path)
        try:
            return [] if found is None else sorted(one.name for one in found.iterdir())
        except OSError:
            return []


def _sha256(path: Path) -> str | None:
    try:
        return sha256_of(path)
    except OSError:
        return None


def _os_release(text: str) -> str | None:
    """Return ``debian-13`` (os-release(5)); a derivative of Debian counts as its release."""
    words = dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
    likes = f"{words.get('ID', '')} {words.get('ID_LIKE', '')}".replace('"', "").split()
    version = words.get("VERSION_ID", "").strip('"')
    return f"debian-{version}" if "debian" in likes and version else None


def _packages(tree: _Tree) -> dict[str, InstalledState]:
    found: dict[str, InstalledState] = {}
    path = tree.find("/var/lib/dpkg/status")
    if path is None:
        return found
    try:
        text = read_text(path, _MAX_STATUS, errors="replace")
    except OSError:
        return found
    for fields in deb822_paragraphs(text.splitlines()):
        name = fields.get("package")
        if name:
            found[f"{name}:{fields.get('architecture', '')}"] = InstalledState(
                version=fields.get("version", ""), status=fields.get("status", "").split(" ")[-1]
            )
    return found


def _environment(tree: _Tree, venv: str) -> tuple[Mapping[str, str] | None, tuple[str, ...]]:
    """Return distributions of a virtual environment, and its files that are not as recorded."""
    libraries = [one for one in tree.names(f"{venv}/lib") if one.startswith("python3.")]
    if not libraries:
        return None, ()
    site = f"{venv}/lib/{libraries[0]}/site-packages"
    base = tree.find(site)
    found: dict[str, str] = {}
    damaged: list[str] = []
    for name in tree.names(site):
        if not name.endswith(".dist-info"):
            continue
        headers = (tree.text(f"{site}/{name}/METADATA") or "").partition("\n\n")[0]
        words = dict(line.split(": ", 1) for line in headers.splitlines() if ": " in line)
        own = words.get("Name", name.partition("-")[0]).lower().replace("_", "-").replace(".", "-")
        found[own] = words.get("Version", "")
        if base is not None:
            record = tree.text(f"{site}/{name}/RECORD")
            damaged += (
                _damaged(base, record, tree.root) if record is not None else [f"{name}/RECORD"]
            )
    return found, tuple(sorted(damaged))


def _damaged(base: Path, record: str, root: Path) -> Iterator[str]:
    """
    Yield the files that differ from their hash in *record*.

    Source:
        Binary distribution format (PyPA specifications), "The .dist-info directory": sha256 in
        urlsafe base64 without padding.
    """
    for row in csv.reader(record.splitlines()):
        if len(row) < 2 or not row[1].startswith("sha256="):
            continue
        path = Path(os.path.normpath(base / row[0]))
        if not path.is_relative_to(root):
            continue
        wanted = row[1].removeprefix("sha256=")
        digest = _sha256(path)
        if (
            digest is None
            or base64.urlsafe_b64encode(bytes.fromhex(digest)).rstrip(b"=").decode() != wanted
        ):
            yield row[0]


def _groups(tree: _Tree, user: str) -> frozenset[str] | None:
    """Return the groups of *user* (group(5), passwd(5)); None where there is no such user."""
    users = [line.split(":") for line in (tree.text("/etc/passwd") or "").splitlines()]
    own = next((one[3] for one in users if len(one) > 3 and one[0] == user), None)
    if own is None:
        return None
    groups = [line.split(":") for line in (tree.text("/etc/group") or "").splitlines()]
    return frozenset(
        one[0] for one in groups if len(one) > 3 and (user in one[3].split(",") or one[2] == own)
    )


def _unit(tree: _Tree, name: str, *, live: bool) -> UnitState:
    """Return the state of a unit as its files say (systemctl(1), is-enabled)."""
    own = tree.root / "etc/systemd/system" / name
    active = None
    if live and Path("/run/systemd/system").is_dir():
        active = _is_active(name)
    if own.is_symlink() and str(own.readlink()) == "/dev/null":
        return UnitState(state="masked", active=active)
    text = next(
        (text for folder in _UNIT_FOLDERS if (text := tree.text(f"/{folder}/{name}")) is not None),
        None,
    )
    if text is None:
        return UnitState(state="absent", active=active)
    folder = "/etc/systemd/system"
    links = [
        f"{folder}/{one}/{name}"
        for one in tree.names(folder)
        if one.endswith((".wants", ".requires"))
    ]
    if any((tree.root / one.lstrip("/")).is_symlink() for one in links):
        return UnitState(state="enabled", active=active)
    return UnitState(state="disabled" if "[Install]" in text else "static", active=active)


def _is_active(name: str) -> bool | None:
    import subprocess

    from ._programs import find_program

    program = find_program("systemctl")
    if program is None:
        return None
    try:
        done = subprocess.run(  # noqa: S603  a fixed command without a shell
            [program, "is-active", "--quiet", "--", name],
            check=False, timeout=10, stdin=subprocess.DEVNULL,
        )  # fmt: skip
    except (OSError, subprocess.SubprocessError):
        return None
    return done.returncode == 0


def _variables(tree: _Tree, path: str, names: Iterable[str]) -> Mapping[str, bool] | None:
    """Return which variables have a value; the values themselves go nowhere."""
    found = tree.find(path)
    if found is not None and not os.access(found, os.R_OK):
        return None
    lines = (tree.text(path) or "").splitlines()
    given = {line.partition("=")[0] for line in lines if line.partition("=")[2].strip()}
    return {name: name in given for name in names}


def _free(tree: _Tree, home: str) -> int | None:
    path = tree.find(home) or tree.root
    try:
        about = os.statvfs(path)
    except OSError:
        return None
    return about.f_bavail * about.f_frsize


def _usb(tree: _Tree) -> Iterator[UsbDevice]:
    """Yield the devices on USB (kernel Documentation/ABI/stable/sysfs-bus-usb)."""
    base = "/sys/bus/usb/devices"
    for name in tree.names(base):
        vendor = tree.text(f"{base}/{name}/idVendor")
        product = tree.text(f"{base}/{name}/idProduct")
        if vendor and product:
            serial = tree.text(f"{base}/{name}/serial")
            yield UsbDevice(
                id=f"{vendor.strip()}:{product.strip()}",
                serial=serial.strip() if serial else None,
            )


def _cameras(tree: _Tree) -> Iterator[str]:
    """Yield what the kernel calls the sensors of cameras: sub-devices of video4linux."""
    base = "/sys/class/video4linux"
    for name in tree.names(base):
        if name.startswith("v4l-subdev"):
            yield (tree.text(f"{base}/{name}/name") or name).strip()


def _cards(tree: _Tree) -> Iterator[str]:
    for name in tree.names("/proc/asound"):
        if name.startswith("card") and name[4:].isdecimal():
            yield (tree.text(f"/proc/asound/{name}/id") or name).strip()
