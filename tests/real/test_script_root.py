"""
The install script in a real Debian 13 root, twice.

What should be installed is not our own opinion: in a clone of the root, apt and pip themselves say
which versions they would take; the plan holds those, and the script must bring exactly them.
"""

from __future__ import annotations

import functools
import hashlib
import http.server
import json
import shutil
import stat
import tarfile
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.formats.lock import parse_lock, render_lock
from robokit_plan.model import (
    BootSetting,
    InstanceName,
    Machine,
    Plan,
    PlannedAsset,
)
from robokit_plan.render import render_script
from tests.real.roots import Root, debian_pins, made_tarball, python_pins, unpacked, with_venv
from tests.render.plans import HERON, names

pytestmark = [pytest.mark.root, pytest.mark.live]

SUITE = "trixie"
DEBIAN = ["python3-venv", "ca-certificates", "systemd", "cron", "kmod"]
PYTHON = ["paho-mqtt", "pyserial", "msgpack"]
FROM_SOURCE = ["pyserial"]
"""Pure Python with an sdist, so that building is tried without a compiler."""
BUILD = ["setuptools", "wheel"]
ASSET = b"a small model\n" * 500


@pytest.fixture(scope="module")
def tarball() -> Path:
    return made_tarball("debian-13")


@pytest.fixture(scope="module")
def oracle(tarball: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    root = unpacked(tarball, tmp_path_factory.mktemp("oracle") / "root")
    root.sh("apt-get update -qq")
    yield root
    shutil.rmtree(root.path)


@pytest.fixture(scope="module")
def fresh(tarball: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    root = unpacked(tarball, tmp_path_factory.mktemp("fresh") / "root")
    yield root
    shutil.rmtree(root.path)


@pytest.fixture(scope="module")
def asset_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("assets")
    (folder / "voice.onnx").write_bytes(ASSET)

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            pass

        def do_GET(self) -> None:
            """Break off half way where that is asked for: fewer bytes than were announced (RFC 9112, 8)."""
            if not self.path.startswith("/half"):
                super().do_GET()
                return
            self.send_response(200)
            if self.path == "/half.onnx":
                self.send_header("Content-Length", str(len(ASSET)))
                self.end_headers()
                self.wfile.write(ASSET[:100])
            else:
                self.send_header("Transfer-Encoding", "chunked")
                self.end_headers()
                self.wfile.write(b"64\r\n" + ASSET[:50])

    server = http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), functools.partial(Quiet, directory=str(folder))
    )
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/voice.onnx"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="module")
def plan(oracle: Root, asset_url: str) -> Plan:
    debian = debian_pins(oracle, DEBIAN, SUITE)
    with_venv(oracle)
    target = HERON.target
    asset = PlannedAsset(
        instance=InstanceName("spoken-alarm"),
        url=asset_url,
        sha256=hashlib.sha256(ASSET).hexdigest(),
        size=len(ASSET),
        path="models/voice.onnx",
        license=None,
    )
    made = replace(
        HERON,
        target=replace(
            target,
            architecture="amd64",
            markers={**target.markers, "platform_machine": "x86_64"},
        ),
        python=python_pins(oracle, PYTHON, FROM_SOURCE),
        build=python_pins(oracle, BUILD),
        debian=debian,
        debian_build=(),
        indexes={},
        boot=(
            *HERON.boot,
            BootSetting(kind="kernel-command-line", text="dwc_otg.lpm_enable=0"),
        ),
        machine=Machine(
            groups={"dialout": names("helm"), "gpio": names("bow-lights")},
            start={"cron": names("helm")},
            stop={"ModemManager": names("compass")},
            load={"i2c-dev": names("compass")},
            block={"snd_bcm2835": names("bow-lights")},
            permissions={"power-off": names("helm")},
            environment=HERON.machine.environment,
            assets=(asset,),
        ),
        sources=(),
        build_environment={},
        modules={name: names("helm") for name in ("paho.mqtt.client", "serial", "msgpack")},
        udev_rules=('SUBSYSTEM=="spidev", GROUP="gpio", MODE="0660"',),
    )
    # from the lock alone, as `script` does it
    return parse_lock(render_lock(made), file="pylock.heron.toml")


@pytest.fixture(scope="module")
def first_run(fresh: Root, plan: Plan) -> str:
    (fresh.path / "boot/firmware").mkdir(parents=True)
    (fresh.path / "boot/firmware/config.txt").write_text("[cm4]\notg_mode=1")
    (fresh.path / "boot/firmware/cmdline.txt").write_text("console=tty1 root=/dev/mmcblk0p2\n")
    script = fresh.path / "srv/heron/install.sh"
    script.parent.mkdir()
    script.write_text(render_script(plan, lock_name="pylock.heron.toml", lock_sha256="0" * 64))
    before = fresh.state()
    dry = fresh.sh("sh /srv/heron/install.sh --dry-run")
    assert fresh.state() == before
    assert f"would install {len(plan.debian)} Debian packages" in dry
    return fresh.sh("sh /srv/heron/install.sh")


