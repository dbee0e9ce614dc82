"""
The closure on real packages, against apt itself in a private root with the same indices.

The reference is ``apt-get --simulate satisfy`` for arm64. The base card that we compute becomes apt's status
file. apt here is the one of the machine that runs the test (2.6 when written).

Set ROBOKIT_PLAN_APT_SEED to draw other random sets; ROBOKIT_PLAN_APT_SETS for another number (default 30).

Accepted difference, of apt's free choice: where recommendations exclude each other, apt removes what its
scores rank lower and we keep what was found first. Such a set passes if apt finds no fault with ours.
"""

from __future__ import annotations

import os
import random
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from robokit_plan.edge._debian_apt_config import read_apt_settings, read_apt_sources
from robokit_plan.edge._debian_names import read_name_facts
from robokit_plan.edge.debian_archive import DebianReader, debian_archive
from robokit_plan.model import (
    DebianName,
    DebianPackage,
    InstanceName,
    Need,
    Origin,
    System,
)
from robokit_plan.resolve.debian import (
    DebianAnswer,
    DebianProblem,
    DebianWant,
    resolve_debian,
)
from tests.resolve.debian.small_archive import PrivateApt

pytestmark = [
    pytest.mark.live,
    pytest.mark.skipif(shutil.which("apt-get") is None, reason="apt is not on this machine"),
]
CODENAMES = {"debian-12": "bookworm", "debian-13": "trixie"}
COMPONENTS = "main contrib non-free non-free-firmware"
SEED = int(os.environ.get("ROBOKIT_PLAN_APT_SEED", "1"))
DRAWN = int(os.environ.get("ROBOKIT_PLAN_APT_SETS", "30"))

# What robots install, chosen by hand; conflicts and absent names among them.
TABLE = [
    ["libportaudio2"],
    ["espeak-ng"],
    ["i2c-tools"],
    ["mosquitto"],
    ["python3-opencv"],
    ["ffmpeg"],
    ["gpsd", "gpsd-clients"],
    ["alsa-utils"],
    ["pulseaudio"],
    ["pipewire-audio"],
    ["build-essential", "python3-dev"],
    ["libgpiod-dev", "gpiod"],
    ["avahi-daemon"],
    ["network-manager"],
    ["dnsmasq", "hostapd"],
    ["nginx"],
    ["python3-numpy", "python3-scipy"],
    ["python3-libgpiod"],
    ["chrony"],
    ["chrony", "ntpsec"],
    ["espeak-ng", "i2c-tools", "libportaudio2", "mosquitto", "portaudio19-dev"],
    ["mosquitto | nanomq"],
    ["default-mta"],
    ["jackd2"],
    ["jackd1", "jackd2"],
    ["python3-paho-mqtt", "python3-serial", "python3-smbus"],
    ["python3-aiohttp", "python3-flask"],
    ["bluez", "pulseaudio-module-bluetooth"],
    ["ros-base"],
    ["curl", "git", "rsync", "tmux", "vim"],
    ["python3-pip", "python3-venv"],
    ["postgresql"],
    ["gstreamer1.0-plugins-bad", "gstreamer1.0-plugins-good", "gstreamer1.0-tools"],
    ["libcamera-tools"],
    ["rtl-sdr"],
    ["iw", "wpasupplicant"],
    ["mpg123", "sox"],
    ["pipewire-alsa", "pulseaudio"],
    ["libjack0", "libportaudio2"],
    ["systemd-cron"],
    ["bcron"],
    ["libatlas-base-dev"],
    ["python3-picamera2"],
    ["sysvinit-core"],
    ["festival"],
    ["python3-pygame"],
    ["unattended-upgrades"],
    ["systemd-timesyncd"],
    ["mariadb-server"],
    ["python3 (>= 3.11)", "python3:any"],
]


@dataclass(kw_only=True)
class World:
    """One release: our reader, apt's private root, and the base card in both."""

    release: str
    reader: DebianReader
    apt: PrivateApt
    base: dict[DebianName, DebianPackage]

    def ours(self, wants: list[str], *, recommends: bool) -> DebianAnswer:
        """Return our answer."""
        problem = DebianProblem(
            wanted=tuple(
                DebianWant(
                    text=text,
                    origin=Origin(file="manifest.yaml", line=number, column=1),
                    instance=InstanceName(f"p{number}"),
                )
                for number, text in enumerate(wants, 1)
            ),
            release=self.release,
            architecture="arm64",
            recommends=recommends,
        )
        for _ in range(30):
            archive = replace(self.reader.archive, base=self.base, base_complete=True)
            answer = resolve_debian(problem, archive)
            if not isinstance(answer, Need):
                return answer
            self.reader.read(answer.debian)
        raise AssertionError("it never ends")


