"""A kept answer is printed only while planning anew would print the same."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pytest

from robokit_plan.app import answers
from robokit_plan.app.answers import Answer, Asked, find_answer
from robokit_plan.cli import main
from robokit_plan.cli._app import run
from robokit_plan.cli._plain import check_asked
from robokit_plan.edge import kept_files
from robokit_plan.edge.cache import Cache, cache_file
from robokit_plan.edge.kept_files import Watched
from tests.cli.skiff import LEAK, ROBOT, Skiff
from tests.edge.index_server import Request, wheel

AS_TYPED = "import sys; from robokit_plan.cli import main; main(sys.argv[1:])"
Full = Callable[..., Answer]


@pytest.fixture(name="full")
def _full(skiff: Skiff, capsys: pytest.CaptureFixture[str]) -> Full:
    def full(*arguments: str) -> Answer:
        time.sleep(0.05)  # what was changed just before a run could have changed during it
        capsys.readouterr()
        status = run(["check", *arguments])
        return Answer(capsys.readouterr().out, status)

    assert skiff.root == Path.cwd()
    return full


def kept(*arguments: str) -> Answer | None:
    """Return the kept answer as it would reach the screen."""
    asked = check_asked(arguments)
    found = None if asked is None else find_answer(*asked)
    return found and Answer(found.text.rstrip("\n") + "\n", found.status)


@pytest.mark.parametrize("form", [(), ("--notes",), ("--json",), ("--json", "--notes")])
def test_a_kept_answer_is_what_planning_prints(skiff: Skiff, full: Full, form: tuple[str]) -> None:
    """One run keeps all forms; nobody is asked for them again."""
    assert kept(*form) is None
    planned = full()
    assert planned.status == 0, planned
    assert "can be built" in planned.text
    asked = len(skiff.index.seen), len(skiff.mirror.seen)
    found = kept(*form)
    assert (len(skiff.index.seen), len(skiff.mirror.seen)) == asked
    assert found == full(*form)


def test_the_command_prints_it_with_its_status(
    skiff: Skiff,
    full: Full,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A robot with an error: the kept answer leaves with 1, as the run before did."""
    skiff.plugin("post", "debian: {packages: [mosquito]}\n")
    planned = full()
    assert planned.status == 1
    monkeypatch.setattr("robokit_plan.cli._app.run", lambda _: pytest.fail("planned again"))
    monkeypatch.setattr("robokit_plan.app.check._planned", lambda *_: pytest.fail("planned again"))
    with pytest.raises(SystemExit) as left:
        main(["check"])
    assert Answer(capsys.readouterr().out, int(left.value.code or 0)) == planned


def _edit_robot(skiff: Skiff) -> None:
    skiff.write("robot.yaml", ROBOT + "# one more line\n")


def _edit_manifest(skiff: Skiff) -> None:
    skiff.plugin("leak", LEAK.replace("17", "27"))


def _edit_unused_manifest(skiff: Skiff) -> None:
    skiff.plugin("new", "hardware: {signals: {lamp: {function: output, gpio: 17}}}\n")


def _rename_plugin(skiff: Skiff) -> None:
    (skiff.root / "plugins/post").rename(skiff.root / "plugins/mail")


def _remove_manifest(skiff: Skiff) -> None:
    (skiff.root / "plugins/leak/manifest.yaml").unlink()


def _lead_out(skiff: Skiff) -> None:
    (skiff.root / "plugins/leak").rename(skiff.home / "leak")
    (skiff.root / "plugins/leak").symlink_to(skiff.home / "leak")


def _lock(skiff: Skiff) -> None:
    skiff.write("pylock.skiff.toml", "lock-version = '1.0'\n")


def _edit_boot(skiff: Skiff) -> None:
    skiff.write("config.txt", "dtparam=spi=on\n")


def _edit_pip(skiff: Skiff) -> None:
    (skiff.home / "pip.conf").write_text(f"[global]\nindex-url = {skiff.index.url}/other\n")


def _new_pip_file(skiff: Skiff) -> None:
    path = skiff.home / "xdg/pip/pip.conf"
    path.parent.mkdir(parents=True)
    path.write_text(f"[global]\nextra-index-url = {skiff.index.url}/other\n")


def _edit_sources(skiff: Skiff) -> None:
    path = skiff.home / "apt/sources.list.d/debian.sources"
    path.write_text(path.read_text() + "Enabled: no\n")


def _new_sources(skiff: Skiff) -> None:
    (skiff.home / "apt/sources.list").write_text(f"deb {skiff.mirror.url}/x trixie main\n")


def _edit_apt(skiff: Skiff) -> None:
    with (skiff.home / "apt.conf").open("a") as file:
        file.write('Dir::Etc::sourceparts "parts";\n')


