"""Answers to the planner's questions are taken from an earlier run only while they are the same."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.cli._app import run
from robokit_plan.edge import kept_files
from robokit_plan.edge.cache import Cache, cache_file
from robokit_plan.edge.kept_rows import HEAD
from robokit_plan.resolve.debian import _resolve as debian
from robokit_plan.resolve.python import _resolve as python
from tests.cli.skiff import LEAK, ROBOT, Skiff
from tests.edge.index_server import wheel

Check = Callable[..., Any]


@pytest.fixture(name="check")
def _check(
    skiff: Skiff, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Check:
    """Return what ``check`` plans, with the questions that were really solved under `solved`."""
    solved: list[str] = []
    for home, name in ((python, "resolve_python"), (debian, "resolve_debian")):
        whole = getattr(home, name)

        def noted(asked: Any, rows: Any, whole: Any = whole, name: str = name) -> Any:
            solved.append(name)
            return whole(asked, rows)

        monkeypatch.setattr(home, name, noted)

    def check(*words: str, command: str = "check") -> dict[str, Any]:
        solved.clear()
        capsys.readouterr()
        status = run([command, *words, "--json"])
        found = json.loads(capsys.readouterr().out)
        return {"status": status, "said": found, "solved": set(solved)}

    assert skiff.root == Path.cwd()
    return check


BOTH = {"resolve_python", "resolve_debian"}


def anew(check: Check, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, *words: str) -> Any:
    """Return what is planned with nothing known."""
    with monkeypatch.context() as here:
        here.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / f"empty-{time.time_ns()}"))
        found = check(*words)
    assert found["solved"] == BOTH
    return found["said"]


def test_an_edit_that_asks_nothing_new_solves_nothing(
    skiff: Skiff, check: Check, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Another line, another order, a comment: the plan is the one that planning anew gives."""
    assert check()["solved"] == BOTH
    for text in (
        ROBOT + "# one more line\n",
        ROBOT + "wiring: {leak.float: gpio27}\n",
        ROBOT.replace("profiles: {bench: [leak]}\n", ""),
    ):
        skiff.write("robot.yaml", text)
        asked = len(skiff.index.seen), len(skiff.mirror.seen)
        found = check()
        assert found["solved"] == set(), text
        assert (len(skiff.index.seen), len(skiff.mirror.seen)) == asked
        assert found["said"] == anew(check, monkeypatch, tmp_path)


def test_only_the_side_that_is_asked_anew_is_solved(
    skiff: Skiff, check: Check, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What packages are asked for is part of Python's question; the other way round it is not."""
    check()
    skiff.plugin("leak", LEAK.replace("alpha>=1", "alpha>=0.5"))
    found = check()
    assert found["solved"] == {"resolve_python"}
    assert found["said"] == anew(check, monkeypatch, tmp_path)


@pytest.mark.parametrize(
    "manifest",
    [LEAK.replace("alpha>=1", "alpha>=0.5"), "\n" + LEAK, LEAK + "summary-x: y\n"],
    ids=["requirement", "line", "unknown key"],
)
def test_findings_keep_their_places(
    skiff: Skiff, check: Check, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, manifest: str
) -> None:
    """A requirement that moved by a line is another question: its place may be told."""
    check()
    skiff.plugin("leak", manifest)
    assert check()["said"] == anew(check, monkeypatch, tmp_path)


def test_a_plan_with_an_error_is_known_too(
    skiff: Skiff, check: Check, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    skiff.plugin("leak", LEAK.replace("alpha>=1", "alpha>=7"))
    skiff.plugin("post", "debian: {packages: [mosquito]}\n")
    first = check()
    assert first["status"] == 1
    skiff.write("robot.yaml", ROBOT + "# again\n")
    found = check()
    assert found["solved"] == set()
    assert found["said"] == anew(check, monkeypatch, tmp_path)
    assert found["said"]["findings"] == first["said"]["findings"]


def test_another_page_is_another_question(skiff: Skiff, check: Check) -> None:
    """Whoever read the page anew: what was answered over the old one is not taken."""
    check()
    skiff.index.add(
        "alpha",
        {f"alpha-{one}-py3-none-any.whl": wheel("alpha", one) for one in ("1.0", "1.1")},
    )
    with Cache(cache_file(os.environ)) as cache:
        url = f"{skiff.index.url}/simple/alpha/"
        cache.put(HEAD, url, json.dumps([0, "", "", False, "", True]).encode())
    skiff.write("robot.yaml", ROBOT + "# edited\n")
    found = check()
    assert "resolve_python" in found["solved"]
    assert "1.1" in json.dumps(found["said"]["python"])


def test_old_pages_are_asked_for_again(
    skiff: Skiff, check: Check, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page holds for ten minutes where its server does not say; offline it holds."""
    check()
    now = time.time()
    monkeypatch.setattr("robokit_plan.app.solved.time.time", lambda: now + 601)
    skiff.write("robot.yaml", ROBOT + "# edited\n")
    assert check("--offline")["solved"] == set()
    assert check()["solved"] == {"resolve_python"}


def test_another_index_is_another_question(skiff: Skiff, check: Check) -> None:
    check()
    (skiff.home / "pip.conf").write_text(f"[global]\nindex-url = {skiff.index.url}/simple/\n")
    skiff.write("robot.yaml", ROBOT + "# edited\n")
    assert check()["solved"] == set(), "the same address, written another way"
    path = skiff.home / "pip.conf"
    path.write_text(path.read_text() + f"extra-index-url = {skiff.index.url}/other\n")
    assert "resolve_python" in check()["solved"]


def test_another_archive_is_another_question(skiff: Skiff, check: Check, tmp_path: Path) -> None:
    check()
    (path,) = (tmp_path / "cache/debian").glob("release-*.json")
    known = json.loads(path.read_bytes())
    path.write_text(json.dumps({**known, "why": "seen by another eye"}))
    skiff.write("robot.yaml", ROBOT + "# edited\n")
    assert check()["solved"] == {"resolve_debian"}


def test_another_state_of_this_tool_knows_nothing(
    skiff: Skiff, check: Check, monkeypatch: pytest.MonkeyPatch
) -> None:
    check()
    monkeypatch.setattr(kept_files, "tool_state", lambda *_: ["another"])
    skiff.write("robot.yaml", ROBOT + "# edited\n")
    assert check()["solved"] == BOTH


def test_code_that_changed_just_now_keeps_nothing(
    skiff: Skiff, check: Check, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Part of it may have been imported before the change."""
    state = kept_files.FilesState("x", time.time() - 1)
    monkeypatch.setattr(kept_files, "files_state", lambda *_: state)
    monkeypatch.setattr("robokit_plan.app.check.find_answer", lambda *_: None)
    check()
    skiff.write("robot.yaml", ROBOT + "# edited\n")
    assert check()["solved"] == BOTH


def test_a_damaged_answer_is_solved_again(skiff: Skiff, check: Check) -> None:
    """Whatever became of what is kept: cut, changed, emptied."""
    check()
    with closing(sqlite3.connect(cache_file(os.environ))) as file, file:
        file.execute("UPDATE entry SET form=0, value=x'5b5d' WHERE kind LIKE '%-answer-1'")
    skiff.write("robot.yaml", ROBOT + "# edited\n")
    assert check()["solved"] == BOTH
    skiff.write("robot.yaml", ROBOT + "# edited again\n")
    assert check()["solved"] == set()
