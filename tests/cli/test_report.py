"""The page that the command writes: its switches say what enable, disable and check say."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.app import planning
from robokit_plan.edge._index_errors import IndexTrouble
from robokit_plan.model import Need
from tests.cli.conftest import Command, FrozenWorld
from tests.render.pages import page_of


def switches(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(page_of(path.read_text("utf-8")).raw["switch-data"])
    return found


def told(found: dict[str, Any], indices: list[int]) -> list[tuple[Any, ...]]:
    """Return findings of the page in the form of `rows`."""
    return [
        (
            one["severity"],
            one["rule"],
            one["message"],
            one["why"],
            one["repair"],
            one["places"],
        )
        for one in (found["findings"][at] for at in indices)
    ]


def rows(checked: dict[str, Any]) -> list[tuple[Any, ...]]:
    """Return findings of `check --json`."""
    return [
        (
            one["severity"],
            one["rule"],
            one["message"],
            one["why"],
            one["repair"],
            [
                [
                    f"{at['file']}:{at['line']}:{at['column']}" if at["line"] else at["file"],
                    at["label"],
                ]
                for at in one["places"]
            ],
        )
        for one in checked["findings"]
    ]


def test_it_writes_one_page_beside_the_robot_file_and_nothing_else(
    dinghy: Path, command: Command
) -> None:
    before = {path: path.read_bytes() for path in dinghy.rglob("*") if path.is_file()}
    done = command("report")
    assert (done.status, done.out, done.err) == (0, "", "wrote report-dinghy.html\n")
    page = dinghy / "report-dinghy.html"
    after = {path: path.read_bytes() for path in dinghy.rglob("*") if path.is_file()}
    assert after.pop(page)
    assert after == before


@pytest.mark.parametrize("profile", [None, "bench"])
def test_each_switch_says_what_check_says_after_its_command(
    dinghy: Path, command: Command, profile: str | None
) -> None:
    """Every one of them, by doing it: the whole finding, places and repairs too."""
    tail = () if profile is None else ("--profile", profile)
    command("report", *tail)
    name = "report-dinghy.html" if profile is None else "report-dinghy-bench.html"
    found = switches(dinghy / name)
    assert told(found, found["base"]["findings"]) == rows(
        json.loads(command("check", "--json", *tail).out)
    )
    assert [(one["name"], one["on"]) for one in found["switches"]] == [
        ("horn", True),
        ("leak", True),
        ("log", False),
        ("mast", False),
    ]
    robot = dinghy / "robot.yaml"
    text = robot.read_text("utf-8")
    errors = 0
    for one in found["switches"]:
        words = one["command"].split()
        assert words[0] == "robokit-plan"
        command(*words[1:], "--yes")
        done = command("check", "--json", *tail)
        checked = json.loads(done.out)
        assert told(found, one["findings"]) == rows(checked), one["name"]
        assert one["ok"] is checked["ok"] is (done.status == 0)
        errors += not one["ok"]
        robot.write_text(text, "utf-8")
        for lock in dinghy.glob("pylock.*"):
            lock.unlink()
    assert errors == 2, "horn off leaves no alarm, mast on takes the line of leak"


def test_the_diff_of_a_switch_is_that_of_its_command(dinghy: Path, command: Command) -> None:
    command("report")
    (log,) = (
        one for one in switches(dinghy / "report-dinghy.html")["switches"] if one["name"] == "log"
    )
    shown = json.loads(command("enable", "log", "--dry-run", "--json").out)["diff"]
    assert [[row[1], row[2], row[3]] for row in log["rows"]] == [
        [one["item"], one["now"] or "none", one["after"] or "none"] for one in shown["changes"]
    ]
    assert ["Python", "alpha", "2.0", "1.0", "log"] in log["rows"]


def test_same_robot_same_bytes(dinghy: Path, command: Command) -> None:
    pages = []
    for name in ("one.html", "two.html"):
        assert command("report", "--out", name).err == f"wrote {name}\n"
        pages.append((dinghy / name).read_bytes())
    assert pages[0] == pages[1]
    assert command("report", "--out", "-").out.encode() == pages[0]


def test_it_says_by_its_status_that_the_robot_cannot_be_built(
    dinghy: Path, command: Command
) -> None:
    """The page is written all the same: it shows what is wrong."""
    command("enable", "mast", "--yes")
    done = command("report")
    assert done.status == 1
    assert "cannot be built" in (dinghy / "report-dinghy.html").read_text("utf-8")


def test_a_switch_that_the_index_does_not_answer_says_so(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Forgetful(FrozenWorld):
        def learn(self, need: Need) -> None:
            if "beta" in need.pages:
                raise IndexTrouble(
                    "index.example does not answer", index="default", why="no route", repair=()
                )
            super().learn(need)

    monkeypatch.setattr(planning, "World", Forgetful)
    done = command("report", "--offline")
    assert done.status == 0, done
    found = {one["name"]: one for one in switches(dinghy / "report-dinghy.html")["switches"]}
    assert found["log"]["refused"] == "index.example does not answer: no route"
    assert "refused" not in found["horn"]


def test_a_robot_file_that_cannot_be_edited_says_so(dinghy: Path, command: Command) -> None:
    """An alias: to switch a plugin of the profile would switch it outside, too."""
    robot = dinghy / "robot.yaml"
    text = robot.read_text("utf-8")
    text = text.replace("enabled:\n", "enabled: &all\n").replace("[leak, horn]", "*all")
    robot.write_text(text, "utf-8")
    assert command("report", "--profile", "bench").status == 0
    found = switches(dinghy / "report-dinghy-bench.html")["switches"]
    assert len(found) == 4
    for one in found:
        assert "profiles.bench repeats a list from further up" in one["refused"]


def test_collisions_of_any_switches_are_known_beforehand(dinghy: Path, command: Command) -> None:
    """leak and mast want one line; log and leak agree on an older alpha."""
    command("report")
    found = switches(dinghy / "report-dinghy.html")
    assert found["clashes"] == [[["leak", "mast"], "pin-collision", "gpio17 is claimed twice"]]
    page = page_of((dinghy / "report-dinghy.html").read_text("utf-8"))
    assert "leak and mast do not go together: gpio17 is claimed twice" in "".join(page.texts)


def test_names_of_clashes_are_those_of_the_switches(dinghy: Path, command: Command) -> None:
    """In a profile, `enable` takes the plugin, whatever the robot calls it outside."""
    robot = dinghy / "robot.yaml"
    text = robot.read_text("utf-8").replace("  - horn", "  - horn\n  - {as: lamp, plugin: mast}")
    robot.write_text(text, "utf-8")
    command("report", "--profile", "bench")
    found = switches(dinghy / "report-dinghy-bench.html")
    assert [one["name"] for one in found["switches"]] == ["horn", "leak", "log", "mast"]
    assert [clash[0] for clash in found["clashes"]] == [["leak", "mast"]]