def test_debian_packages_are_those_of_the_lock(fresh: Root, plan: Plan, first_run: str) -> None:
    listed = fresh.sh("dpkg-query -W -f '${Package} ${Version} ${Architecture}\\n'").splitlines()
    assert {f"{pin.name} {pin.version} {pin.architecture}" for pin in plan.debian} <= set(listed)


def test_nothing_but_the_lock_was_added(
    fresh: Root, plan: Plan, first_run: str, tarball: Path
) -> None:
    with tarfile.open(tarball) as archive:
        status = archive.extractfile("./var/lib/dpkg/status")
        assert status is not None
        base = {
            line.split(": ")[1]
            for line in status.read().decode().splitlines()
            if line.startswith("Package: ")
        }
    now = set(fresh.sh("dpkg-query -W -f '${Package}\\n'").splitlines())
    assert now - base == {str(pin.name) for pin in plan.debian}


def test_python_packages_are_those_of_the_lock(fresh: Root, plan: Plan, first_run: str) -> None:
    listed = json.loads(fresh.sh("/opt/heron/venv/bin/pip list --format json 2>/dev/null"))
    found = {one["name"].lower().replace("_", "-"): one["version"] for one in listed}
    assert {pin.name: pin.version for pin in plan.python} == {
        name: version for name, version in found.items() if name != "pip"
    }


def test_imports_succeed(fresh: Root, first_run: str) -> None:
    fresh.sh("/opt/heron/venv/bin/python -B -c 'import paho.mqtt.client, serial, msgpack'")


def test_the_machine_is_as_planned(fresh: Root, first_run: str) -> None:
    assert set(fresh.sh("id -nG robot").split()) == {"robot", "dialout", "gpio"}
    assert fresh.sh("systemctl is-enabled cron").strip() == "enabled"
    assert fresh.sh("systemctl is-enabled ModemManager || :").strip() == "masked"
    etc = fresh.path / "etc"
    assert (etc / "modules-load.d/robokit-heron.conf").read_text() == "i2c-dev\n"
    assert (etc / "modprobe.d/robokit-heron.conf").read_text() == (
        "blacklist snd_bcm2835\ninstall snd_bcm2835 /bin/false\n"
    )
    assert (
        'subject.user == "robot"' in (etc / "polkit-1/rules.d/50-robokit-heron.rules").read_text()
    )
    home = fresh.path / "opt/heron"
    assert (home / "assets/spoken-alarm/models/voice.onnx").read_bytes() == ASSET
    assert json.loads((home / "wiring.json").read_text())["robot"] == "heron"
    assert stat.S_IMODE((home / "environment").stat().st_mode) == 0o600
    fresh.sh("systemd-analyze verify --man=no /etc/systemd/system/heron.service")


def test_boot_settings_stand_in_a_block_and_the_file_before_is_kept(
    fresh: Root, first_run: str
) -> None:
    boot = fresh.path / "boot/firmware"
    assert (boot / "config.txt").read_text() == (
        "[cm4]\notg_mode=1\n"
        "# heron: made by install.sh, do not edit from here\n"
        "[all]\ndtparam=i2c_arm=on\ndtparam=spi=on\n"
        "# heron: to here\n"
    )
    assert (boot / "config.txt.before-heron").read_text() == "[cm4]\notg_mode=1"
    assert (boot / "cmdline.txt").read_text() == (
        "console=tty1 root=/dev/mmcblk0p2 dwc_otg.lpm_enable=0\n"
    )


def test_the_end_says_what_is_left_for_a_person(first_run: str) -> None:
    end = first_run.partition("heron is set up as planned")[2]
    assert "restart the machine" in end
    assert "SHORE_TOKEN has no value yet" in end
    assert "when all is safe: systemctl enable --now heron.service" in end


def test_a_second_run_changes_nothing(fresh: Root, first_run: str) -> None:
    before = fresh.state()
    output = fresh.sh("sh /srv/heron/install.sh")
    assert "heron is as planned; nothing had to change" in output
    assert fresh.state() == before
    assert (fresh.path / "opt/heron/install.log.1").read_text().count("\npreflight\n") <= 1
    assert "nothing had to change" in (fresh.path / "opt/heron/install.log").read_text()


