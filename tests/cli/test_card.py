"""`card`: what is in the folder, that it is the same each time, and that it is checked."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tarfile
from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from robokit_plan.edge.card_files import UnfitForCard, robot_files
from robokit_plan.formats.lock import lock_name
from robokit_plan.model import Plan
from robokit_plan.render import Locked, UnsafeValueError, render_card
from tests.cli.conftest import Command
from tests.render.plans import HERON, sha

SHELLCHECK = Path(sys.executable).parent / "shellcheck"
CARD = "card-dinghy"


@pytest.fixture
def card(dinghy: Path, command: Command) -> Path:
    (dinghy / ".env").write_text("TOKEN=hunter2\n")
    (dinghy / "plugins/leak/leak.py").write_text("print('dry')\n")
    (dinghy / "plugins/leak/__pycache__").mkdir()
    (dinghy / "plugins/leak/__pycache__/leak.pyc").write_bytes(b"x")
    (dinghy / "elsewhere").symlink_to("/etc")
    assert command("lock").status == 0
    done = command("card")
    assert done.status == 0, done
    assert (dinghy / CARD / "READ-ME.md").read_text() == done.out
    return dinghy / CARD


def card_texts(*plans: Plan, size: int = 0) -> dict[str, str]:
    locked = [Locked(plan=one, name=lock_name(one), sha256=sha("lock")) for one in plans]
    return render_card(locked, offline=True, manifests={}, size=size)


def files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_the_folder_holds_what_the_robot_needs_and_no_more(card: Path) -> None:
    found = set(files(card))
    assert {
        "READ-ME.md", "SHA256SUMS", "digests.json", "first-start.service", "meta-data", "start.sh",
        "user-data", "robot/install.sh", "robot/pylock.dinghy.toml", "robot/robot.yaml",
        "robot/plugins/leak/manifest.yaml", "robot/plugins/leak/leak.py",
    } <= found  # fmt: skip
    assert not [
        one
        for one in found
        if "hunter" in one or ".env" in one or "pyc" in one or "elsewhere" in one
    ]
    assert not [one for one, content in files(card).items() if b"hunter2" in content]


def test_every_file_is_listed_with_its_hash(card: Path) -> None:
    """sha256sum of coreutils is the judge."""
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"],
        cwd=card,
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stdout
    listed = {line.split("  ", 1)[1] for line in (card / "SHA256SUMS").read_text().splitlines()}
    assert listed == set(files(card)) - {"SHA256SUMS"}


def test_digests_are_those_of_the_manifests(card: Path, dinghy: Path) -> None:
    told = json.loads((card / "digests.json").read_text())
    for where, digest in told["files"].items():
        assert hashlib.sha256((dinghy / where).read_bytes()).hexdigest() == digest
    assert {"robot.yaml", "plugins/leak/manifest.yaml", "plugins/horn/manifest.yaml"} <= set(
        told["files"]
    )
    lock = hashlib.sha256((dinghy / "pylock.dinghy.toml").read_bytes()).hexdigest()
    assert told["locks"]["pylock.dinghy.toml"]["sha256"] == lock


def test_the_page_has_five_steps(card: Path) -> None:
    page = (card / "READ-ME.md").read_text()
    steps = [line for line in page.splitlines() if line[:2] in {"1.", "2.", "3.", "4.", "5.", "6."}]
    assert [one[0] for one in steps] == ["1", "2", "3", "4", "5"]
    assert "sudo sh /boot/firmware/card-dinghy/start.sh" in page
    assert all(len(line) <= 98 for line in page.splitlines() if not line.startswith("   "))


def test_the_page_warns_of_what_can_hurt() -> None:
    page = card_texts(HERON)["READ-ME.md"]
    assert "    caution motion (helm): parts move by themselves" in page
    assert page.index("caution motion") < page.index("1. ")
    assert "It needs no network" in page
    assert "`sudoedit /opt/heron/environment`" in page


def test_the_page_says_where_a_folder_goes_that_the_boot_partition_cannot_hold() -> None:
    """A boot partition of 256 MB is the smallest of usual images (from memory)."""
    assert "USB stick" not in card_texts(HERON, size=99_000_000)["READ-ME.md"]
    page = card_texts(HERON, size=254_000_000)["READ-ME.md"]
    assert "The folder holds 254 MB" in page
    assert "`sudo mkdir -p /media/card && sudo mount /dev/sda1 /media/card`" in page
    assert "/media/*" in card_texts(HERON)["start.sh"] + card_texts(HERON)["user-data"]


def test_the_page_names_the_profiles_that_it_carries() -> None:
    texts = card_texts(HERON, replace(HERON, profile="bench"))
    page = " ".join(texts["READ-ME.md"].split())
    assert "It carries the profiles heron, bench and starts as heron." in page
    assert "`sudo sh /opt/heron/code/install.sh --profile bench` switches: it installs" in page
    locks = json.loads(texts["digests.json"])["locks"]
    assert {name: one["profile"] for name, one in locks.items()} == {
        "pylock.heron.toml": None,
        "pylock.heron-bench.toml": "bench",
    }
    assert "profiles" not in card_texts(HERON)["READ-ME.md"]


def test_the_same_inputs_give_the_same_bytes(card: Path, dinghy: Path, command: Command) -> None:
    """Folder and archive, made at another time by another umask."""
    before = files(card)
    archives = []
    for umask, when in ((0o077, 1), (0o022, 2_000_000_000)):
        old = os.umask(umask)
        try:
            assert command("card", "--archive").status == 0
        finally:
            os.umask(old)
        assert files(card) == before
        archives.append((dinghy / "card-dinghy.tar").read_bytes())
        os.utime(dinghy / "robot.yaml", (when, when))
    assert archives[0] == archives[1]
    with tarfile.open(dinghy / "card-dinghy.tar") as archive:
        members = archive.getmembers()
    assert [one.name for one in members] == sorted(one.name for one in members)
    assert {(one.mtime, one.uid, one.gid, one.uname) for one in members} == {(0, 0, 0, "")}
    assert {one.mode for one in members} == {0o755, 0o644}


def test_what_is_not_a_card_is_not_replaced(card: Path, command: Command) -> None:
    (card / "SHA256SUMS").unlink()
    (card / "mine.txt").write_text("notes\n")
    done = command("card")
    assert done.status == 2
    assert "is not a card of ours" in done.err
    assert (card / "mine.txt").read_text() == "notes\n"
    assert not list(card.parent.glob(".card-*"))


def test_without_a_lock_it_says_what_to_type(dinghy: Path, command: Command) -> None:
    done = command("card")
    assert done.status == 2
    assert "robokit-plan lock" in done.err


# --- first start ----------------------------------------------------------------------------------


def test_the_start_is_clean_shell(card: Path) -> None:
    checked = subprocess.run(
        [str(SHELLCHECK), "--shell=sh", "--severity=style", str(card / "start.sh"), str(card / "robot/install.sh")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.stdout == ""


def test_a_damaged_card_does_not_start(card: Path) -> None:
    (card / "robot/plugins/leak/leak.py").write_text("half")
    done = subprocess.run(
        ["sh", str(card / "start.sh"), "--dry-run"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 7
    assert "is not whole any more; copy it anew" in done.stderr


def test_a_dry_run_tells_of_other_code(card: Path, tmp_path: Path) -> None:
    """What a person changed in the robot's code goes aside, so that is told before."""
    home = tmp_path / "robot"

    def looked() -> str:
        return subprocess.run(
            ["sh", str(card / "start.sh"), "--dry-run"], capture_output=True, text=True, check=False,
            env=os.environ | {"ROBOT_HOME": str(home)},
        ).stdout.partition("\n")[0]  # fmt: skip

    told = f"would put the code of this folder in the place of {home}/code"
    assert looked() == told
    shutil.copytree(card / "robot", home / "code")
    (home / "code/plugins/__pycache__").mkdir()
    assert looked() != told
    (home / "code/plugins/leak/leak.py").write_text("print('mine')\n")
    assert looked() == told


