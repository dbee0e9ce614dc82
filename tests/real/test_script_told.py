"""
What the script tells, and what it leaves alone, where a machine is not as it should be.

Packages are made by hand with dpkg-deb, so that a case can be built that no archive holds.
"""

from __future__ import annotations

import fcntl
import hashlib
import platform
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from robokit_plan.model import BootSetting, DebianName, DebianPin, Machine, Plan
from tests.real.roots import Root, differences, made_tarball, plan_for, put_script, unpacked
from tests.render.plans import names, sdist

pytestmark = [pytest.mark.root]

BUNDLE = "ROBOT_BUNDLE=/srv/bundle "
RUN = "sh /srv/heron/install.sh"


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    found = unpacked(made_tarball("debian-13"), tmp_path_factory.mktemp("told") / "root")
    (found.path / "srv/bundle/debian").mkdir(parents=True)
    found.write("boot/firmware/config.txt", "# mine\n")
    yield found
    shutil.rmtree(found.path)


def own_package(
    root: Root,
    name: str,
    version: str = "1",
    *,
    fields: str = "",
    files: dict[str, bytes] | None = None,
) -> DebianPin:
    """Build a package into the bundle of *root*; files below etc are its conffiles, those below DEBIAN run."""
    folder = root.path / f"tmp/{name}"
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "DEBIAN").mkdir(parents=True)
    for where, content in (files or {}).items():
        (folder / where).parent.mkdir(parents=True, exist_ok=True)
        (folder / where).write_bytes(content)
        if where.startswith("DEBIAN/"):
            (folder / where).chmod(0o755)
    conffiles = "".join(f"/{one}\n" for one in (files or {}) if one.startswith("etc/"))
    if conffiles:
        (folder / "DEBIAN/conffiles").write_text(conffiles)
    (folder / "DEBIAN/control").write_text(
        f"Package: {name}\nVersion: {version}\nArchitecture: all\nMaintainer: a <a@b.example>\n"
        f"Description: made by a test\n{fields}"
    )
    target = f"/srv/bundle/debian/{name}_{version}_all.deb"
    root.sh(f"dpkg-deb -Znone -b /tmp/{name} {target}")
    shutil.rmtree(folder)
    content = (root.path / target.lstrip("/")).read_bytes()
    return DebianPin(
        name=DebianName(name),
        version=version,
        architecture="all",
        suite="trixie",
        filename=f"pool/{name}_{version}_all.deb",
        size=0,  # an archive may say too little; preflight would else refuse what is tried here
        installed_size=0,
        sha256=hashlib.sha256(content).hexdigest(),
        wanted_by=names("helm"),
        direct=True,
    )


def put(root: Root, *pins: DebianPin) -> Plan:
    plan = plan_for("debian-13", debian=pins)
    put_script(root, plan)
    return plan


def version_of(root: Root, name: str) -> str:
    rows = {row.split()[1]: row.split()[2] for row in root.packages() if row.startswith("ii")}
    return rows.get(name, "none")


def unchanged(root: Root, command: str, status: int) -> str:
    """Run *command*; outside its own folder nothing may differ afterwards."""
    before = {name: one for name, one in root.state().items() if not name.startswith("opt")}
    output = root.sh(command, expect=status, network=False)
    after = {name: one for name, one in root.state().items() if not name.startswith("opt")}
    assert differences(before, after) == []
    return output


def test_a_newer_version_becomes_older_when_that_is_typed(root: Root) -> None:
    """And no question of dpkg stops it: a settings file that a person changed stays as it is."""
    older = own_package(root, "ours", "1.0", files={"etc/ours.conf": b"first\n"})
    newer = own_package(root, "ours", "2.0", files={"etc/ours.conf": b"second\n"})
    root.sh(f"dpkg -i /srv/bundle/debian/{newer.filename.rpartition('/')[2]}")
    root.write("etc/ours.conf", "a person's\n")
    put(root, older)
    command = f"{BUNDLE}{RUN} --only debian"
    output = unchanged(root, command, 6)
    assert (
        "newer than planned on this machine, perhaps for its security: ours (2.0, planned 1.0)"
        in output
    )
    assert "(--allow-downgrade puts the planned, older versions in their place)" in output
    started = time.monotonic()
    root.sh(f"{command} --allow-downgrade", network=False)
    assert time.monotonic() - started < 120
    assert version_of(root, "ours") == "1.0"
    assert (root.path / "etc/ours.conf").read_text() == "a person's\n"
    # from then on it is as planned
    assert "every package is there" in root.sh(command, network=False)


