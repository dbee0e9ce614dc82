"""A lock file that no longer says what its files say: judged by values, told, refused where it acts."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Command

Edit = Callable[[Path], None]


def swapped(name: str, old: str, new: str) -> Edit:
    """Return the edit that puts *new* in place of *old* in a file of the robot."""

    def edit(root: Path) -> None:
        text = (root / name).read_text("utf-8")
        assert old in text
        (root / name).write_text(text.replace(old, new), "utf-8")

    return edit


ROBOT, LEAK, MAST = "robot.yaml", "plugins/leak/manifest.yaml", "plugins/mast/manifest.yaml"
NOTHING: dict[str, Edit] = {
    "a comment": swapped(ROBOT, "# first", "# and last"),
    "another spelling": swapped(
        ROBOT, "  - leak     # first\n  - horn\n", "  ['leak', \"horn\"]\n"
    ),
    "another profile": swapped(ROBOT, "bench: [leak, horn]", "bench: [horn]"),
    "a profile more": swapped(ROBOT, "profiles:\n", "profiles:\n  dock: [horn]\n"),
    "a plugin that is off": swapped(MAST, "gpio: 17", "gpio: 27"),
    "wiring of one that is off": swapped(
        ROBOT, "profiles:", "wiring: {mast.lamp: gpio27}\nprofiles:"
    ),
    "keys of the writer's own": swapped(ROBOT, "profiles:", "x-note: mine\nprofiles:"),
    "a comment in a manifest": swapped(LEAK, "needs:", "# why\nneeds:"),
    "an empty key": swapped(ROBOT, "profiles:", "roles: {}\nprofiles:"),
}
CHANGES: dict[str, tuple[Edit, str]] = {
    "what is enabled": (swapped(ROBOT, "  - horn\n", ""), "`enabled` of robot.yaml"),
    "a setting of the system": (
        swapped(ROBOT, "profiles:", "system: {memory-mb: 2048}\nprofiles:"), "`system` of robot.yaml"
    ),
    "wiring": (swapped(ROBOT, "profiles:", "wiring: {leak.float: gpio27}\nprofiles:"), "`wiring` of robot.yaml"),
    "a manifest": (swapped(LEAK, "alpha>=1,<3", "alpha>=1,<2"), "the manifest of leak"),
}  # fmt: skip


@pytest.mark.parametrize("edit", NOTHING.values(), ids=NOTHING)
def test_what_changes_no_plan_makes_nothing_stale(
    dinghy: Path, command: Command, edit: Edit
) -> None:
    assert command("lock").status == 0
    edit(dinghy)
    assert command("script").status == 0
    assert "lock-stale" not in command("check", "--json").out


@pytest.mark.parametrize(("edit", "told"), CHANGES.values(), ids=CHANGES)
def test_a_change_is_told_and_refused_until_it_is_locked(
    dinghy: Path, command: Command, edit: Edit, told: str
) -> None:
    """Script and card are made from the lock file alone, so they would install another robot."""
    assert command("lock").status == 0
    before = (dinghy / "pylock.dinghy.toml").read_bytes()
    edit(dinghy)
    (warned,) = [
        one
        for one in json.loads(command("check", "--json").out)["findings"]
        if one["rule"] == "lock-stale"
    ]
    assert (warned["severity"], warned["why"]) == (
        "warning",
        [f"since it was written {told} changed"],
    )
    for words in (("script",), ("card",), ("report", "--format", "cyclonedx")):
        done = command(*words)
        assert done.status == 1, words
        assert (
            "error lock-stale: pylock.dinghy.toml no longer says what the robot's files say"
            in done.err
        )
        assert f"since it was written {told} changed" in done.err
        assert "fix  robokit-plan lock" in done.err
    assert not (dinghy / "install.sh").exists()
    assert (dinghy / "pylock.dinghy.toml").read_bytes() == before
    if command("lock").status == 0:
        assert command("script").status == 0
        assert "lock-stale" not in command("check", "--json").out
    else:
        assert told == "`enabled` of robot.yaml"  # nobody is left to make the alarm sound


def test_each_profile_has_its_own(dinghy: Path, command: Command) -> None:
    assert command("lock").status == command("lock", "--profile", "bench").status == 0
    swapped(ROBOT, "bench: [leak, horn]", "bench: [horn]")(dinghy)
    assert command("script").status == 0
    done = command("script", "--profile", "bench")
    assert done.status == 1
    assert "`profiles.bench` of robot.yaml changed" in done.err
    assert "fix  robokit-plan lock --profile bench" in done.err


def test_a_named_file_counts_by_its_bytes(dinghy: Path, command: Command) -> None:
    (dinghy / "boot.txt").write_text("dtparam=i2c_arm=on\n")
    swapped(ROBOT, "profiles:", "system: {image: vendor, boot-config: boot.txt}\nprofiles:")(dinghy)
    assert command("lock").status == 0
    (dinghy / "boot.txt").write_text("dtparam=spi=on\n")
    assert "the file boot.txt changed" in command("script").err


def test_a_lock_file_of_an_earlier_tool_is_taken_as_it_is(dinghy: Path, command: Command) -> None:
    """It does not say what it was made from, so nothing is said of it."""
    assert command("lock").status == 0
    lock = dinghy / "pylock.dinghy.toml"
    text = lock.read_text()
    older = re.sub(r'^"(?:robot\.yaml|manifest|file) .*\n', "", text, flags=re.MULTILINE)
    assert older != text
    lock.write_text(older)
    swapped(LEAK, "alpha>=1,<3", "alpha>=1,<2")(dinghy)
    assert command("script").status == 0
    assert "lock-stale" not in command("check", "--json").out


def test_the_sheet_is_that_of_the_files(dinghy: Path, command: Command) -> None:
    assert command("lock").status == 0
    assert "position 11 (gpio17)" in command("wiring").out
    swapped(ROBOT, "profiles:", "wiring: {leak.float: gpio27}\nprofiles:")(dinghy)
    assert "position 13 (gpio27)" in command("wiring").out
    assert "position 11 (gpio17)" in command("wiring", "--locked").out
    (dinghy / "pylock.dinghy.toml").unlink()
    done = command("wiring", "--locked")
    assert (done.status, "--locked shows what it holds" in done.err) == (2, True)


# --- all lock files in one step ---------------------------------------------------------------


def test_lock_renews_every_lock_file_of_the_robot(dinghy: Path, command: Command) -> None:
    assert command("lock").status == command("lock", "--profile", "bench").status == 0
    swapped(LEAK, "alpha>=1,<3", "alpha>=1,<2")(dinghy)
    assert command("script", "--profile", "bench").status == 1
    done = command("lock")
    assert done.status == 0
    assert "wrote pylock.dinghy.toml\nwrote pylock.dinghy-bench.toml" in done.out + done.err
    assert command("script").status == command("script", "--profile", "bench").status == 0
    # The other way round, and none where there was none.
    swapped(LEAK, "alpha>=1,<2", "alpha>=1,<3")(dinghy)
    assert command("lock", "--profile", "bench").status == 0
    assert command("script").status == 0
    (dinghy / "pylock.dinghy-bench.toml").unlink()
    assert command("lock").status == 0
    assert not (dinghy / "pylock.dinghy-bench.toml").exists()


def test_where_one_cannot_be_renewed_none_is(dinghy: Path, command: Command) -> None:
    """The profile lacks the alarm that `leak` needs: its lock file, and all others, stay."""
    assert command("lock").status == command("lock", "--profile", "bench").status == 0
    swapped(ROBOT, "bench: [leak, horn]", "bench: [leak]")(dinghy)
    swapped(LEAK, "alpha>=1,<3", "alpha>=1,<2")(dinghy)
    before = {file.name: file.read_bytes() for file in dinghy.glob("pylock.*")}
    done = command("lock")
    assert done.status == 1
    assert "error capability-missing" in done.out
    assert json.loads(command("lock", "--json").out)["ok"] is False
    assert {file.name: file.read_bytes() for file in dinghy.glob("pylock.*")} == before


def test_a_name_that_nothing_has_is_refused(dinghy: Path, command: Command) -> None:
    assert command("lock").status == 0
    done = command("lock", "--upgrade", "alfa")
    assert done.status == 2
    assert "nothing called alfa is planned or locked" in done.err
    assert "fix  robokit-plan lock --upgrade alpha" in done.err
    assert command("lock", "--upgrade", "Alpha", "tooter").status == 0


def test_another_chip_lets_go_of_the_former_ones_pins(dinghy: Path, command: Command) -> None:
    """GPIO0 is a pin like any other on one chip, and read at reset on the other (strapping pin)."""
    swapped(ROBOT, "profiles:", "controllers: {mcu: {chip: rp2040, link: usb}}\nprofiles:")(dinghy)
    swapped(LEAK, "{float:", "{lid: {controller: mcu, function: servo, pin: any}, float:")(dinghy)

    def pin() -> str:
        rows = json.loads(command("check", "--json").out)["assignments"]
        return next(str(one["line"]) for one in rows if one["claim"] == "lid")

    assert command("lock").status == 0
    first = pin()
    swapped(ROBOT, "chip: rp2040", "chip: esp32")(dinghy)
    fresh = pin()
    assert fresh != first
    told = command("check", "--notes").out
    assert (
        "note places-let-go: mcu was rp2040 and is esp32 now: pins of leak.lid are chosen anew"
        in told
    )
    assert command("lock").status == 0
    assert command("lock", "--upgrade").status == 0
    assert pin() == fresh
    # What it had is kept as long as the chip is the same.
    swapped(ROBOT, "link: usb", "link: usb, host-timeout-ms: 500")(dinghy)
    assert pin() == fresh


def test_another_board_lets_go_of_every_line(dinghy: Path, command: Command) -> None:
    assert command("lock").status == 0
    swapped(ROBOT, "raspberrypi,4-model-b", "raspberrypi,5-model-b")(dinghy)
    told = command("check", "--notes").out
    assert (
        "note places-let-go: the lock file is of raspberrypi,4-model-b: every place is chosen anew"
        in told
    )


def test_verify_says_it_in_a_note(dinghy: Path, command: Command, tmp_path: Path) -> None:
    """And compares the machine with the lock file that it has."""
    root = tmp_path / "root"
    root.mkdir()
    assert command("lock").status == 0
    same = command("verify", "--root", str(root))
    swapped(LEAK, "alpha>=1,<3", "alpha>=1,<2")(dinghy)
    done = command("verify", "--root", str(root))
    assert (done.status, done.out) == (same.status, same.out)
    assert "note  since the lock file was written the manifest of leak changed" in done.err
    told = json.loads(command("verify", "--root", str(root), "--json").out)
    assert told["stale"] == ["the manifest of leak"]