def test_help_is_that_of_the_script(card: Path) -> None:
    done = subprocess.run(
        ["sh", str(card / "start.sh"), "--help"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0
    assert "sets up the robot dinghy" in done.stdout


def test_user_data_is_cloud_config(card: Path, tmp_path: Path) -> None:
    """cloud-init documentation, module runcmd: each item is a list of strings, or a string."""
    text = (card / "user-data").read_text()
    assert text.startswith("#cloud-config\n")
    (command,) = yaml.safe_load(text)["runcmd"]
    assert command[:2] == ["sh", "-c"]
    assert subprocess.run(["sh", "-n", "-c", command[2]], check=False).returncode == 0
    assert set(yaml.safe_load((card / "meta-data").read_text())) == {
        "instance-id",
        "local-hostname",
    }


@pytest.mark.skipif(
    not Path("/usr/bin/systemd-analyze").exists(), reason="systemd is not installed"
)
def test_the_unit_is_one_for_systemd(card: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(card / "first-start.service")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "first-start.service" not in done.stderr, done.stderr


# --- strangers ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a\nb", "a\\b", "a\x1bb"])
def test_a_name_that_breaks_a_list_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("x")
    with pytest.raises(UnfitForCard, match="cannot go onto a card"):
        list(robot_files(tmp_path))


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("log/2026-11-29T10:30.csv", "a name with :"),
        ('a"b', 'a name with "'),
        ("what?", "a name with ?"),
        ("end.", "a name that ends so"),
        ("end ", "a name that ends so"),
    ],
)
def test_a_name_that_a_boot_partition_cannot_hold_is_refused(
    tmp_path: Path, name: str, why: str
) -> None:
    """Microsoft, FAT32 File System Specification, 1.03, "Long Directory Entries"."""
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text("x")
    with pytest.raises(UnfitForCard) as caught:
        list(robot_files(tmp_path))
    assert str(caught.value) == (
        f"{name} cannot go onto a card: its boot partition (FAT) holds no file by {why}; "
        "rename it, or let its name begin with a dot to leave it out"
    )


@pytest.mark.parametrize("names", [("Leak.py", "leak.py"), ("Log/a", "log/b")])
def test_names_that_a_boot_partition_takes_for_one_are_refused(
    tmp_path: Path, names: tuple[str, str]
) -> None:
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("x")
    with pytest.raises(UnfitForCard, match="takes them for one name; rename one"):
        list(robot_files(tmp_path))


def test_links_of_a_stranger_lead_nowhere(
    card: Path, dinghy: Path, tmp_path: Path, command: Command
) -> None:
    """A repository may hold links under the names that a card has while it is made."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "mine.txt").write_text("mine\n")
    for name in (".card-dinghy.new", ".card-dinghy.old", ".card-dinghy.fetched"):
        (dinghy / name).symlink_to(outside)
    (dinghy / ".card-dinghy.tar.new").symlink_to(outside / "mine.txt")
    (dinghy / ".card-dinghy.old").unlink()
    assert command("card", "--archive").status == 0
    assert files(outside) == {"mine.txt": b"mine\n"}


def test_what_a_link_leads_to_is_not_carried(
    dinghy: Path, tmp_path: Path, command: Command
) -> None:
    """A plugin of a stranger may hold a link to what is nobody's business."""
    (tmp_path / "key.txt").write_text("hunter2\n")
    (dinghy / "plugins/leak/key.txt").symlink_to(tmp_path / "key.txt")
    assert command("lock").status == 0
    assert command("card").status == 0
    assert not [path for path in (dinghy / CARD).rglob("*") if path.name == "key.txt"]


def test_a_hostile_profile_reaches_no_shell() -> None:
    for profile in ("$(id)", "a'b", "a b", "../x", "a\nb"):
        with pytest.raises(UnsafeValueError):
            card_texts(replace(HERON, profile=profile))


def test_hostile_files_are_plain_arguments(card: Path, dinghy: Path, command: Command) -> None:
    for name in ("$(touch PWNED)", "-rf", "a'b", "; touch PWNED"):
        (dinghy / "plugins/leak" / name).write_text("x")
    assert command("card").status == 0
    checked = subprocess.run(
        ["sha256sum", "--check", "--quiet", "--strict", "SHA256SUMS"], cwd=card, check=False
    )
    assert checked.returncode == 0
    assert not list(dinghy.rglob("PWNED"))
