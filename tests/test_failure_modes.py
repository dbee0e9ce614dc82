"""The failures of real installs, each with the rule and the case that foretell it, or why not."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge.rules import read_rules
from tests import plain_yaml
from tests.casebook import read_cases
from tests.resolve.python.fake_python_index import (
    FACTS,
    TRIXIE,
    FakeIndex,
    Rel,
    answer_of,
    problem,
)

TESTS = Path(__file__).parent
MODES: list[Mapping[str, Any]] = plain_yaml.load(
    (TESTS / "cases" / "failure_modes.yaml").read_text("utf-8")
)
SHOWN = {(rule, case["name"]): case["expect"] for rule, case in read_cases()}
OURS = {
    *(f"A{number}" for number in range(1, 26)),
    *(f"B{number}" for number in (1, 2, 3, 4, 5, 12)),
    *(f"D{number}" for number in (1, 2, 4, 5, 6, 10)),
    "E5",
    *(f"F{number}" for number in range(1, 10)),
}
"""Those that the plan decides; the others meet the install script."""


def test_each_has_its_entry() -> None:
    """None is forgotten, none stands twice, and each has one answer and a source."""
    ids = [mode["id"] for mode in MODES]
    assert sorted(ids) == sorted(OURS)
    for mode in MODES:
        assert mode["source"], mode["id"]
        assert len({"foretold", "prevented", "why-not"} & mode.keys()) == 1, mode["id"]


@pytest.mark.parametrize(
    ("mode", "rule", "case"),
    [
        pytest.param(mode["id"], rule, case, id=f"{mode['id']} {rule}")
        for mode in MODES
        for rule, case in mode.get("foretold", {}).items()
    ],
)
def test_foretold(mode: str, rule: str, case: str) -> None:
    """
    The rule is in the catalogue, and the case shows it.

    That the case reads so is held by test_findings.py and test_conflicts.py, to the letter.
    """
    assert rule in read_rules(), mode
    if case.startswith("conflicts/"):
        frozen = plain_yaml.load((TESTS / "cases" / f"{case}.yaml").read_text("utf-8"))
        expect = frozen["expect"]
    else:
        expect = SHOWN[rule, case]
    assert f" {rule}: " in expect


@pytest.mark.parametrize(
    "mode", [mode for mode in MODES if "prevented" in mode], ids=lambda mode: mode["id"]
)
def test_prevented(mode: Mapping[str, Any]) -> None:
    """The test that holds it is there."""
    file, _, function = mode["test"].partition("::")
    assert f"def {function}(" in (TESTS / file).read_text("utf-8")


def test_what_is_loaded_by_name_is_planned() -> None:
    """
    A pure wheel that loads a C library brings that library's package.

    Source: spatialaudio/python-sounddevice issue 126; Debian 13 package lists (libportaudio2).
    """
    index = FakeIndex().add({"sounddevice": {"0.5.2": Rel(modules=("sounddevice",))}})
    answer = answer_of(problem("sounddevice", facts=FACTS, target=TRIXIE), index)
    assert [(need.distribution, need.run) for need in answer.native] == [
        ("sounddevice", ("libportaudio2",))
    ]
