"""
Files that the script puts beside those of others: whose bytes are where, after a pulled plug too.

The functions run as they stand in the script, in a real shell, on a folder; the plug is pulled at
each command that changes something (SIGKILL to the whole process group, signal(7)).
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.model import BootSetting
from tests.render.plans import HERON
from tests.render.test_script import BARE, function_of, run_boot, script_of

SCRIPT = script_of(HERON)
FUNCTIONS = (
    "note_ours", "note_lines", "forget_ours", "forget_sums", "keep_copy", "keep_if_changed",
    "note_placed", "place_text", "remove_file",
)  # fmt: skip
SHORT = ("is_ours() ", "sum_line() ", "forget_before() ")
"""Functions of one line."""
ACTS = ("cp", "mv", "rm")
"""Commands that put a file in a place or take it away."""
THEIRS, OURS, EDITED = "a person's\n", "planned\n", "planned, and a person's\n"


class Machine:
    """A folder with a file, which may be a person's, and what the script noted."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = folder / "etc/rules"
        self.kept = folder / f"home/kept{self.file}"
        self.file.parent.mkdir(parents=True)
        (folder / "work").mkdir()
        tools = folder / "bin"
        tools.mkdir()
        for name in ACTS:
            real = next(
                path for path in (Path("/usr/bin", name), Path("/bin", name)) if path.exists()
            )
            (tools / name).write_text(
                "#!/bin/sh\n"
                f'count=$(($(cat {folder}/count) + 1))\necho "$count" >{folder}/count\n'
                f'[ "$count" -ne "$(cat {folder}/last)" ] || kill -9 0\n'
                f'exec {real} "$@"\n'
            )
            (tools / name).chmod(0o755)
        # every folder belongs to a package
        (tools / "dpkg-query").write_text("#!/bin/sh\n")
        (tools / "dpkg-query").chmod(0o755)

    def run(self, call: str, *, last: int = 0) -> bool:
        """Run *call*, with the plug pulled at command number *last*; return whether it came to its end."""
        (self.folder / "count").write_text("0\n")
        (self.folder / "last").write_text(f"{last}\n")
        code = "\n".join(
            [
                f"set -eu; LC_ALL=C; PATH={self.folder}/bin:$PATH; robot=heron; dry_run=no",
                f"home={self.folder}/home; state=$home/state; work={self.folder}/work",
                "say() { :; }; will() { :; }; attention() { :; }; systemd_runs() { false; }",
                *(line for line in SCRIPT.split("\n") if line.startswith(SHORT)),
                f"text() {{ printf '{OURS[:-1]}\\n'; }}",
                *(function_of(SCRIPT, name) for name in FUNCTIONS),
                call,
            ]
        )
        done = subprocess.run(["sh", "-c", code], start_new_session=True, check=False)
        assert done.returncode in {0, -signal.SIGKILL}
        return done.returncode == 0

    def place(self, last: int = 0) -> bool:
        return self.run(f"placed=no; place_text text {self.file} 644", last=last)

    def remove(self, last: int = 0) -> bool:
        """As the step does: what is noted, and not planned any more."""
        call = f"if is_ours files {self.file}; then remove_file {self.file}; fi"
        return self.run(f"rm -f $state/*.new; {call}; forget_before {self.file}", last=last)

    def notes(self) -> Sequence[str]:
        return sorted(path.name for path in (self.folder / "home/state").iterdir())


@pytest.mark.parametrize("before", [THEIRS, None], ids=["theirs", "none"])
def test_a_plug_pulled_at_any_command_loses_nothing(tmp_path: Path, before: str | None) -> None:
    """Placed, pulled, placed; taken away, pulled, taken away: the end is the beginning."""
    pulled = 0
    for action in ("place", "remove"):
        ended, last = False, 0
        while not ended:
            last += 1
            machine = Machine(tmp_path / f"{action}-{last}")
            if before is not None:
                machine.file.write_text(before)
            if action == "place":
                ended = machine.place(last)
            else:
                machine.place()
                ended = machine.remove(last)
            aside = machine.file.with_name("rules.before-heron")
            if before is not None:
                there = [path.read_text() for path in (machine.file, aside) if path.exists()]
                assert before in there, (action, last)
            pulled += not ended
            if action == "place":
                assert machine.place()
                assert machine.file.read_text() == OURS
            assert machine.remove()
            assert (machine.file.read_text() if machine.file.exists() else None) == before
            assert machine.notes() == [], (action, last)
            assert not aside.exists()
    assert pulled > 6


@pytest.mark.parametrize("later", ["place", "remove"])
def test_what_a_person_changed_in_our_file_is_kept(tmp_path: Path, later: str) -> None:
    machine = Machine(tmp_path / "machine")
    machine.place()
    machine.file.write_text(EDITED)
    if later == "place":
        machine.place()
        assert machine.file.read_text() == OURS
    else:
        machine.remove()
        assert not machine.file.exists()
    assert machine.kept.read_text() == EDITED


