"""Every finding, word for word: tests/cases/findings holds what a person would read."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

import robokit_plan
from robokit_plan.edge.rules import read_rules
from robokit_plan.model import Severity
from robokit_plan.render import render_findings_text
from tests.casebook import findings_of, fixes_of, kept_facts, read_cases, typed

CASES = read_cases()

ELSEWHERE: dict[str, str] = {
    "address-missing": "test_findings_elsewhere.py::test_address_missing",
    "archive-date-odd": "edge/test_debian_archive.py::test_dates",
    "archive-expired": "edge/test_debian_archive.py::test_dates",
    "archive-stale": "edge/test_debian_archive.py::test_mirror_that_is_down_later",
    "archive-suite-missing": "edge/test_debian_archive.py::test_security_suite_that_nobody_has",
    "archive-unverified": "edge/test_debian_archive.py::test_unverified_says_why",
    "console-line": "test_findings_elsewhere.py::test_console_line",
    "debian-unplanned": "test_findings_elsewhere.py::test_debian_unplanned",
    "lock-stale": ("cli/test_stale_lock.py::test_a_change_is_told_and_refused_until_it_is_locked"),
    "places-let-go": ("cli/test_stale_lock.py::test_another_chip_lets_go_of_the_former_ones_pins"),
    "python-search-too-long": (
        "resolve/python/test_python_search.py::test_a_search_that_would_take_too_long"
    ),
}
"""Rule -> the test that shows it, where no robot's files alone can bring it about."""

READING = frozenset(
    {
        "claim-unknown",
        "duplicate-key",
        "file-unreadable",
        "instance-unknown",
        "line-missing",
        "plugin-unknown",
        "port-unknown",
        "schema",
        "unknown-key",
        "variant-unknown",
        "yaml-surprise",
    }
)
"""Rules that say that something was typed wrong."""


@pytest.fixture(scope="module", autouse=True)
def _facts_once() -> Iterator[None]:
    with kept_facts():
        yield


def _repairs() -> Iterator[tuple[str, Mapping[str, Any], str]]:
    """Yield each repair that a case shows and that can be typed as it stands."""
    for rule, case in CASES:
        for fix in dict.fromkeys(fixes_of(case["expect"])):
            if typed(case, fix) is not None:
                yield rule, case, fix


REPAIRS = tuple(_repairs())


@pytest.mark.parametrize(
    ("rule", "case"), CASES, ids=[f"{rule}: {case['name']}" for rule, case in CASES]
)
def test_case_reads_as_expected(rule: str, case: Mapping[str, Any], tmp_path: Path) -> None:
    """The findings of the rule are those of the case, to the letter."""
    found = [one for one in findings_of(case, tmp_path) if one.rule == rule]
    assert render_findings_text(found, notes=True) == case["expect"]


@pytest.mark.parametrize(
    ("rule", "case", "fix"),
    REPAIRS,
    ids=[f"{rule}: {case['name']}: {fix}" for rule, case, fix in REPAIRS],
)
def test_repair_mends(rule: str, case: Mapping[str, Any], fix: str, tmp_path: Path) -> None:
    """Whoever types the repair has one finding less, and has typed nothing that is wrong."""
    mended = typed(case, fix)
    assert mended is not None
    found = findings_of(mended, tmp_path)
    own = [one for one in found if one.rule == rule]
    blocks = render_findings_text(own, notes=True)
    meant = next(
        block for block in case["expect"].split("\n\n") if f"  fix  {fix}" in block.splitlines()
    )
    assert meant.splitlines()[0] not in blocks.splitlines()
    if rule not in READING:
        assert [
            one for one in found if one.rule in READING and one.severity is Severity.ERROR
        ] == []


def test_most_rules_have_a_repair_that_is_tried() -> None:
    """Repairs are there to be typed: of two rules with one in words there is more than one tried."""
    assert len({rule for rule, _, _ in REPAIRS}) >= 40


def test_every_rule_has_a_case() -> None:
    """No rule is in the catalogue without a shown finding, none is shown that it lacks."""
    shown = {rule for rule, case in CASES if case["expect"]}
    assert sorted(read_rules()) == sorted(shown | set(ELSEWHERE))


def test_every_finding_in_the_code_is_in_the_catalogue() -> None:
    """What ``finding("NAME", ...)`` says can be looked up with ``rules NAME``."""
    known = set(read_rules())
    lacking = {
        str(node.args[0].value)
        for file in Path(robokit_plan.__file__).parent.rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in {"finding", "Rejection"}
        and node.args
        and isinstance(node.args[0], ast.Constant)
        and node.args[0].value not in known
    }
    assert lacking == set()


def test_tests_named_elsewhere_exist() -> None:
    """Each test that stands for a case is there, and speaks of the rule."""
    root = Path(__file__).parent
    for rule, name in ELSEWHERE.items():
        file, _, function = name.partition("::")
        text = (root / file).read_text("utf-8")
        body = text.partition(f"def {function}(")[2]
        assert body, name
        assert rule in text, name
