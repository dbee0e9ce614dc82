"""
What cuts a run off, or is left by one that was cut off, in a real Debian root.

A lost connection, a program that a package leaves running, a lock of the user files that names no
process: the tools of the root themselves say that each is real.
"""

from __future__ import annotations

import shutil
import stat
from collections.abc import Iterator

import pytest

from robokit_plan.model import BootSetting, Machine
from tests.real.roots import Root, made_tarball, plan_for, put_script, unpacked
from tests.real.test_script_told import BUNDLE, RUN, own_package, put, version_of
from tests.render.plans import HERON, names

pytestmark = [pytest.mark.root]


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Root]:
    found = unpacked(made_tarball("debian-13"), tmp_path_factory.mktemp("cut") / "root")
    (found.path / "srv/bundle/debian").mkdir(parents=True)
    yield found
    shutil.rmtree(found.path)


def after_install(text: str) -> dict[str, bytes]:
    """Return the files of a package that runs *text* when it is configured (Debian policy, 6.5)."""
    return {"DEBIAN/postinst": f"#!/bin/sh\n{text}\n".encode()}


def test_a_lost_connection_ends_nothing(root: Root) -> None:
    """The terminal goes (SIGHUP to its process group) and so does who read (SIGPIPE), while dpkg works."""
    go_on = "until [ -e /srv/gone ]; do sleep 0.1; done"
    put(root, own_package(root, "slow", files=after_install(go_on)))
    output = root.sh(
        "rm -f /srv/out /srv/gone; mkfifo /srv/out;"
        f"{BUNDLE} setsid {RUN} --only debian >/srv/out 2>&1 & "
        "grep -m 1 'Setting up slow' </srv/out; kill -HUP -$!; touch /srv/gone; wait $!; echo status $?",
        network=False,
    )
    assert output.endswith("status 0\n")
    assert version_of(root, "slow") == "1"
    log = (root.path / "opt/heron/install.log").read_text()
    assert log.endswith("the step debian of heron is set up as planned\n")


def test_what_a_package_leaves_running_holds_up_nothing(root: Root) -> None:
    """As where a daemon is started in a root without systemd, and keeps what it was started with."""
    daemon = "sleep 600 & echo $! >/srv/daemon"
    put(root, own_package(root, "keeps", files=after_install(daemon)))
    run = f"{BUNDLE}{RUN} --only debian"
    output = root.sh(f"{run} >/dev/null; {run}; kill -0 $(cat /srv/daemon) && echo it runs")
    assert "nothing had to change" in output
    assert output.endswith("it runs\n")


@pytest.mark.parametrize("content", ["", "4194305\n", "1\n"], ids=["empty", "nobody", "another"])
def test_a_lock_of_the_user_files_that_is_nobodys_goes(root: Root, content: str) -> None:
    """A power cut leaves it, often empty; shadow's own tools then add nobody any more."""
    plan = plan_for("debian-13", machine=Machine(groups={"lines": names("helm")}))
    put_script(root, plan)
    root.sh("userdel -r robot 2>&1; groupdel robot 2>&1; groupdel lines 2>&1; :")
    locks = [f"/etc/{name}.lock" for name in ("passwd", "group", "gshadow", "subuid")]
    for lock in locks:
        root.write(lock.lstrip("/"), content)
    if content != "4194305\n":  # such a number no process has (proc(5), pid_max)
        assert "lock" in root.sh("useradd nobody-yet 2>&1; echo $?").partition("\n")[0]
    output = root.sh(f"{RUN} --dry-run", network=False)
    assert "would remove /etc/passwd.lock, which a power cut left" in output
    assert all((root.path / lock.lstrip("/")).exists() for lock in locks)
    root.sh(f"{RUN} --only groups", network=False)
    assert "lines" in root.sh("id -nG robot").split()
    assert "nothing had to change" in root.sh(f"{RUN} --only groups", network=False)


def test_what_a_tool_of_the_user_files_began_goes(root: Root) -> None:
    """
    The lock's forerunner, named after its process, and the file that was to be; a person's copy stays.

    Source: shadow, lib/commonio.c, `commonio_lock_nowait` and `commonio_close`.
    """
    put_script(root, plan_for("debian-13", machine=Machine(groups={"lines": names("helm")})))
    begun = {"group.4194305": "", "gshadow.4194306": "4194306\0", "passwd+": "root:x:0:0"}
    for name, content in begun.items():
        root.write(f"etc/{name}", content)
    root.sh("cp /etc/passwd /etc/passwd.20260101; cp /etc/passwd /etc/passwd.before")
    output = root.sh(f"{RUN} --dry-run", network=False)
    assert all(f"would remove /etc/{name}, which a power cut left" in output for name in begun)
    assert "passwd.2026" not in output
    root.sh(f"{RUN} --only preflight", network=False)
    assert not any((root.path / "etc" / name).exists() for name in begun)
    root.sh("rm /etc/passwd.20260101 /etc/passwd.before")