def sources(codename: str) -> str:
    """Return sources for a private root from this machine's own apt configuration."""
    lines = []
    for source in read_apt_sources(read_apt_settings(os.environ)):
        here, _, tail = source.suite.partition("-")
        if here not in {"bookworm", "trixie"} or "main" not in source.components:
            continue
        suite = f"{codename}-{tail}" if tail else codename
        options = f"[signed-by={source.signed_by}] " if source.signed_by.startswith("/") else ""
        lines.append(f"deb {options}{source.uri} {suite} {COMPONENTS}\n")
    if not lines:
        pytest.skip("apt on this machine is not configured for Debian")
    return "".join(dict.fromkeys(lines))


@pytest.fixture(scope="module", params=sorted(CODENAMES))
def world(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[World]:
    release: str = request.param
    folder = tmp_path_factory.mktemp(release)
    apt = PrivateApt(folder, sources(CODENAMES[release]))
    reader = debian_archive(
        System(release=release), root=folder, environ=os.environ, folder=folder / "cache"
    )
    assert isinstance(reader, DebianReader), reader
    problem = DebianProblem(wanted=(), release=release, architecture="arm64")
    answer = resolve_debian(problem, reader.archive)
    while isinstance(answer, Need):
        reader.read(answer.debian)
        answer = resolve_debian(problem, reader.archive)
    apt.write_status(answer.base.values())
    # apt must find nothing to mend in the base that we computed.
    apt.run("--simulate", "check")
    yield World(release=release, reader=reader, apt=apt, base=dict(answer.base))
    reader.close()


def agree(world: World, wants: list[str], *, recommends: bool) -> None:
    """Ask both and compare names, versions and removals."""
    wants = sorted(wants)
    said = world.apt.satisfy(wants, recommends=recommends)
    answer = world.ours(wants, recommends=recommends)
    errors = [one for one in answer.findings if one.severity.value == "error"]
    ours = {str(pin.name): pin.version for pin in answer.pins}
    if said is None:
        assert errors, f"apt refuses {wants}, we add {sorted(ours)}"
        return
    assert not errors, [(one.message, one.why) for one in errors]
    if (ours, list(answer.removed)) == said:
        return
    if recommends:
        plain = world.apt.satisfy(wants)
        chosen = [f"{name}={version}" for name, version in ours.items()]
        done = world.apt.run("--simulate", "install", *chosen, check=False)
        if plain is not None and plain[0].items() <= ours.items() and done.returncode == 0:
            return
    assert (ours, list(answer.removed)) == said


@pytest.mark.parametrize("recommends", [False, True], ids=["plain", "recommends"])
@pytest.mark.parametrize("wants", TABLE, ids=" ".join)
def test_table(world: World, wants: list[str], recommends: bool) -> None:
    """Sets that robots install."""
    agree(world, wants, recommends=recommends)


@pytest.mark.parametrize("number", range(DRAWN))
def test_drawn(world: World, number: int) -> None:
    """Sets drawn from all names of the release; every second one with recommendations."""
    draw = random.Random(SEED * 1000 + number)
    names = sorted({name for index in world.reader._indices for name in index.read_names()})
    agree(world, draw.sample(names, draw.randint(1, 6)), recommends=bool(number % 2))


def test_name_facts(world: World) -> None:
    """What data/debian/names.yaml says of each name is what the release has."""
    for name, facts in sorted(read_name_facts().items()):
        for fact in facts:
            if fact.releases and world.release not in fact.releases:
                continue
            rows = world.reader.read([name, *map(DebianName, fact.instead)]).rows
            assert not rows[name].packages, f"{name} is there"
            for other in fact.instead:
                assert rows[DebianName(other)].packages, (
                    f"{other}, in place of {name}, is not there"
                )


def test_times(world: World, tmp_path: Path) -> None:
    """
    Warm is faster than apt's update and simulation of the same set.

    By a factor of ten and more, so that a busy machine does not change the outcome; cold is shown.
    """
    wants = ["espeak-ng", "i2c-tools", "libportaudio2", "mosquitto", "python3-opencv"]
    begin = time.perf_counter()
    apt = PrivateApt(tmp_path / "apt", sources(CODENAMES[world.release]))
    apt.write_status(world.base.values())
    assert apt.satisfy(wants) is not None
    by_apt = time.perf_counter() - begin
    spent = []
    for _ in range(2):
        begin = time.perf_counter()
        reader = debian_archive(
            System(release=world.release),
            root=tmp_path,
            environ=os.environ,
            folder=tmp_path / "cache",
        )
        assert isinstance(reader, DebianReader)
        fresh = World(release=world.release, reader=reader, apt=apt, base=world.base)
        fresh.ours(wants, recommends=False)
        spent.append(time.perf_counter() - begin)
        reader.close()
    print(f"{world.release}: apt {by_apt:.2f} s, cold {spent[0]:.2f} s, warm {spent[1]:.3f} s")  # noqa: T201  shown with -s
    assert spent[1] < by_apt
