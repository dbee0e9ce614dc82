"""`verify` over folders that are laid out like the root of a machine."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.cli._app import run
from robokit_plan.edge.machine import Asked, read_machine
from robokit_plan.formats.lock import render_lock
from robokit_plan.model import InstalledState, MachineState, Plan, ResourceName, UsbDevice
from robokit_plan.render import asked_of, compare_machine, render_wiring_json
from robokit_plan.render._verify import Verdict
from tests.render.plans import HERON

VOICE = b"voice"
PLAN = replace(
    HERON,
    machine=replace(
        HERON.machine,
        assets=(replace(HERON.machine.assets[0], sha256=hashlib.sha256(VOICE).hexdigest()),),
    ),
)


def put(root: Path, path: str, text: str) -> Path:
    target = root / path
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(text)
    return target


@pytest.fixture
def lock(tmp_path: Path) -> Path:
    return put(tmp_path, "pylock.heron.toml", render_lock(PLAN))


@pytest.fixture
def card(tmp_path: Path, lock: Path) -> Path:
    """A card that is all that `PLAN` says, written by hand from the script's description."""
    root = tmp_path / "card"
    stanzas = [
        ("dpkg", "1.22", "arm64"),
        *((pin.name, pin.version, pin.architecture) for pin in PLAN.debian),
    ]
    put(root, "var/lib/dpkg/status", "\n".join(
        f"Package: {name}\nStatus: install ok installed\nArchitecture: {architecture}\n"
        f"Version: {version}\n" for name, version, architecture in stanzas
    ))  # fmt: skip
    put(root, "etc/os-release", 'ID=debian\nVERSION_ID="13"\n')
    put(root, "etc/passwd", "root:x:0:0::/root:/bin/sh\nrobot:x:999:999::/home/robot:/bin/sh\n")
    put(root, "etc/group", "gpio:x:10:robot\ni2c:x:11:other,robot\nrobot:x:999:\n")
    site = "opt/heron/venvs/one/lib/python3.13/site-packages"
    for pin in PLAN.python:
        folder = f"{site}/{pin.name.replace('-', '_')}-{pin.version}.dist-info"
        put(
            root,
            f"{folder}/METADATA",
            f"Metadata-Version: 2.1\nName: {pin.name}\nVersion: {pin.version}\n\ntext\n",
        )
        content = f"# {pin.name}\n"
        digest = base64.urlsafe_b64encode(hashlib.sha256(content.encode()).digest()).rstrip(b"=")
        put(root, f"{site}/{pin.name}.py", content)
        put(
            root,
            f"{folder}/RECORD",
            f"{pin.name}.py,sha256={digest.decode()},{len(content)}\n{folder}/RECORD,,\n",
        )
    (root / "opt/heron/venv").symlink_to("venvs/one")
    put(root, "opt/heron/wiring.json", render_wiring_json(PLAN))
    put(root, "opt/heron/state/lock", hashlib.sha256(lock.read_bytes()).hexdigest() + "\n")
    put(root, "opt/heron/environment", "SHORE_TOKEN=hunter2\n").chmod(0o600)
    put(root, "opt/heron/assets/spoken-alarm/models/voice.onnx", VOICE.decode())
    put(root, "etc/modules-load.d/robokit-heron.conf", "i2c-dev\n")
    put(
        root,
        "etc/modprobe.d/robokit-heron.conf",
        "blacklist snd_bcm2835\ninstall snd_bcm2835 /bin/false\n",
    )
    put(
        root,
        "etc/udev/rules.d/60-robokit-heron.rules",
        'SUBSYSTEM=="spidev", GROUP="spi", MODE="0660"\n',
    )
    put(root, "boot/firmware/config.txt", "dtparam=i2c_arm=on\ndtparam=spi=on\n")
    put(root, "usr/lib/systemd/system/mosquitto.service", "[Install]\nWantedBy=multi-user.target\n")
    units = root / "etc/systemd/system"
    put(units, "heron.service", "[Install]\nWantedBy=multi-user.target\n")
    (units / "ModemManager.service").symlink_to("/dev/null")
    (units / "multi-user.target.wants").mkdir()
    (units / "multi-user.target.wants/mosquitto.service").symlink_to(
        "/usr/lib/systemd/system/mosquitto.service"
    )
    return root