def _other_apt(skiff: Skiff) -> None:
    (skiff.home / "bin/apt-config").unlink()


@pytest.mark.parametrize(
    "change",
    [
        _edit_robot,
        _edit_manifest,
        _edit_unused_manifest,
        _rename_plugin,
        _remove_manifest,
        _lead_out,
        _lock,
        _edit_boot,
        _edit_pip,
        _new_pip_file,
        _edit_sources,
        _new_sources,
        _edit_apt,
        _other_apt,
    ],
)
def test_every_input_that_changes_ends_it(
    skiff: Skiff,
    full: Full,
    change: Callable[[Skiff], None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Files of the robot, of pip and of apt."""
    monkeypatch.setenv("XDG_CONFIG_DIRS", str(skiff.home / "xdg"))
    full()
    assert kept() is not None
    change(skiff)
    assert kept() is None


SURROUNDINGS = {
    "PIP_INDEX_URL": "https://index.example/simple",
    "PIP_NO_INDEX": "1",
    "APT_CONFIG": "/nowhere",
    "PATH": "/usr/bin:/bin",
    "https_proxy": "http://proxy.example:3128",
    "SSL_CERT_FILE": "/nowhere.pem",
    "ROBOKIT_PLAN_CACHE": "/nowhere",
}


def test_the_environment_that_indices_depend_on_ends_it(
    full: Full, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What else pip, apt and this tool take from the environment."""
    planned = full()
    for name, value in SURROUNDINGS.items():
        with monkeypatch.context() as inside:
            inside.setenv(name, value)
            assert kept() is None, name
    assert kept() == planned


OTHER_QUESTIONS = [
    ("--profile", "bench"),
    ("--board", "raspberrypi,5-model-b"),
    ("--release", "debian-12"),
    ("--as-of", "2026-11-01"),
    ("--offline",),
    ("--robot", "."),
]
NOT_PLAIN = [
    ("--colour",),
    ("--profile",),
    ("--profile", "--json"),
    ("--profile", "a", "--profile", "a"),
    ("extra",),
    ("--help",),
    ("--profile=",),
]


def test_another_question_has_another_answer(full: Full) -> None:
    """Every option of ``check`` but the form; wrong use has its own words."""
    planned = full()
    for arguments in (*OTHER_QUESTIONS, *NOT_PLAIN):
        assert kept(*arguments) is None, arguments
    assert kept() == planned


def test_an_option_and_its_value_may_be_one_word(full: Full) -> None:
    """Both spellings mean one call."""
    planned = full("--profile", "bench", "--robot=.")
    assert kept("--robot", "./", "--profile=bench") == planned


def test_a_nearer_robot_file_is_seen(
    skiff: Skiff, full: Full, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without --robot the nearest file upward is meant."""
    inside = skiff.root / "plugins/leak"
    monkeypatch.chdir(inside)
    full()
    assert kept() is not None
    (inside / "robot.yaml").write_text(ROBOT)
    assert kept() is None


def test_old_rows_end_it(full: Full, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page holds for ten minutes where the server does not say, by a clock set back too."""
    planned = full()
    now = time.time()
    for later_s, stands in ((500, True), (601, False), (-700, False), (90_000, False)):
        monkeypatch.setattr("robokit_plan.app.answers.time.time", lambda: now + later_s)  # noqa: B023  called at once
        assert kept() == (planned if stands else None), later_s


def test_another_row_ends_it(skiff: Skiff, full: Full) -> None:
    """A page that another command read anew counts, though this answer is younger than it."""
    full()
    skiff.index.add(
        "alpha",
        {
            "alpha-1.0-py3-none-any.whl": wheel("alpha", "1.0"),
            "alpha-1.1-py3-none-any.whl": wheel("alpha", "1.1"),
        },
    )
    assert kept() is not None, "fresh rows are taken as they are, by planning too"
    with Cache(cache_file(os.environ)) as cache:
        from robokit_plan.edge.kept_rows import HEAD

        url = f"{skiff.index.url}/simple/alpha/"
        cache.put(HEAD, url, json.dumps([0, "", "", False, "", True]).encode())
    assert kept() is None
    assert "1.1" in json.dumps(json.loads(full("--json").text)["python"])


def test_a_release_file_read_anew_counts_by_what_it_says(
    skiff: Skiff, full: Full, tmp_path: Path
) -> None:
    """A later look at the same text changes nothing; another text does."""
    full()
    (path,) = (tmp_path / "cache/debian").glob("release-*.json")
    known = json.loads(path.read_bytes())
    path.write_text(json.dumps({**known, "read_at": known["read_at"] - 1}))
    assert kept() is not None
    path.write_text(json.dumps({**known, "text": known["text"] + " "}))
    assert kept() is None
    path.write_text(json.dumps({**known, "verified": False}))
    assert kept() is None
    assert skiff.mirror.seen


def test_offline_the_age_in_words_is_part_of_the_answer(
    full: Full, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A note says how old the archive is; a minute later it says something else."""
    full()
    planned = full("--offline", "--notes")
    assert "0 minutes ago" in planned.text
    assert kept("--offline", "--notes") == planned
    now = time.time()
    monkeypatch.setattr("robokit_plan.app.answers.time.time", lambda: now + 61)
    assert kept("--offline", "--notes") is None


def test_what_changes_during_a_run_is_not_kept(skiff: Skiff, full: Full) -> None:
    """The file is edited between its reading and the end of the run."""
    answer = skiff.index.routes["/simple/alpha/"]
    assert callable(answer)

    def edit_then_answer(request: Request) -> None:
        skiff.write("robot.yaml", ROBOT.replace("[leak, post]", "[leak]"))
        answer(request)

    skiff.index.routes["/simple/alpha/"] = edit_then_answer
    assert "mosquitto" in full("--json").text
    assert kept() is None
    assert "mosquitto" not in full("--json").text


def test_a_lock_file_that_cannot_be_used_is_told_each_time(skiff: Skiff, full: Full) -> None:
    """What goes to standard error is no part of a kept answer."""
    skiff.write("pylock.skiff.toml", "lock-version = '1.0'\n")
    full()
    assert kept() is None


def test_code_of_enabled_plugins_counts_and_chatter_of_the_shell_does_not(
    skiff: Skiff, full: Full, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error of lint in a plugin's code is one of check."""
    full()
    skiff.write("plugins/leak/leak.py", "print()\n")
    assert kept() is None
    planned = full()
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("WINDOWID", "1")
    assert kept() == planned


@pytest.mark.parametrize("form", [(), ("--notes",), ("--json",)])
def test_a_switch_asked_again_is_known(
    skiff: Skiff, form: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    """A dry run is an answer like any other; a name that is told of apart is not."""
    skiff.plugin("lamp", "hardware: {signals: {lamp: {function: output, gpio: 17}}}\n")
    skiff.plugin("flag", "hardware: {signals: {flag: {function: output, gpio: 22}}}\n")
    time.sleep(0.05)

    def asked(*names: str, said: str = "") -> Answer:
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main(["enable", *names, "--dry-run", *form])
        printed = capsys.readouterr()
        assert printed.err == said
        return Answer(printed.out, int(left.value.code or 0))

    with pytest.MonkeyPatch.context() as inside:
        first = asked("lamp")
        assert first.status == 1
        assert asked("flag").status == 0
        asked("flag", "leak", said="leak is enabled already\n")
        inside.setattr(
            "robokit_plan.app.switch.propose", lambda *_, **__: pytest.fail("planned again")
        )
        assert asked("lamp") == first
        assert asked("flag").status == 0
        with pytest.raises(pytest.fail.Exception):
            main(["enable", "lamp", "flag", "--dry-run"])
        with pytest.raises(pytest.fail.Exception):
            main(["disable", "lamp", "--dry-run"])
        with pytest.raises(pytest.fail.Exception):
            main(["enable", "flag", "leak", "--dry-run"])
        _edit_robot(skiff)
        with pytest.raises(pytest.fail.Exception):
            main(["enable", "lamp", "--dry-run"])


def test_a_damaged_entry_is_no_answer(full: Full) -> None:
    """Cut, overwritten or empty: planned anew."""
    planned = full()
    key = Asked().key
    with Cache(cache_file(os.environ)) as cache:
        stored = cache.get("answer-1", key) or b""
    chance = random.Random(20261125)
    broken = [b"", stored[:64], stored[:-1], sha256(b"{}").hexdigest().encode() + b"{}"]
    for _ in range(40):
        at = chance.randrange(len(stored))
        broken.append(
            stored[:at] + bytes([stored[at] ^ (1 << chance.randrange(8))]) + stored[at + 1 :]
        )
    for one in broken:
        with Cache(cache_file(os.environ)) as cache:
            cache.put("answer-1", key, one)
        assert kept() is None
    assert full() == planned
    assert kept() == planned


@pytest.mark.parametrize("edits", [8, pytest.param(60, marks=pytest.mark.slow)])
def test_any_edit_leaves_the_answer_right(skiff: Skiff, full: Full, edits: int) -> None:
    """Law: a kept answer equals planning anew, whatever was edited, moved or taken away."""
    chance = random.Random(20261126 + edits)
    texts = {path: path.read_bytes() for path in skiff.root.rglob("*") if path.is_file()}
    held = 0
    for _ in range(edits):
        full()
        path = chance.choice(sorted(texts))
        text = texts[path]
        match chance.randrange(4):
            case 0:
                path.unlink()
            case 1:
                at = chance.randrange(len(text))
                path.write_bytes(text[:at] + text[at + 1 :])
            case 2:
                path.with_suffix(".more").write_bytes(text)
            case _:
                path.write_bytes(text)
        found = kept()
        held += found is not None
        assert found in {None, full()}
        path.write_bytes(text)
    assert held


def test_two_processes_at_once_say_the_same(skiff: Skiff, full: Full) -> None:
    """Both read, plan and keep; neither disturbs the other."""
    calls = [
        subprocess.Popen(
            [sys.executable, "-c", AS_TYPED, "check"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    said = [(*call.communicate(timeout=600), call.returncode) for call in calls]
    assert said[0] == said[1]
    assert said[0] == (full().text, "", 0)
    assert skiff.index.seen


WATCHING = """
import sys
seen = set()
def hook(event, given):
    if event in {"open", "os.listdir", "os.scandir"} and isinstance(given[0], (str, bytes)):
        seen.add(given[0] if isinstance(given[0], str) else given[0].decode())
sys.addaudithook(hook)
from robokit_plan.cli import main
try:
    main(["check"])
finally:
    import os
    print(*sorted({os.path.abspath(one) for one in seen}), sep="\\n", file=sys.stderr)
"""


def test_whatever_a_run_opens_is_watched(skiff: Skiff, full: Full, tmp_path: Path) -> None:
    """Nothing that planning reads is forgotten: seen from outside, by Python's audit events."""
    done = subprocess.run(
        [sys.executable, "-c", WATCHING], capture_output=True, text=True, check=True, timeout=600
    )
    full()
    with Cache(cache_file(os.environ)) as cache:
        stored = cache.get("answer-1", Asked().key)
    assert stored is not None
    watched = [str(Path(path).absolute()) for _, path in json.loads(stored[64:])["watched"]]
    package = Path(answers.__file__).parents[2]
    own = (
        *(str(package / name) for name in ("robokit_plan", "schemas")),
        sys.prefix,
        sys.base_prefix,
        str(tmp_path / "cache"),
        "/dev/",
        "/proc/",
        "/tmp",  # whether a folder can be written in
    )
    robots = str(skiff.root)
    opened = [
        one
        for one in done.stderr.splitlines()
        if one.startswith(robots + "/") or not one.startswith(own)
    ]
    assert str(skiff.root / "plugins/leak/manifest.yaml") in opened
    lost = [one for one in opened if not any((one + "/").startswith(w + "/") for w in watched)]
    assert lost == []


def test_looking_an_answer_up_imports_neither_planner_nor_model() -> None:
    """That is what makes it quick."""
    code = (
        "import sys; from robokit_plan.app.answers import Asked, find_answer\n"
        "from robokit_plan.cli import _plain\n"
        "from robokit_plan.edge import cache, kept_files, kept_rows\n"
        "find_answer(Asked(), 'text'); heavy = {'robokit_plan.model', 'robokit_plan.planner', 'yaml', 'typer',"
        " 'dataclasses'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=600
    )
    assert done.stdout == "[]\n"


def test_code_and_data_of_the_tool_are_part_of_it(tmp_path: Path) -> None:
    """A changed, added or removed file below the package is another tool."""
    (tmp_path / "data").mkdir()
    file = tmp_path / "data/board.yaml"
    file.write_text("a: 1\n")
    states = set()

    def look() -> None:
        states.add(kept_files.files_state([Watched("tree", str(tmp_path))]).digest)

    look()
    (tmp_path / "__pycache__").mkdir()
    (tmp_path / "__pycache__/x.pyc").write_bytes(b"")
    look()
    assert len(states) == 1
    file.write_text("a: 12\n")
    look()
    (tmp_path / "new.py").write_text("")
    look()
    file.unlink()
    look()
    (tmp_path / "gone").symlink_to(tmp_path / "nowhere")
    look()
    assert len(states) == 5
    package = str(Path(kept_files.__file__).parents[1])
    assert Watched("tree", package) in kept_files.tool_files()


def test_a_password_is_no_part_of_what_is_kept(tmp_path: Path) -> None:
    """An address with and without credentials is the same index."""
    path = tmp_path / "pip.conf"
    states = set()
    for who in ("", "user:secret@", "user:other@"):
        path.write_text(f"[global]\nindex-url = https://{who}index.example/simple\n")
        states.add(kept_files.files_state([Watched("plain", str(path))]).digest)
        states.add(kept_files.environment_state({"PIP_INDEX_URL": f"https://{who}index.example/"}))
    assert len(states) == 2