def test_a_user_that_was_half_made_is_made_whole(root: Root) -> None:
    """A cut between passwd and shadow; pwck(8) of the root is the judge."""
    put_script(root, plan_for("debian-13", machine=Machine(groups={"lines": names("helm")})))
    root.sh("useradd --system half")
    for name in ("shadow", "gshadow"):
        path = root.path / "etc" / name
        lines = path.read_text().splitlines(keepends=True)
        path.write_text("".join(one for one in lines if not one.startswith("half:")))
    assert "no matching" in root.sh("pwck -r; grpck -r; :")
    output = root.sh(f"{RUN} --only preflight", network=False)
    assert "complete /etc/shadow, where a power cut left out: half" in output
    assert "complete /etc/gshadow, where a power cut left out: half" in output
    assert "no matching" not in root.sh("pwck -r; grpck -r; :")
    assert "nothing had to change" in root.sh(f"{RUN} --only preflight", network=False)
    root.sh("userdel half")


def test_a_lock_that_is_held_stays(root: Root) -> None:
    """While somebody changes a password; the name of a process is the first 15 bytes of its program's."""
    put_script(root, plan_for("debian-13", machine=Machine(groups={"lines": names("helm")})))
    root.sh("cp /bin/sleep /srv/chpasswd")
    output = root.sh(
        f"/srv/chpasswd 100 & echo $! >/etc/passwd.lock; {RUN} --only preflight; kill $!; rm /etc/passwd.lock"
    )
    assert "passwd.lock" not in output


def test_a_user_whose_group_is_there_already_is_made(root: Root) -> None:
    """useradd(8): --user-group fails where the group exists."""
    put_script(root, plan_for("debian-13", machine=Machine(groups={"lines": names("helm")})))
    root.sh("userdel -r robot 2>&1; groupdel robot 2>&1; groupadd robot")
    assert "exists" in root.sh("useradd --system --user-group robot 2>&1; :")
    root.sh(f"{RUN} --only groups", network=False)
    assert set(root.sh("id -nG robot").split()) == {"robot", "lines"}


def test_a_dry_run_needs_neither_root_nor_room_in_tmp(root: Root) -> None:
    """As a person looks first; the folder for temporary files may be memory, and small."""
    plan = plan_for(
        "debian-13",
        debian=(own_package(root, "looked-at"),),
        machine=Machine(environment=HERON.machine.environment),
        boot=(BootSetting(kind="parameter", text="dtparam=spi=on"),),
    )
    put_script(root, plan)
    root.write("opt/heron/environment", "SHORE_TOKEN=hunter2\n")
    (root.path / "opt/heron/environment").chmod(stat.S_IRUSR | stat.S_IWUSR)
    before = root.state()
    output = root.sh(
        f"{BUNDLE}runuser -u nobody -- {RUN} --dry-run", network=False,
        before='mount -t tmpfs -o size=16k,mode=1777 none "$1/tmp"',
    )  # fmt: skip
    assert "would install 1 Debian package\n    looked-at 1\n" in output
    assert "only root can see whether SHORE_TOKEN has a value in /opt/heron/environment" in output
    assert "heron differs from its plan in what stands above" in output
    assert root.state() == before
    root.sh(f"{RUN} --only secrets", network=False)
    # a link to where a person keeps it is followed, and nothing is made anew each time
    root.sh("mv /opt/heron/environment /root/own && ln -s /root/own /opt/heron/environment")
    assert "nothing had to change" in root.sh(f"{RUN} --only secrets", network=False)


def test_a_log_that_nobody_keeps_goes_at_each_start(root: Root) -> None:
    """systemd opens the log as root in a folder of the user's (systemd.exec(5)); the user cannot empty it."""
    plan = plan_for("debian-13", program="python -m heron", program_user="nobody", keep_logs=0)
    put_script(root, plan)
    root.sh(f"{RUN} --only program", network=False)
    unit = (root.path / "etc/systemd/system/heron.service").read_text()
    command = next(
        line.partition("=-")[2] for line in unit.splitlines() if line.startswith("ExecStartPre=")
    )
    root.sh(
        "mkdir -p /var/log/heron && chown nobody /var/log/heron && echo old >/var/log/heron/heron.log"
    )
    root.sh(f"runuser -u nobody -- {command}")
    assert not (root.path / "var/log/heron/heron.log").exists()
