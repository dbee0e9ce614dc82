"""What `lint` said is said again only while reading anew would say the same."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.app.answers import Answer, find_answer, lint_asked
from robokit_plan.app.forms import LINT_FORMATS
from robokit_plan.app.lint import lint, lint_anew
from robokit_plan.cli import main
from robokit_plan.cli._app import run
from robokit_plan.edge.cache import Cache, cache_file
from robokit_plan.edge.kept_rows import HEAD, PageHead, stored_head
from tests.cli.skiff import LEAK, ROBOT, Skiff

CODE = "import smbus2\n\n\nclass Plugin:\n    pass\n"


def kept(*paths: str, layout: str = "text", notes: bool = False) -> Answer | None:
    """Return what is known without reading."""
    return find_answer(*lint_asked(paths, layout=layout, notes=notes))


Linted = Callable[..., Answer]


@pytest.fixture(name="linted")
def _linted(skiff: Skiff, capsys: pytest.CaptureFixture[str]) -> Linted:
    """Give a function that lints anew; the indices were read once before."""
    skiff.write("plugins/leak/leak/__init__.py", "")
    skiff.write("plugins/leak/leak/main.py", CODE)
    assert run(["check"]) == 0
    capsys.readouterr()

    def linted(*paths: str, layout: str = "text", notes: bool = False) -> Answer:
        time.sleep(0.05)  # what was changed just before a run could have changed during it
        return lint_anew(*lint_asked(paths, layout=layout, notes=notes))

    return linted


def printed(answer: Answer) -> Answer:
    """Return *answer* as it reaches the screen."""
    return Answer(answer.text.rstrip("\n") + "\n" if answer.text else "", answer.status)


def test_it_is_what_reading_anew_prints(linted: Linted) -> None:
    """Each form is known apart; notes say more in text alone."""
    forms = [(layout, False) for layout in LINT_FORMATS] + [("text", True)]
    for layout, notes in forms:
        assert kept(layout=layout, notes=notes) is None
        read = linted(layout=layout, notes=notes)
        assert kept(layout=layout, notes=notes) == read
        assert kept("plugins", layout=layout, notes=notes) is None, "another question"
    assert kept(layout="json", notes=True) == kept(layout="json")


def test_the_command_prints_it_with_its_status(
    skiff: Skiff,
    linted: Linted,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Typed plainly or through typer; a revision or a repair asks for more than is kept."""
    skiff.plugin("leak", LEAK.replace("alpha>=1", "alpha>>1"))
    read = linted()
    assert read.status == 1
    monkeypatch.setattr("robokit_plan.app.lint.lint_anew", lambda *_: pytest.fail("judged again"))
    for arguments in (["lint"], ["lint", "--format=text"], ["lint", "--"]):
        with pytest.raises(SystemExit) as left:
            main(arguments)
        assert Answer(capsys.readouterr().out, int(left.value.code or 0)) == printed(read)
    for arguments in (["lint", "--fix"], ["lint", "--since", "HEAD"], ["lint", "plugins"]):
        with pytest.raises(pytest.fail.Exception):
            main(arguments)


def _edit_robot(skiff: Skiff) -> None:
    skiff.write("robot.yaml", ROBOT + "# one more line\n")


def _edit_manifest(skiff: Skiff) -> None:
    skiff.plugin("leak", LEAK.replace("17", "27"))


def _edit_code(skiff: Skiff) -> None:
    skiff.write("plugins/leak/leak/main.py", CODE.replace("smbus2", "smbus3"))


def _edit_code_backdated(skiff: Skiff) -> None:
    """Same size, same time: only the kernel's own stamp tells."""
    path = skiff.root / "plugins/leak/leak/main.py"
    was = path.stat()
    _edit_code(skiff)
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))


def _new_plugin(skiff: Skiff) -> None:
    skiff.plugin("new", "")


def _new_code(skiff: Skiff) -> None:
    skiff.write("plugins/leak/more.py", "import alpha\n")