def test_what_the_plan_excludes_is_for_a_person_to_remove(root: Root) -> None:
    """As with time daemons: Debian lets one live on a machine (control field Conflicts)."""
    words = "Provides: keeper-of-time\nConflicts: keeper-of-time\n"
    theirs = own_package(root, "their-clock", fields=words)
    ours = own_package(root, "our-clock", fields=words)
    root.sh(f"dpkg -i /srv/bundle/debian/{theirs.filename.rpartition('/')[2]}")
    put(root, ours)
    output = unchanged(root, f"{BUNDLE}{RUN} --only debian", 1)
    assert (
        "stopped: the plan excludes what is on this machine and was not brought by this script: "
        "their-clock"
    ) in output
    assert "run this again after: sudo apt-get remove their-clock" in output
    root.sh("apt-get -qq -y remove their-clock", network=False)
    root.sh(f"{BUNDLE}{RUN} --only debian", network=False)
    assert version_of(root, "our-clock") == "1"


def test_a_bundle_for_a_larger_image_says_what_to_do(root: Root) -> None:
    """The plan takes for granted what an image holds; a smaller one lacks it."""
    put(root, own_package(root, "needy", fields="Depends: on-every-image\n"))
    output = unchanged(root, f"{BUNDLE}{RUN} --only debian", 6)
    assert "needy : Depends: on-every-image but it is not installable" in output
    assert "stopped: apt cannot install the files of the bundle on this machine" in output
    assert "system: {base: status}, then robokit-plan lock, robokit-plan card --offline" in output


def test_a_package_that_was_being_unpacked_is_unpacked_anew(root: Root) -> None:
    """dpkg(1): half-installed and reinst-required; no configuring helps, and apt finds it new enough."""
    pin = own_package(root, "cut-off", files={"opt/cut-off/tool": b"whole\n"})
    put(root, pin)
    root.sh(f"dpkg -i /srv/bundle/debian/{pin.filename.rpartition('/')[2]}")
    cut_off(root, "cut-off")
    (root.path / "opt/cut-off/tool").write_text("ha")
    output = root.sh(f"{BUNDLE}{RUN} --only debian", network=False)
    assert "finish what dpkg was interrupted in" in output
    assert (root.path / "opt/cut-off/tool").read_text() == "whole\n"
    assert version_of(root, "cut-off") == "1"


def cut_off(root: Root, name: str) -> None:
    """Make of an installed package one whose unpacking a power cut ended (dpkg(1), reinst-required)."""
    status = root.path / "var/lib/dpkg/status"
    head, own, rest = status.read_text().partition(
        f"Package: {name}\nStatus: install ok installed\n"
    )
    assert own
    status.write_text(f"{head}Package: {name}\nStatus: install reinstreq half-installed\n{rest}")


@pytest.mark.parametrize("bundled", [True, False], ids=["bundle", "archive"])
def test_what_was_cut_off_below_what_waits_for_it_is_mended(root: Root, bundled: bool) -> None:
    """The library half unpacked, the tool unpacked and not configured: a pulled plug left that."""
    once = b'#!/bin/sh\n[ "$1" != install ] || : >/srv/once\n'  # as packages that add a diversion
    library = own_package(
        root,
        "cut-library",
        files={"opt/cut-library/all": b"whole\n", "DEBIAN/preinst": once},
    )
    tool = own_package(root, "cut-tool", fields="Depends: cut-library\n")
    for pin in (library, tool):
        how = "--unpack" if pin is tool else "--install"
        root.sh(f"dpkg {how} /srv/bundle/debian/{pin.filename.rpartition('/')[2]}")
    cut_off(root, "cut-library")
    (root.path / "opt/cut-library/all").write_text("wh")
    (root.path / "srv/once").unlink()
    root.write("opt/heron/state/debian", "cut-library\ncut-tool\n")
    if bundled:
        put(root, library, tool)
        output = root.sh(f"{BUNDLE}{RUN} --only debian", network=False)
    else:
        with archive(root, library, listed(root, library) + listed(root, tool)) as folder:
            file = f"srv/bundle/debian/{tool.filename.rpartition('/')[2]}"
            shutil.copy(root.path / file, folder / "cut-tool.deb")
            put(root, library, tool)
            output = root.sh(f"{RUN} --only debian", network=False)
    assert "unpack anew what was cut off: cut-library" in output
    assert (version_of(root, "cut-library"), version_of(root, "cut-tool")) == ("1", "1")
    assert (root.path / "opt/cut-library/all").read_text() == "whole\n"
    assert (root.path / "srv/once").exists()
    assert "nothing had to change" in root.sh(f"{BUNDLE}{RUN} --only debian", network=False)
    root.sh("dpkg --purge cut-tool cut-library")