def verify(
    lock: Path, root: Path, capsys: pytest.CaptureFixture[str], *more: str
) -> tuple[int, str]:
    capsys.readouterr()
    status = run(["verify", "--lock", str(lock), "--root", str(root), *more])
    return status, capsys.readouterr().out


def test_a_card_as_planned(lock: Path, card: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, text = verify(lock, card, capsys)
    assert (status, text.count("differs")) == (0, 0), text
    assert text.endswith("things compared\n")
    assert "not seen without disturbing it: machine board" in text
    assert "hunter2" not in text


DAMAGE = {
    "an older package": ("var/lib/dpkg/status", "Version: 4:14.2.0-1", "Version: 4:13.1-1", ("gcc", "4:14.2.0-1", "4:13.1-1")),
    "a package half configured": ("var/lib/dpkg/status", "ok installed\nArchitecture: arm64\nVersion: 3.13.5-1", "ok half-configured\nArchitecture: arm64\nVersion: 3.13.5-1", ("python3-venv", "3.13.5-1", "3.13.5-1, half-configured")),
    "a package removed": ("var/lib/dpkg/status", "install ok installed\nArchitecture: arm64\nVersion: 1.52.0", "deinstall ok config-files\nArchitecture: arm64\nVersion: 1.52.0", ("espeak-ng", "1.52.0+dfsg-5", "not installed")),
    "another release": ("etc/os-release", "13", "12", ("release", "debian-13", "debian-12")),
    "a user out of a group": ("etc/group", "other,robot", "other", ("i2c", "robot in it", "robot not in it")),
    "another distribution": ("opt/heron/venvs/one/lib/python3.13/site-packages/numpy-2.3.1.dist-info/METADATA", "2.3.1", "2.2.0", ("numpy", "2.3.1", "2.2.0")),
    "a file of a wheel": ("opt/heron/venvs/one/lib/python3.13/site-packages/numpy.py", "# numpy", "# nothing", ("recorded hashes", "as installed", "1 file changed or gone: numpy.py")),
    "wiring": ("opt/heron/wiring.json", "gpio10", "gpio11", ("/opt/heron/wiring.json", "as planned", "other text")),
    "a boot setting": ("boot/firmware/config.txt", "dtparam=spi=on", "#dtparam=spi=on", ("dtparam=spi=on", "in /boot/firmware/config.txt", "not in /boot/firmware/config.txt")),
    "a boot setting for another board": ("boot/firmware/config.txt", "dtparam=spi=on", "[cm4]\ndtparam=spi=on", ("dtparam=spi=on", "in /boot/firmware/config.txt", "not in /boot/firmware/config.txt")),
    "a secret": ("opt/heron/environment", "hunter2", "", ("SHORE_TOKEN", "has a value", "no value")),
    "an asset": ("opt/heron/assets/spoken-alarm/models/voice.onnx", "voice", "noise", ("assets/spoken-alarm/models/voice.onnx", hashlib.sha256(VOICE).hexdigest()[:12], hashlib.sha256(b"noise").hexdigest()[:12])),
    "another lock": ("opt/heron/state/lock", "", "00", ("lock file", "", "")),
}  # fmt: skip


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE.keys())
def test_each_difference_is_told(
    lock: Path,
    card: Path,
    capsys: pytest.CaptureFixture[str],
    damage: tuple[str, str, str, tuple[str, str, str]],
) -> None:
    path, before, after, (item, planned, found) = damage
    text = (card / path).read_text()
    (card / path).write_text(text.replace(before, after, 1))
    assert (card / path).read_text() != text
    status, printed = verify(lock, card, capsys, "--json")
    told = json.loads(printed)
    rows = [row for row in told["rows"] if row["verdict"] == "differs"]
    assert (status, told["ok"]) == (1, False)
    if item == "lock file":
        assert [row["item"] for row in rows] == ["lock file"]
    else:
        assert (item, planned, found) in [
            (row["item"], row["planned"], row["found"]) for row in rows
        ]
        assert {row["item"] for row in rows} <= {item, "libespeak-ng1"}