def _new_code_of_the_program(skiff: Skiff) -> None:
    skiff.write("smbus2.py", "")


def _new_robot(skiff: Skiff) -> None:
    skiff.write("other/robot.yaml", ROBOT)


def _remove_manifest(skiff: Skiff) -> None:
    (skiff.root / "plugins/post/manifest.yaml").unlink()


def _remove_code(skiff: Skiff) -> None:
    (skiff.root / "plugins/leak/leak/main.py").unlink()


def _rename_plugin(skiff: Skiff) -> None:
    (skiff.root / "plugins/post").rename(skiff.root / "plugins/mail")


def _lead_out(skiff: Skiff) -> None:
    (skiff.root / "plugins/leak").rename(skiff.home / "leak")
    (skiff.root / "plugins/leak").symlink_to(skiff.home / "leak")


def _edit_boot(skiff: Skiff) -> None:
    skiff.write("config.txt", "dtparam=spi=on\n")


def _edit_pip(skiff: Skiff) -> None:
    (skiff.home / "pip.conf").write_text(f"[global]\nindex-url = {skiff.index.url}/other\n")


def _edit_apt(skiff: Skiff) -> None:
    (skiff.home / "apt/sources.list").write_text(f"deb {skiff.mirror.url}/x trixie main\n")


def _lose_a_page(skiff: Skiff) -> None:
    with Cache(cache_file(os.environ)) as cache:
        head = stored_head(PageHead(fresh_s=600, absent=True))
        cache.put(HEAD, f"{skiff.index.url}/simple/alpha/", head)


def _lose_the_lists(_: Skiff) -> None:
    for path in (cache_file(os.environ).parent / "debian").glob("release-*.json"):
        path.unlink()


@pytest.mark.parametrize(
    "change",
    [
        _edit_robot,
        _edit_manifest,
        _edit_code,
        _edit_code_backdated,
        _new_plugin,
        _new_code,
        _new_code_of_the_program,
        _new_robot,
        _remove_manifest,
        _remove_code,
        _rename_plugin,
        _lead_out,
        _edit_boot,
        _edit_pip,
        _edit_apt,
        _lose_a_page,
        _lose_the_lists,
    ],
)
def test_every_input_that_changes_ends_it(
    skiff: Skiff, linted: Linted, change: Callable[[Skiff], None]
) -> None:
    """Files of the robot, of pip and of apt; what is kept of the indices."""
    linted()
    assert kept() is not None
    change(skiff)
    assert kept() is None


def _break(skiff: Skiff) -> None:
    skiff.plugin("leak", LEAK.replace("alpha>=1", "alpha>>1"))


def _come_and_go(skiff: Skiff) -> None:
    path = skiff.root / "plugins/leak/leak/gone.py"
    path.write_text("import numpy\n")
    path.unlink()


@pytest.mark.parametrize(("change", "status"), [(_break, 1), (_come_and_go, 0)])
def test_what_changes_after_the_look_is_not_kept(
    skiff: Skiff,
    linted: Linted,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    change: Callable[[Skiff], None],
    status: int,
) -> None:
    """Folders are looked at once, before reading; what is written meanwhile is told next time."""
    asked, form = lint_asked(["plugins"], layout="text", notes=False)
    linted("plugins")
    _edit_code(skiff)
    time.sleep(0.05)

    def meanwhile(*arguments: Any) -> Answer | None:
        found = find_answer(*arguments)
        change(skiff)
        return found

    with monkeypatch.context() as inside:
        inside.setattr("robokit_plan.app.lint.find_answer", meanwhile)
        lint(asked, form)
    assert kept("plugins") is None
    time.sleep(0.05)
    said = lint(asked, form)
    assert said.status == status
    assert ("alpha>>1" in said.text) == bool(status)
    assert kept("plugins") is not None