@contextmanager
def held(root: Root, seconds: float) -> Iterator[Callable[[], None]]:
    """Hold dpkg's lock as apt does (fcntl, not flock) for some seconds."""
    with (root.path / "var/lib/dpkg/lock-frontend").open("w") as file:
        fcntl.lockf(file, fcntl.LOCK_EX)

        def let_go() -> None:
            fcntl.lockf(file, fcntl.LOCK_UN)
            timer.cancel()

        timer = threading.Timer(seconds, let_go)
        timer.start()
        yield let_go
        timer.join()


def test_another_installer_is_waited_for(root: Root) -> None:
    """At a first start, the daily upgrade of the image may hold the lock."""
    put(root, own_package(root, "late"))
    with held(root, 4):
        started = time.monotonic()
        root.sh(f"{BUNDLE}{RUN} --only debian", network=False)
        assert time.monotonic() - started > 3
    assert version_of(root, "late") == "1"


def test_an_installer_that_goes_on_and_on_is_told(root: Root) -> None:
    """Five minutes are waited for by default, shorter here."""
    put(root, own_package(root, "later"))
    script = root.path / "srv/heron/install.sh"
    text = script.read_text()
    assert text.count("Lock::Timeout=300") == 1
    script.write_text(text.replace("Lock::Timeout=300", "Lock::Timeout=1"))
    with held(root, 60) as let_go:
        output = root.sh(f"{BUNDLE}{RUN} --only debian", expect=8, network=False)
        let_go()
    assert "stopped: another program is installing; wait until it is done" in output
    assert version_of(root, "later") == "none"


def listed(root: Root, pin: DebianPin, **changes: str) -> str:
    """Return the paragraph of *pin* in a list of packages; *changes* of its fields."""
    deb = root.path / "srv/bundle/debian" / pin.filename.rpartition("/")[2]
    fields = {
        "Package": pin.name,
        "Version": pin.version,
        "Architecture": "all",
        "Filename": f"./{pin.name}.deb",
        "Size": str(deb.stat().st_size),
        "SHA256": pin.sha256,
        "Description": "made by a test",
    } | changes
    return "".join(f"{name}: {value}\n" for name, value in fields.items()) + "\n"


@contextmanager
def archive(root: Root, pin: DebianPin, text: str, url: str = "file:/srv/mirror") -> Iterator[Path]:
    """Let *root* know one archive, at srv/mirror, with *pin*'s file and the list *text*."""
    folder = root.path / "srv/mirror"
    folder.mkdir()
    deb = root.path / "srv/bundle/debian" / pin.filename.rpartition("/")[2]
    shutil.copy(deb, folder / f"{pin.name}.deb")
    digest = hashlib.sha256(text.encode()).hexdigest()
    (folder / "Release").write_text(f"Suite: stable\nSHA256:\n {digest} {len(text)} Packages\n")
    (folder / "Packages").write_text(text)
    settings = root.path / "etc/apt"
    shutil.copytree(settings, root.path / "srv/apt")
    for path in settings.glob("sources.list.d/*"):
        path.unlink()
    root.write("etc/apt/sources.list", f"deb [trusted=yes] {url} ./\n")
    put(root, pin)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)
        shutil.rmtree(settings)
        (root.path / "srv/apt").rename(settings)


def test_a_mirror_in_the_middle_of_its_update_is_asked_again(root: Root) -> None:
    """Its Release file names a list of packages that is not there yet (Debian repository format)."""
    pin = own_package(root, "synced")
    text = listed(root, pin)
    with archive(root, pin, text) as folder:
        (folder / "Packages").write_text(text[:40])
        mended = threading.Timer(3, lambda: (folder / "Packages").write_text(text))
        mended.start()
        root.sh(f"{RUN} --only debian", network=False)
        mended.join()
    assert version_of(root, "synced") == "1"