def test_a_poisoned_environment_changes_nothing(fresh: Root, first_run: str) -> None:
    """
    Neither programs that stand first in the caller's path nor settings of cd, dpkg, Python and pip
    lead it elsewhere; the virtual environment is made anew, so that all of them are met.
    """
    before = fresh.state()
    trap = fresh.path / "tmp/trap"
    trap.mkdir()
    for name in (
        "apt-get",
        "awk",
        "cmp",
        "dpkg",
        "dpkg-query",
        "mv",
        "python3",
        "sed",
        "systemctl",
    ):
        fresh.write(f"tmp/trap/{name}", "#!/bin/sh\ntouch /tmp/sprung\nexit 0\n")
        (trap / name).chmod(0o755)
    fresh.write("tmp/trap/sitecustomize.py", "open('/tmp/sprung', 'w')\n")
    fresh.write("tmp/trap/heron/install.sh", "touch /tmp/sprung\n")
    (fresh.path / "opt/heron/venv/.complete").unlink()
    poison = (
        "PATH=/tmp/trap:$PATH CDPATH=/tmp/trap PYTHONPATH=/tmp/trap PYTHONHOME=/tmp/trap DPKG_ROOT=/tmp/trap"
        " PIP_TARGET=/tmp/trap/target PIP_PREFIX=/tmp/trap/prefix PIP_USER=1 PIP_REQUIRE_VIRTUALENV=0"
        " PIP_CONSTRAINT=/tmp/trap/none IFS=/ ENV=/tmp/trap/heron/install.sh"
    )
    output = fresh.sh(f"cd /srv && {poison} sh heron/install.sh")
    assert "every declared module can be imported" in output
    assert not (fresh.path / "tmp/sprung").exists()
    assert not (trap / "target").exists()
    shutil.rmtree(trap)
    after = fresh.state()
    # Compiled modules hold the time at which the environment was made anew.
    for state in (before, after):
        for name in [one for one in state if one.endswith((".pyc", "/install.log.1"))]:
            del state[name]
    assert after == before


def test_what_was_changed_by_hand_is_set_right(fresh: Root, plan: Plan, first_run: str) -> None:
    (fresh.path / "opt/heron/assets/spoken-alarm/models/voice.onnx").write_bytes(b"half")
    (fresh.path / "opt/heron/environment").write_text("SHORE_TOKEN=hunter2\n")
    fresh.sh("/opt/heron/venv/bin/pip uninstall -q -y paho-mqtt")
    output = fresh.sh("sh /srv/heron/install.sh")
    assert "fetch http://127.0.0.1" in output
    assert "make the virtual environment" in output
    assert "hunter2" not in output
    assert "SHORE_TOKEN" not in output
    assert (fresh.path / "opt/heron/environment").read_text() == "SHORE_TOKEN=hunter2\n"
    test_python_packages_are_those_of_the_lock(fresh, plan, first_run)


@pytest.mark.parametrize(
    ("change", "status", "words"),
    [
        ({"sha256": "0" * 64}, 7, "voice.onnx was refused; what stood at /opt/heron/assets/"),
        ({"sha256": "0" * 64, "size": 10}, 7, "is larger than the 10 bytes that were planned"),
        (
            {"sha256": "0" * 64, "url": "/gone.onnx"},
            6,
            "gone.onnx is gone from its place; a bundle",
        ),
        ({"sha256": "0" * 64, "url": ":9/voice.onnx"}, 5, "could not be fetched; what is there"),
        (
            {"sha256": "0" * 64, "url": "/half.onnx"},
            5,
            "half.onnx broke off after 100 of 7000 bytes",
        ),
        ({"sha256": "0" * 64, "url": "/half.chunk"}, 5, "could not be fetched; what is there"),
    ],
    ids=["another file", "too large", "moved away", "no answer", "half", "half a chunk"],
)
def test_an_asset_that_is_not_the_planned_one_replaces_nothing(
    fresh: Root, plan: Plan, asset_url: str, first_run: str,
    change: dict[str, Any], status: int, words: str,
) -> None:  # fmt: skip
    """A page in the place of a model, a model that moved, a server that is away."""
    old = fresh.path / "opt/heron/assets/spoken-alarm/models/voice.onnx"
    old.write_bytes(ASSET)
    if change.get("url", "").startswith("/"):
        change = {**change, "url": asset_url.replace("/voice.onnx", change["url"])}
    elif "url" in change:
        change = {**change, "url": f"http://127.0.0.1{change['url']}"}
    asset = replace(plan.machine.assets[0], **change)
    other = replace(plan, machine=replace(plan.machine, assets=(asset,)))
    script = fresh.path / "srv/heron/asset.sh"
    script.write_text(render_script(other, lock_name="x", lock_sha256="0" * 64))
    output = fresh.sh("sh /srv/heron/asset.sh --only assets", expect=status)
    assert words in output
    assert "Traceback" not in output
    assert old.read_bytes() == ASSET


def test_another_machine_is_refused(fresh: Root, plan: Plan, first_run: str) -> None:
    script = fresh.path / "srv/heron/other.sh"
    other = replace(plan, target=replace(plan.target, architecture="arm64"))
    script.write_text(render_script(other, lock_name="x", lock_sha256="0" * 64))
    before = fresh.state()
    output = fresh.sh("sh /srv/heron/other.sh", expect=3)
    assert "stopped: the plan is for arm64, this machine is amd64" in output
    assert fresh.state() == before
