"""The command `suggest` over the frozen world: what is typed, printed, and how it ends."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from robokit_plan.app import planning
from robokit_plan.edge.python_index import IndexUnreachable
from robokit_plan.model import Need
from tests.cli.conftest import Command, FrozenWorld

SETS = """\
plugins that go together
  4 instances looked at, hardware, behaviour and software: all 2 sets that nothing can join, the
  largest first
  in each  2  horn, log
  set 1    3  and leak
  set 2    3  and mast

cannot go together
  leak and mast  pin-collision: gpio17 is claimed twice

one plugin more
  plugin  fits  to fetch  installs  takes
  log     yes   10 kB     1 Python  nothing
  mast    no    10 kB     1 Python  nothing

what stands against it
  mast  pin-collision: gpio17 is claimed twice

what it changes besides
  log  changes alpha 2.0 to 1.0
"""
# Read off the case in conftest.py: leak and mast name one line; beta wants alpha<2, which leak
# allows, so log moves alpha from 2.0 to 1.0 and adds beta, a file of 10 kB.


def test_text_says_sets_and_cost(dinghy: Path, command: Command) -> None:
    """Sets, what cannot go together, and the price of one more, as a person reads it."""
    before = sorted(dinghy.rglob("*"))
    done = command("suggest")
    assert (done.status, done.err) == (0, ""), done
    assert done.out.startswith("dinghy on raspberrypi,4-model-b\n\nfree\n  lines ")
    assert "other places\n  no claim and no variant leaves a choice\n" in done.out
    assert done.out[done.out.index("plugins that go together") :] == SETS
    assert sorted(dinghy.rglob("*")) == before, "nothing is written"


def test_json_has_the_same_answers(dinghy: Path, command: Command) -> None:
    """Other programs read what a person reads."""
    done = command("suggest", "--json")
    assert done.status == 0
    found = json.loads(done.out)
    assert found["robot"] == "dinghy"
    together = found["together"]
    assert together["sets"] == [["horn", "leak", "log"], ["horn", "log", "mast"]]
    assert (together["more"], together["stopped"], together["software"]) == (False, False, True)
    log, mast = found["costs"]
    assert (log["name"], log["fits"], log["fetch"]) == ("log", True, 10_000)
    assert [one["name"] for one in log["python"]] == ["beta"]
    assert log["debian"] == []
    assert log["changes"] == [{"name": "alpha", "from": "2.0", "to": "1.0"}]
    assert [one["rule"] for one in mast["against"]] == ["pin-collision"]
    assert "gpio17" not in {
        one["name"] for kind in found["free"] if kind["kind"] == "lines" for one in kind["items"]
    }


def test_the_lock_file_is_what_things_are_added_to(dinghy: Path, command: Command) -> None:
    """What is locked stays, and what it lacks is told."""
    assert command("lock").status == 0
    assert command("suggest").out.endswith("log  changes alpha 2.0 to 1.0\n")


def test_without_software_no_index_is_opened(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--no-software` needs neither network nor cache."""

    def refused(*_: object, **__: object) -> None:
        raise AssertionError("an index was opened")

    monkeypatch.setattr(planning, "World", refused)
    found = json.loads(command("suggest", "--no-software", "--json").out)
    assert found["together"]["software"] is False
    assert [one["python"] for one in found["costs"]] == [None, None]
    assert len(found["together"]["sets"]) == 2
    assert command("suggest", "mast.lamp").status == 0, "a claim needs no index either"


def test_an_index_that_refuses_later_leaves_software_out(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The robot itself is planned; what is not enabled is told by its hardware, with a note."""

    class Flaky(FrozenWorld):
        def learn(self, need: Need) -> None:
            if "beta" in need.pages:
                raise IndexUnreachable(
                    "the index does not answer", index="default", why="test", repair=()
                )
            super().learn(need)

    monkeypatch.setattr(planning, "World", Flaky)
    done = command("suggest", "--json")
    assert done.status == 0
    assert done.err == "note: software was not looked at everywhere: the index does not answer\n"
    found = json.loads(done.out)
    assert found["together"]["software"] is False
    assert [one["fetch"] for one in found["costs"]] == [None, None]


def test_an_index_that_refuses_the_robot_itself_is_an_outside_failure(
    dinghy: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As for `check`: exit status 3."""

    class Dead(FrozenWorld):
        def learn(self, need: Need) -> None:  # noqa: ARG002  stands in for World.learn
            raise IndexUnreachable(
                "the index does not answer", index="default", why="test", repair=()
            )

    monkeypatch.setattr(planning, "World", Dead)
    done = command("suggest")
    assert done.status == 3
    assert done.err.startswith("error the index does not answer\n")


def test_one_claim_is_told_with_what_to_type(dinghy: Path, command: Command) -> None:
    """A plugin that is not enabled is looked at as if it were; its entry is a repair."""
    done = command("suggest", "mast.lamp")
    assert done.status == 0
    lines = done.out.splitlines()
    assert lines[2] == "mast.lamp found no place"
    assert lines[3].split() == ["place", "in", "robot.yaml", "who", "moves", "remark"]
    row = next(line for line in lines if line.startswith("  gpio22 "))
    assert "(15)" in row
    assert "mast.lamp: gpio22" in row
    robot = dinghy / "robot.yaml"
    robot.write_text(robot.read_text("utf-8") + "wiring: {mast.lamp: gpio22}\n", "utf-8")
    assert command("enable", "mast", "--dry-run").status == 0, "typed, it is a repair"


def test_a_claim_that_does_not_exist_is_wrong_use(dinghy: Path, command: Command) -> None:
    """The nearest is offered, as a command."""
    done = command("suggest", "mast.lampe")
    assert done.status == 2
    assert done.err == (
        "error no plugin in reach has a claim mast.lampe\n"
        "  why  a claim is named as under wiring: instance.claim\n"
        "  fix  robokit-plan suggest mast.lamp\n"
    )


def test_a_claim_without_a_place_is_wrong_use(dinghy: Path, command: Command) -> None:
    """A load on a supply is nowhere on the header."""
    manifest = dinghy / "plugins" / "horn" / "manifest.yaml"
    manifest.write_text(
        manifest.read_text("utf-8") + "hardware: {power: {coil: {supply: 5V, peak-ma: 40}}}\n",
        "utf-8",
    )
    done = command("suggest", "horn.coil")
    assert done.status == 2
    assert done.err.startswith("error horn.coil has no place that could be another\n")


def test_a_profile_is_what_one_more_is_added_to(dinghy: Path, command: Command) -> None:
    """Profile bench enables leak and horn too; its answers are those of the robot."""
    found = json.loads(command("suggest", "--profile", "bench", "--json").out)
    assert found["profile"] == "bench"
    assert [one["name"] for one in found["costs"]] == ["log", "mast"]


def test_a_plugin_with_a_broken_manifest_fits_nowhere(dinghy: Path, command: Command) -> None:
    """Reading is mild about what is not enabled; enabling it would not be."""
    manifest = dinghy / "plugins" / "log" / "manifest.yaml"
    manifest.write_text(manifest.read_text("utf-8") + "colour: red\n", "utf-8")
    found = json.loads(command("suggest", "--json").out)
    assert found["together"]["nowhere"][0]["plugins"] == ["log"]
    log = next(one for one in found["costs"] if one["name"] == "log")
    assert [one["rule"] for one in log["against"]] == ["unknown-key"]


def test_the_same_robot_gives_the_same_text(dinghy: Path, command: Command) -> None:
    """Byte for byte."""
    assert command("suggest").out == command("suggest").out