def test_another_file_under_the_planned_version_is_refused(root: Root) -> None:
    """As where an archive of somebody else's built it anew; apt alone would take it."""
    pin = own_package(root, "rebuilt")
    planned = replace(pin, sha256="a" * 64)
    with archive(root, planned, listed(root, pin)):
        output = unchanged(root, f"{RUN} --only debian", 7)
    assert (
        "stopped: an archive has another file than the planned one under the same version: "
        "rebuilt=1"
    ) in output


def test_a_damaged_file_of_an_archive_is_refused(root: Root) -> None:
    pin = own_package(root, "damaged")
    with archive(root, pin, listed(root, pin)) as folder:
        content = (folder / "damaged.deb").read_bytes()
        (folder / "damaged.deb").write_bytes(content[:-1] + b"x")
        output = unchanged(root, f"{RUN} --only debian", 7)
    assert "stopped: a Debian package is not the file that its archive lists" in output


def test_a_file_that_left_its_archive_is_told(root: Root) -> None:
    pin = own_package(root, "left")
    with archive(root, pin, listed(root, pin)) as folder:
        (folder / "left.deb").unlink()
        output = unchanged(root, f"{RUN} --only debian", 6)
    assert "stopped: an archive lists a planned version and has its file no more" in output
    assert "robokit-plan card --offline" in output