def test_what_nobody_reads_does_not_count(skiff: Skiff, linted: Linted) -> None:
    """Notes, what is hidden, and what Python compiles; pages grow old and are taken as they are."""
    read = linted()
    skiff.write("plugins/leak/README.md", "how it is soldered\n")
    skiff.write(".git/index.py", "")
    skiff.write("plugins/leak/__pycache__/x.py", "")
    assert kept() == read
    with pytest.MonkeyPatch.context() as inside:
        now = time.time()
        inside.setattr("robokit_plan.app.answers.time.time", lambda: now + 3600)
        assert kept() == read


def test_lists_that_run_out_are_not_believed(linted: Linted) -> None:
    """The archive's own date of expiry passes: reading anew would not use its lists."""
    linted()
    with pytest.MonkeyPatch.context() as inside:
        now = time.time()
        inside.setattr("robokit_plan.app.answers.time.time", lambda: now + 90_000)
        assert kept() is None


def test_a_library_needs_no_index(skiff: Skiff, linted: Linted) -> None:
    """Where no robot is looked at, no index is either; a single file has its own answer."""
    for paths in (("plugins",), ("plugins/leak/manifest.yaml",)):
        read = linted(*paths)
        _edit_pip(skiff)
        assert kept(*paths) == read
        _edit_code(skiff)
        assert kept(*paths) is None
        skiff.write("plugins/leak/leak/main.py", CODE)


def test_a_file_that_cannot_be_read_is_told_anew(skiff: Skiff, linted: Linted) -> None:
    """What its permissions are to this user is no part of what is watched."""
    skiff.write("plugins/leak/manifest.yaml", "a: [\n")
    assert linted().status == 2
    assert kept() is None


@pytest.mark.parametrize("edits", [8, pytest.param(60, marks=pytest.mark.slow)])
def test_any_edit_leaves_the_answer_right(skiff: Skiff, linted: Linted, edits: int) -> None:
    """Law: what is kept equals reading anew, whatever was edited, added or taken away."""
    chance = random.Random(20261125 + edits)
    texts = {path: path.read_bytes() for path in skiff.root.rglob("*") if path.is_file()}
    held = 0
    for _ in range(edits):
        linted()
        path = chance.choice(sorted(texts))
        text = texts[path]
        match chance.randrange(4):
            case 0:
                path.unlink()
            case 1:
                at = chance.randrange(len(text) + 1)
                path.write_bytes(text[:at] + text[at + 1 :])
            case 2:
                path.with_suffix(".more").write_bytes(text)
            case _:
                path.with_name(f"more-{path.name}").write_bytes(text)
        found = kept()
        held += found is not None
        assert found in {None, linted()}
        path.write_bytes(text)
    assert held


WATCHING = """
import sys
seen = set()
def hook(event, given):
    if event in {"open", "os.listdir", "os.scandir"} and isinstance(given[0], (str, bytes)):
        seen.add(given[0] if isinstance(given[0], str) else given[0].decode())
sys.addaudithook(hook)
from robokit_plan.cli import main
try:
    main(["lint"])
finally:
    import os
    print(*sorted({os.path.abspath(one) for one in seen}), sep="\\n", file=sys.stderr)
"""


def test_whatever_a_run_opens_is_watched(skiff: Skiff, linted: Linted, tmp_path: Path) -> None:
    """Nothing that linting reads is forgotten: seen from outside, by Python's audit events."""
    done = subprocess.run(
        [sys.executable, "-c", WATCHING], capture_output=True, text=True, check=True, timeout=600
    )
    linted()
    with Cache(cache_file(os.environ)) as cache:
        stored = cache.get("answer-1", lint_asked((), layout="text", notes=False)[0].key)
    assert stored is not None
    watched = [str(Path(path).absolute()) for _, path in json.loads(stored[64:])["watched"]]
    package = Path(lint.__code__.co_filename).parents[2]
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
    assert str(skiff.root / "plugins/leak/leak/main.py") in opened
    lost = [one for one in opened if not any((one + "/").startswith(w + "/") for w in watched)]
    assert lost == []