def test_links_and_modes_are_told(
    lock: Path, card: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (card / "etc/systemd/system/ModemManager.service").unlink()
    put(card, "usr/lib/systemd/system/ModemManager.service", "[Install]\n")
    (card / "etc/systemd/system/multi-user.target.wants/mosquitto.service").unlink()
    (card / "opt/heron/environment").chmod(0o644)
    status, text = verify(lock, card, capsys)
    assert status == 1
    found = [line.split() for line in text.splitlines()]
    assert ["ModemManager", "off", "disabled"] in found
    assert ["mosquitto", "on", "disabled"] in found
    assert "others may read it" in text
    assert "fix: sudo sh install.sh" in text


def test_nothing_is_changed(lock: Path, card: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def snapshot() -> dict[str, tuple[int, bytes]]:
        return {
            str(path): (path.lstat().st_mtime_ns, path.read_bytes() if path.is_file() else b"")
            for path in card.rglob("*")
        }

    before = snapshot()
    verify(lock, card, capsys)
    assert snapshot() == before


def test_links_of_the_card_stay_on_the_card(tmp_path: Path) -> None:
    """A link to an absolute path means the card's own root, as for the machine itself."""
    root = tmp_path / "card"
    put(root, "real/wiring.json", "mine\n")
    (root / "opt").mkdir()
    (root / "opt/heron").symlink_to("/real")
    (root / "etc").symlink_to("../../..")
    state = read_machine(
        Asked(home="/opt/heron", texts=("/opt/heron/wiring.json", "/etc/passwd")), root=root
    )
    assert state.texts == {"/opt/heron/wiring.json": "mine\n", "/etc/passwd": None}


def test_devices_are_seen_where_that_disturbs_nothing() -> None:
    """A chip on I2C is only seen where a driver of the kernel holds it."""
    plan = replace(
        PLAN,
        assignments=(
            *PLAN.assignments,
            replace(PLAN.assignments[0], section="usb", claim=PLAN.assignments[1].claim,
                    resource=ResourceName("usb 0bda:2838 serial 7"), device=None),
        ),
    )  # fmt: skip
    here = MachineState(
        paths={"/dev/i2c-1": True},
        usb=(UsbDevice(id="0bda:2838", serial="8"),),
        cards=("Headphones",),
    )
    assert seen(plan, here) == {
        "bow-lights.imu": ("not plugged in", Verdict.DIFFERS),
        "compass.imu": ("could not be seen", Verdict.UNKNOWN),
        "spoken-alarm.horn": ("audio analog there", Verdict.SAME),
    }
    held = replace(
        here, i2c_bound=frozenset({"1-0028"}), usb=(UsbDevice(id="0BDA:2838", serial="7"),)
    )
    assert seen(plan, held)["compass.imu"][1] is Verdict.SAME
    assert seen(plan, held)["bow-lights.imu"][1] is Verdict.SAME
    assert (
        seen(plan, replace(here, paths={"/dev/i2c-1": False}))["compass.imu"][0] == "no /dev/i2c-1"
    )


def test_what_only_builds_need_is_not_missed_once_all_is_built() -> None:
    """The script removes it where asked to; a virtual environment is what it was there for."""

    def missed(state: MachineState) -> set[str]:
        rows = compare_machine(PLAN, state, home="/opt/heron")
        return {row.item for row in rows if row.area == "Debian" and row.verdict != Verdict.SAME}

    packages = {
        f"{pin.name}:{pin.architecture}": InstalledState(version=pin.version, status="installed")
        for pin in PLAN.debian
        if pin.name not in PLAN.debian_build
    }
    assert PLAN.debian_build
    assert missed(MachineState(packages=packages, python={})) == set()
    assert missed(MachineState(packages=packages, python=None)) == set(PLAN.debian_build)


def seen(plan: Plan, state: MachineState) -> dict[str, tuple[str, Verdict]]:
    rows = compare_machine(plan, state, home="/opt/heron")
    return {row.item: (row.found, row.verdict) for row in rows if row.area == "devices"}


def test_what_is_asked_is_what_is_compared() -> None:
    question = asked_of(PLAN, home="/opt/heron")
    assert "/boot/config.txt" in question.texts  # where older images have it
    assert question.units == ("ModemManager.service", "heron.service", "mosquitto.service")
    assert question.variables == ("SHORE_TOKEN",)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--lock", "none.toml"], "there is no lock file none.toml"),
        (["--root", "/nowhere"], "/nowhere is not a folder"),
        (["--home", "opt"], "opt is no absolute path"),
    ],
)
def test_wrong_use_is_told(
    lock: Path, card: Path, capsys: pytest.CaptureFixture[str], more: list[str], words: str
) -> None:
    assert run(["verify", "--lock", str(lock), "--root", str(card), *more]) == 2
    assert words in capsys.readouterr().err