class _Mirror(SimpleHTTPRequestHandler):
    """A mirror that hangs up in the middle of packages."""

    def do_GET(self) -> None:
        if self.path.endswith(".deb"):
            content = Path(self.translate_path(self.path)).read_bytes()
            self.send_response(200)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content[: len(content) // 2])
            self.connection.shutdown(socket.SHUT_RDWR)
        else:
            super().do_GET()

    def log_message(self, *_: object) -> None:
        pass


def test_a_network_that_goes_away_changes_nothing(root: Root) -> None:
    pin = own_package(root, "far")
    server = ThreadingHTTPServer(
        ("127.0.0.1", 0), partial(_Mirror, directory=str(root.path / "srv/mirror"))
    )
    threading.Thread(target=server.serve_forever, daemon=True).start()
    url = f"http://127.0.0.1:{server.server_address[1]}/"
    with archive(root, pin, listed(root, pin), url):
        # asked as from a robot, past the proxies of this machine
        command = f"no_proxy=127.0.0.1 {RUN} --only debian"
        before = {name: one for name, one in root.state(noise=False).items() if name[:4] != "opt/"}
        output = root.sh(command, expect=5)
        after = {name: one for name, one in root.state(noise=False).items() if name[:4] != "opt/"}
    server.shutdown()
    server.server_close()
    assert "stopped: not every Debian package could be fetched. Nothing was changed" in output
    assert differences(before, after) == []
    assert version_of(root, "far") == "none"


def test_a_card_that_runs_full_while_packages_are_unpacked(root: Root) -> None:
    """It is told, and once there is room the next run goes on where it stopped."""
    big = own_package(root, "large", files={"opt/large/model": b"x" * 30_000_000})
    plan = put(root, big)
    script = (root.path / "srv/heron/install.sh").read_text()
    venv = script.partition("\n  venv_id='")[2].partition("'")[0]
    run = f"{BUNDLE}{RUN} --only debian"
    used = int(subprocess.check_output(["du", "-sm", str(root.path)], text=True).split()[0])
    small = (
        f'mkdir -p "$1/../small" && mount -t tmpfs -o size={used + 120}m none "$1/../small" && '
        'umount "$1/proc" && cp -a "$1/." "$1/../small/" && set -- "$1/../small" "$2" && '
        'mount -t proc proc "$1/proc"'
    )
    output = root.sh(
        # what is installed already needs no room: as on a robot that only gets one package more
        f"mkdir -p /opt/heron/venvs && ln -s venvs/{venv} /opt/heron/venv;"
        "fallocate -l $(($(df -Pk / | awk 'NR == 2 { print $4 }') - 12000))k /filler;"
        f"{run}; echo status $?; rm /filler; {run}; dpkg-query -W large",
        network=False,
        before=small,
    )
    first, second = output.split("status 4\n")
    assert "stopped: no room " in output
    assert "large\t1" in second
    assert "install 1 Debian package\n" in first
    assert plan.debian[0].name == "large"


def test_a_boot_partition_without_room_keeps_its_file(root: Root) -> None:
    plan = plan_for("debian-13", boot=(BootSetting(kind="parameter", text="dtparam=spi=on"),))
    put_script(root, plan)
    content = "# mine\n" + "#" * 9_000 + "\n"
    root.write("srv/config.txt", content)
    output = root.sh(
        f"cp /srv/config.txt /boot/firmware/ && {RUN} --only boot; echo status $?;"
        "cmp /srv/config.txt /boot/firmware/config.txt && ls -A /boot/firmware",
        network=False,
        before='mount -t tmpfs -o size=16k none "$1/boot/firmware"',
    )
    assert (
        "stopped: no room is left for /boot/firmware/config.txt.new; nothing there was changed"
        in output
    )
    assert output.endswith("status 4\nconfig.txt\n")


def test_a_boot_file_that_an_older_image_has_elsewhere_is_found(root: Root) -> None:
    """/boot/firmware is its place since Debian 12; before it was /boot itself."""
    plan = plan_for("debian-13", boot=(BootSetting(kind="parameter", text="dtparam=spi=on"),))
    put_script(root, plan)
    (root.path / "boot/firmware/config.txt").rename(root.path / "boot/config.txt")
    root.sh(f"{RUN} --only boot", network=False)
    assert "dtparam=spi=on\n" in (root.path / "boot/config.txt").read_text()
    assert not (root.path / "boot/firmware/config.txt").exists()
    (root.path / "boot/config.txt").unlink()
    output = root.sh(f"{RUN} --only boot", network=False)
    assert (
        "this machine has no /boot/firmware/config.txt: make these boot settings by hand" in output
    )
    root.write("boot/firmware/config.txt", "# mine\n")


def test_little_memory_for_a_build_is_told(root: Root) -> None:
    """A board of 512 MB; memory that the kernel reports as proc_meminfo(5) has it."""
    put_script(root, plan_for("debian-13", python=(sdist("spidev", "3.8"),), indexes={}))
    root.write("srv/meminfo", "MemTotal:         443000 kB\nSwapTotal:        102000 kB\n")
    output = root.sh(
        f"{RUN} --dry-run", network=False, before='mount --bind "$1/srv/meminfo" "$1/proc/meminfo"'
    )
    assert "something is compiled here, and 545 MB of memory and swap are little for it" in output


def test_a_watchdog_that_systemd_feeds_already_is_told(root: Root) -> None:
    """As on recent images of board makers (systemd-system.conf(5), RuntimeWatchdogSec=)."""
    put_script(root, plan_for("debian-13", machine=Machine(start={"watchdog": names("helm")})))
    tool = root.path / "usr/bin/systemctl"
    tool.write_text('#!/bin/sh\n[ "$1" != is-enabled ] || echo enabled\n')
    tool.chmod(0o755)
    settings = "usr/lib/systemd/system.conf.d/40-image.conf"
    command = f"{RUN} --only services --dry-run"
    assert "watchdog" not in root.sh(command, network=False)
    root.write(settings, "[Manager]\nRuntimeWatchdogSec=16\n")
    assert (
        "systemd feeds the hardware watchdog already (RuntimeWatchdogSec=16), and watchdog.service "
        "cannot do so as well: do without one of the two"
    ) in root.sh(command, network=False)
    root.write("etc/systemd/system.conf.d/own.conf", "[Manager]\nRuntimeWatchdogSec=off\n")
    assert "watchdog" not in root.sh(command, network=False)
    tool.unlink()


def kernel_step(root: Root, module: str) -> str:
    put_script(root, plan_for("debian-13", machine=Machine(load={module: names("helm")})))
    return root.sh(f"{RUN} --only kernel", network=False)


def test_a_driver_that_the_running_kernel_lacks_is_told(root: Root) -> None:
    """As after an upgrade of the kernel, with a driver that is built on the machine."""
    kernel = platform.release()
    modules = root.path / "lib/modules"
    tool = root.path / "usr/sbin/modprobe"
    assert "the kernel" not in kernel_step(root, "snd-soc-wm8960")
    (modules / "0.1-old").mkdir(parents=True)
    output = kernel_step(root, "snd-soc-wm8960")
    assert f"the running kernel {kernel} is not the installed one: restart the machine" in output
    (modules / kernel).mkdir()
    tool.write_text('#!/bin/sh\n[ "$4" = i2c-dev ]\n')
    tool.chmod(0o755)
    assert "the kernel" not in kernel_step(root, "i2c-dev")
    assert (
        f"the kernel {kernel} has no module snd-soc-wm8960: if its driver is built on this machine, "
        f"that takes linux-headers-{kernel}"
    ) in kernel_step(root, "snd-soc-wm8960")
    tool.unlink()
    shutil.rmtree(modules)