def test_what_nobody_changed_leaves_no_copy(tmp_path: Path) -> None:
    machine = Machine(tmp_path / "machine")
    machine.place()
    os.utime(machine.file, (0, 0))
    # another lock's text comes and goes
    machine.run(f"text() {{ echo other; }}; placed=no; place_text text {machine.file} 644")
    machine.place()
    machine.remove()
    assert not machine.kept.exists()


# --- boot files that a PC has edited ----------------------------------------------------------


def test_a_block_is_known_with_the_line_ends_of_a_pc(tmp_path: Path) -> None:
    """The partition is one that PCs mount, and some editors there end every line with CR LF."""
    path = tmp_path / "config.txt"
    path.write_bytes(b"[cm4]\r\notg_mode=1\r\n")
    place = f'place_block boot_block_0 "{path}" /boot/firmware/config.txt'
    functions = ("without_block", "place_block", "boot_block_0")
    run_boot(SCRIPT, tmp_path, *functions, calls=[place])
    once = path.read_bytes()
    path.write_bytes(once.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
    run_boot(SCRIPT, tmp_path, *functions, calls=[place])
    assert path.read_bytes() == once
    path.write_bytes(once.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
    run_boot(SCRIPT, tmp_path, *functions, calls=[f'without_block "{path}" >"{path}.new"'])
    assert Path(f"{path}.new").read_bytes() == b"[cm4]\r\notg_mode=1\r\n"


def test_a_command_line_loses_the_line_end_of_a_pc(tmp_path: Path) -> None:
    """The kernel would take it for part of the last word (admin-guide/kernel-parameters: spaces part words)."""
    boot = (BootSetting(kind="kernel-command-line", text="quiet"),)
    script = script_of(replace(BARE, boot=boot))
    path = tmp_path / "cmdline.txt"
    path.write_bytes(b"console=tty1 rootwait\r\n")
    call = f'place_words boot_words_0 "{path}" /boot/firmware/cmdline.txt'
    functions = ("place_words", "add_word", "drop_word", "boot_words_0")
    run_boot(script, tmp_path, *functions, calls=[call])
    assert path.read_bytes() == b"console=tty1 rootwait quiet\n"
    assert run_boot(script, tmp_path, *functions, calls=[call]) == ""


# --- the environment before -------------------------------------------------------------------


@pytest.mark.parametrize(("planned", "back"), [("a", True), ("b", False)])
def test_only_its_own_environment_comes_back_after_a_failure(
    tmp_path: Path, planned: str, back: bool
) -> None:
    """A run for lock A was cut off while it made A's environment anew; then a run for B fails."""
    venvs = tmp_path / "venvs"
    (venvs / "a.before").mkdir(parents=True)
    (venvs / "a.before/.complete").write_text("numpy 2.3.1\n")
    code = (
        f"home={tmp_path}; venv_id={planned}; dry_run=no; told=yes; tee_pid=; work=\n"
        f"{function_of(SCRIPT, 'finish')}\ntrap finish EXIT\nexit 5\n"
    )
    assert subprocess.run(["sh", "-c", code], check=False).returncode == 5
    assert (venvs / "b").exists() is False
    assert (venvs / "a/.complete").exists() is back
    assert (venvs / "a.before").exists() is not back


def test_the_log_of_a_start_that_nobody_keeps_goes() -> None:
    """systemd.exec(5), append: the file is the manager's, its folder the user's, so it can be removed alone."""
    plan = replace(BARE, program="python -m heron", program_user="robot", keep_logs=0)
    end = function_of(script_of(plan), "unit_end")
    assert re.findall(r"^ExecStartPre=-(.*)$", end, re.MULTILINE) == [
        "/bin/rm -f /var/log/heron/heron.log"
    ]


def test_a_dry_run_says_what_would_differ_in_python(tmp_path: Path) -> None:
    """Names as the environment has them (PEP 503 makes them comparable); pip itself is not told."""
    (tmp_path / "venv").mkdir()
    (tmp_path / "venv/.complete").write_text(
        "Paho_MQTT 2.1.0\nSome.Thing 3\nnumpy 2.2.0\npip 25.1\n"
    )
    functions = "\n".join(
        function_of(SCRIPT, name) for name in ("tell_new", "tell_python", "python_pins")
    )
    told = subprocess.run(
        ["sh", "-c", f"home={tmp_path}; work={tmp_path}\n{functions}\ntell_python"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert told.splitlines() == [
        "    numpy 2.3.1 in the place of 2.2.0",
        "    spidev 3.8",
        "    without some-thing 3",
    ]
