"""Streams that are closed, full or left early; JSON where a call fails; modules of others."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from robokit_plan.app import planning
from tests.casebook import write_case
from tests.cli import conftest
from tests.cli.conftest import CASE, Command
from tests.cli.skiff import Skiff

CHECKOUT = Path(__file__).parents[2]
RUN = f"{sys.executable} -m robokit_plan"
MARKS = "<<<<<<< ours\n=======\n>>>>>>> theirs\n"


def shell(words: str, **environ: str) -> subprocess.CompletedProcess[str]:
    """Run *words* by a shell, RUN standing for the command; the status is of its first program."""
    return subprocess.run(
        ["bash", "-c", words.replace("RUN", RUN) + "\nexit ${PIPESTATUS[0]}"],
        env={**os.environ, "PYTHONPATH": str(CHECKOUT), **environ},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


@pytest.fixture
def broken(skiff: Skiff) -> Skiff:
    """Make a robot that cannot be built."""
    skiff.plugin("leak", "hardware: {signals: {float: {function: input, gpio: 17}}}\n")
    skiff.plugin("post", "hardware: {signals: {lamp: {function: output, gpio: 17}}}\n")
    return skiff


def test_a_reader_that_goes_leaves_the_status_due(broken: Skiff) -> None:
    """Once of 1, once of 0; nothing is said of it."""
    done = shell("RUN check | head -1 >/dev/null")
    assert (done.returncode, done.stderr) == (1, "")
    done = shell("RUN parts | true")
    assert (done.returncode, done.stderr) == (0, "")
    broken.plugin("post", "")
    done = shell("RUN lock | true")
    assert done.returncode == 0
    assert (broken.root / "pylock.skiff.toml").is_file()


@pytest.mark.parametrize("stream", [">&-", "2>&-", ">&- 2>&-", "<&- >&- 2>&-"])
def test_closed_streams_change_nothing(skiff: Skiff, stream: str) -> None:
    """The work is done, the status is right; what was written is said where somebody can hear."""
    done = shell(f"RUN lock {stream}")
    assert done.returncode == 0
    assert (skiff.root / "pylock.skiff.toml").read_text().startswith('lock-version = "1.0"')
    assert done.stderr == ("" if "2>" in stream else "wrote pylock.skiff.toml\n")


def test_nobody_at_a_closed_input_says_yes(skiff: Skiff) -> None:
    """A question is not asked, and nothing changes."""
    before = (skiff.root / "robot.yaml").read_bytes()
    done = shell("RUN disable post <&-")
    assert done.returncode == 0
    assert "add --yes to do it" in done.stderr
    assert (skiff.root / "robot.yaml").read_bytes() == before
    assert shell("RUN new <&-").returncode == 2


FULL = "error standard output cannot be written: no space left on device\n"


@pytest.mark.parametrize(
    "words",
    [
        "--version", "--help", "check --help", "check", "check --json", "lint", "boards", "parts", "rules",
        "suggest", "wiring", "wiring --json", "diff", "lock --out -", "script --out -", "report --out -",
        "disable post --dry-run", "verify", "card", "nothing --json",
    ],
)  # fmt: skip
def test_a_full_device_is_said_once(skiff: Skiff, words: str) -> None:
    """And is 3, whatever else the status would be."""
    if not hasattr(test_a_full_device_is_said_once, "lock"):
        assert shell("RUN lock").returncode == 0
        test_a_full_device_is_said_once.lock = (skiff.root / "pylock.skiff.toml").read_text()  # type: ignore[attr-defined]
    skiff.write("pylock.skiff.toml", test_a_full_device_is_said_once.lock)  # type: ignore[attr-defined]
    done = shell(f"RUN {words} >/dev/full")
    assert done.returncode == 3
    assert done.stderr.endswith(FULL)
    assert done.stderr.count("error standard") == 1
    assert "Traceback" not in done.stderr


def test_what_was_written_is_said_beside_a_full_device(skiff: Skiff) -> None:
    """The lock file is there, and named."""
    done = shell("RUN lock >/dev/full")
    assert done.stderr == "wrote pylock.skiff.toml\n" + FULL
    assert shell("RUN check 2>/dev/full").returncode == 0


COMMANDS_WITH_JSON = (
    "check", "lock", "enable", "disable", "diff", "lint", "verify", "wiring", "suggest", "boards", "parts",
    "rules",
)  # fmt: skip


@pytest.mark.parametrize("name", COMMANDS_WITH_JSON)
@pytest.mark.parametrize("fault", ["option", "robot file", "argument"])
def test_a_failure_is_json_where_json_is_asked_for(
    dinghy: Path, command: Command, name: str, fault: str
) -> None:
    """One document, with the status in it; nothing else on standard output."""
    words = [name, "--json"]
    if fault == "option":
        words.append("--no-such-option")
    elif fault == "argument":
        words += (
            ["--robot"] if name not in {"lint", "boards", "parts", "rules"} else ["--", "x", "y"]
        )
    else:
        (dinghy / "robot.yaml").write_text("format: 1\n\tx")
        if name in {"enable", "disable"}:
            words += ["mast", "--yes"]
        if name in {"boards", "parts", "rules"}:
            words.append("no-such-thing")
    done = command(*words)
    assert done.status in {1, 2} if name in {"boards", "parts", "rules"} else done.status == 2
    if done.status == 2:
        found = json.loads(done.out)
        assert found["ok"] is False
        if "error" in found:
            assert found["status"] == 2
            assert found["error"] is not None or found["findings"]


def test_an_unknown_command_is_json_too(command: Command) -> None:
    """With what is nearest."""
    done = command("chek", "--json")
    found = json.loads(done.out)
    assert done.status == found["status"] == 2
    assert "nearest: check" in found["error"]["message"]
    assert found["error"]["repair"] == ["robokit-plan --help"]
    assert found["findings"] == []


def test_an_index_that_does_not_answer_is_json(skiff: Skiff) -> None:
    """Exit status 3."""
    (skiff.home / "pip.conf").write_text(
        "[global]\nindex-url = http://127.0.0.1:9/simple\nretries = 0\n"
    )
    done = shell("RUN check --json")
    found = json.loads(done.stdout)
    assert done.returncode == found["status"] == 3
    assert "did not give the page of alpha" in found["error"]["message"]


@pytest.mark.parametrize(
    "words",
    [
        ("wiring",), ("wiring", "--json"), ("wiring", "--format", "svg"), ("script",), ("card",), ("verify",),
        ("diff",), ("report", "--format", "cyclonedx"), ("diff", "pylock.dinghy.toml"),
    ],
)  # fmt: skip
def test_merge_marks_in_a_lock_file_are_a_finding(
    dinghy: Path, command: Command, words: tuple[str, ...]
) -> None:
    """In every command that is made from one; the file stays as it is."""
    assert command("lock").status == 0
    lock = dinghy / "pylock.dinghy.toml"
    lock.write_text(MARKS + lock.read_text())
    before = lock.read_bytes()
    done = command(*words)
    assert done.status == 1
    assert "lock-invalid" in done.out + done.err
    assert "fault of its own" not in done.err
    assert lock.read_bytes() == before


@pytest.mark.parametrize("words", [("check",), ("suggest",), ("report",), ("diff", "bench")])
def test_merge_marks_break_no_plan(dinghy: Path, command: Command, words: tuple[str, ...]) -> None:
    """Commands that plan never end in a fault of ours."""
    (dinghy / "pylock.dinghy.toml").write_text(MARKS)
    done = command(*words)
    assert done.status in {0, 1}
    assert "fault of its own" not in done.err


MODULES = (
    "yaml", "typing", "typing_extensions", "packaging", "rich", "typer", "urllib3", "jsonschema", "resolvelib",
    "platformdirs", "referencing", "json", "subprocess", "sqlite3", "tomllib", "signal",
)  # fmt: skip


@pytest.mark.parametrize("where", ["PYTHONPATH", "an empty entry of it", "beside the robot"])
def test_modules_of_others_are_not_loaded(skiff: Skiff, tmp_path: Path, where: str) -> None:
    """Whatever their names: on PYTHONPATH, and in the folder at hand."""
    folder = tmp_path / "foreign" if where == "PYTHONPATH" else skiff.root
    folder.mkdir(exist_ok=True)
    for name in MODULES:
        (folder / f"{name}.py").write_text("raise RuntimeError('somebody else')\n")
    value = {"PYTHONPATH": str(folder), "an empty entry of it": os.pathsep}.get(where, "")
    for words in ("check", "lint --fix", "--help"):
        script = Path(sys.executable).with_name("robokit-plan")
        done = subprocess.run(
            [str(script), *words.split()],
            env={**os.environ, "PYTHONPATH": value},
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, ""), words


@pytest.mark.parametrize(
    "text", ["X = 1\n", "raise RuntimeError('odd')\n", "def f(:\n", "import no_such_module\n"]
)
def test_a_foreign_module_that_is_loaded_is_named(skiff: Skiff, tmp_path: Path, text: str) -> None:
    """Where nothing stands before it: one clear block, which names its file."""
    (tmp_path / "yaml.py").write_text(text)
    code = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); from robokit_plan.cli import main; main(['lint'])"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3
    assert "Traceback" not in done.stderr
    if "no_such_module" not in text:
        assert done.stderr.startswith(
            "error the Python module yaml is not the one that robokit-plan needs\n"
            f"  why  it comes from {tmp_path}/yaml.py ("
        )


def git(folder: Path, words: str) -> None:
    subprocess.run(
        ["git", "-c", "user.name=n", "-c", "user.email=n@n.example", *words.split()],
        cwd=folder,
        check=True,
        capture_output=True,
    )


# --- diff -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "side",
    [("bench", "show"), ("robot.yaml", "other/robot.yaml"), (), ("HEAD",), ("HEAD~1", "HEAD")],
)
def test_a_diff_shows_what_is_new_and_ends_with_1(
    dinghy: Path, command: Command, side: tuple[str, ...]
) -> None:
    """In each format: between profiles, robot files, revisions, and from a lock file."""
    robot = (dinghy / "robot.yaml").read_text()
    assert command("lock").status == 0
    wrong = robot.replace("  - horn\n", "  - horn\n  - mast\n")
    if side == ():
        (dinghy / "robot.yaml").write_text(wrong)
    elif "HEAD" in side:
        for words in ("init -q", "add -A", "commit -qm one"):
            git(dinghy, words)
        (dinghy / "robot.yaml").write_text(wrong)
        if len(side) == 2:
            git(dinghy, "commit -qam two")
    else:
        (dinghy / "robot.yaml").write_text(robot + "  show: [leak, horn, mast]\n")
        (dinghy / "other").mkdir()
        (dinghy / "other/robot.yaml").write_text(wrong)
        shutil.copytree(dinghy / "plugins", dinghy / "other/plugins")
    done = command("diff", *side)
    assert done.status == 1
    assert "error pin-collision: gpio17 is claimed twice" in done.out
    assert "dinghy" in done.out.splitlines()[-1]
    done = command("diff", *side, "--json")
    found = json.loads(done.out)
    assert done.status == 1
    assert found["ok"] is False
    assert "pin-collision" in [one["rule"] for one in found["findings"]["new"]]
    done = command("diff", *side, "--format", "markdown")
    assert done.status == 1
    assert "**new findings**" in done.out
    if len(side) == 2:
        done = command("diff", *reversed(side))
        assert done.status == 0
        assert "gone  error pin-collision: gpio17 is claimed twice\n" in done.out


# --- chains -----------------------------------------------------------------------------------


def chain(links: int) -> dict[str, object]:
    """Return the dinghy with a chain of requirements of so many *links*."""
    return {
        **CASE,
        "python": {
            f"link{at}": [
                {
                    "file": f"link{at}-1.0-py3-none-any.whl",
                    "requires": [f"link{at + 1}"] if at + 1 < links else [],
                }
            ]
            for at in range(links)
        },
        "plugins": {"leak": "python: {requires: [link0]}\n", "horn": ""},
    }


@pytest.mark.parametrize(
    ("links", "rounds"), [(40, 6_000), (40, 20), pytest.param(450, 6_000, marks=pytest.mark.slow)]
)
def test_a_long_chain_of_requirements_is_planned_or_told(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch, links: int, rounds: int
) -> None:
    """Each link is one more question; who asks without end is told of in words."""
    monkeypatch.setattr(conftest, "CASE", chain(links))
    monkeypatch.setattr(planning, "MAX_ROUNDS", rounds)
    write_case(chain(links), dinghy)
    done = command("check")
    if rounds > links:
        assert done.status == 0, done.err
        assert f"{links} distributions" in done.out
    else:
        assert done.status == 3
        assert "the indices were asked 20 times in a row" in done.err


def test_a_lock_file_of_five_thousand_packages_is_read(dinghy: Path, command: Command) -> None:
    """By every command that is made from one."""
    assert command("lock").status == 0
    lock = dinghy / "pylock.dinghy.toml"
    text = lock.read_text()
    head, mark, rest = text.partition("[[packages]]\n")
    one, _, others = rest.partition("\n[[packages]]\n")
    many = "\n".join(mark + one.replace("alpha", f"alpha{at}") for at in range(5_000))
    lock.write_text(head + many + "\n" + mark + others)
    for words in (("script",), ("wiring",), ("report", "--format", "cyclonedx"), ("diff",)):
        assert command(*words).status == 0, words
