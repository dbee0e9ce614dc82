"""
Real conflicts of the indices, frozen: what is told, and that each reported set is a smallest one.

The cases in tests/cases/conflicts were recorded by tests/record_conflict.py; their texts were
read and agreed to by a person. The judges share no code with the search: CP-SAT for Python, apt
itself for Debian. Both are asked about the whole set, and about the set without each of its members.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.model import Finding, Severity
from robokit_plan.render import render_findings_text
from robokit_plan.resolve.python import target_for
from tests import plain_yaml
from tests.casebook import findings_of, fixes_of, kept_facts, typed
from tests.resolve.debian.small_archive import local_apt, package, paragraphs
from tests.resolve.python.judge import Judge

FOLDER = Path(__file__).parent / "cases" / "conflicts"
CASES: dict[str, Mapping[str, Any]] = {
    file.stem: plain_yaml.load(file.read_text("utf-8")) for file in sorted(FOLDER.glob("*.yaml"))
}
FIXES = [(name, fix) for name, case in CASES.items() for fix in fixes_of(case["expect"])]


@pytest.fixture(scope="module", autouse=True)
def _facts_once() -> Iterator[None]:
    with kept_facts():
        yield


def _errors(case: Mapping[str, Any], folder: Path) -> list[Finding]:
    return [one for one in findings_of(case, folder) if one.severity is Severity.ERROR]


def _asked(found: Finding) -> list[str]:
    """Return what the finding says that plugins ask for; each is one member of its set."""
    labels = [re.search(r"asks (?:Debian )?for (.+)$", place.label) for place in found.places]
    return sorted({one[1].partition(", ")[0] for one in labels if one is not None})


@pytest.mark.parametrize("name", CASES)
def test_explanation(name: str, tmp_path: Path) -> None:
    """The explanation is the reviewed one, to the letter."""
    assert render_findings_text(_errors(CASES[name], tmp_path)) == CASES[name]["expect"]


@pytest.mark.parametrize("name", CASES)
def test_reads_like_a_colleague(name: str) -> None:
    """One sentence says what and who, the chain is short, and no word of a solver is in it."""
    for block in CASES[name]["expect"].split("\n\n"):
        lines = block.splitlines()
        assert len([line for line in lines if line.startswith("  why  ")]) <= 4
        assert [line for line in lines if line.startswith("  fix  ")]
        assert not re.search(
            r"ResolutionImpossible|unsat|clause|backtrack|criterion|Unable to correct", block
        )


@pytest.mark.parametrize(
    "name", [name for name, case in CASES.items() if "python" in case and "debian" not in case]
)
def test_python_set_is_least(name: str, tmp_path: Path) -> None:
    """CP-SAT finds nothing for the set, and something for it without any one member."""
    case = CASES[name]
    target = target_for(_release(case), "arm64", "debian", None, read_python_facts())
    judge = Judge(case["python"], target)
    _least(_errors(case, tmp_path), judge.holds)


@pytest.mark.skipif(shutil.which("apt-get") is None, reason="apt is not on this machine")
@pytest.mark.parametrize(
    "name", [name for name, case in CASES.items() if "debian" in case and "python" not in case]
)
def test_debian_set_is_least(name: str, tmp_path: Path) -> None:
    """Apt refuses the set, and takes it without any one member."""
    case = CASES[name]
    packages = [package(fields) for fields in paragraphs(case["debian"])]
    base = [one for one in packages if one.name in case["base"]]
    apt = local_apt(tmp_path / "apt", packages, base)
    (tmp_path / "robot").mkdir()
    _least(_errors(case, tmp_path / "robot"), lambda some: apt.satisfy(some) is not None)


@pytest.mark.skipif(shutil.which("apt-get") is None, reason="apt is not on this machine")
@pytest.mark.parametrize(
    "name", [name for name, case in CASES.items() if "python" in case and "debian" in case]
)
def test_set_across_both_is_least(name: str, tmp_path: Path) -> None:
    """
    What apt would add for the Debian members binds numpy, and CP-SAT judges the rest within that.

    Source: NumPy 2.0 release notes (extensions compiled against 1.x do not load beside 2);
    Provides of python3-numpy in Debian 12 (python3-numpy-abi9).
    """
    case = CASES[name]
    stanzas = paragraphs(case["debian"])
    apt = local_apt(tmp_path / "apt", [package(fields) for fields in stanzas], ())
    judge = Judge(
        case["python"], target_for(_release(case), "arm64", "debian", None, read_python_facts())
    )
    names = {fields["Package"] for fields in stanzas}
    compiled = {
        fields["Package"] for fields in stanzas if "python3-numpy-abi9" in fields.get("Depends", "")
    }

    def holds(some: Iterable[str]) -> bool:
        of_debian = [one for one in some if one.split()[0] in names]
        added = apt.satisfy(of_debian) if of_debian else ({}, [])
        assert added is not None
        bounds = ["numpy<2"] if compiled & added[0].keys() else []
        return judge.holds([one for one in some if one not in of_debian], bounds)

    (tmp_path / "robot").mkdir()
    _least(_errors(case, tmp_path / "robot"), holds)


@pytest.mark.parametrize(("name", "fix"), FIXES, ids=[f"{name}: {fix}" for name, fix in FIXES])
def test_repair_mends(name: str, fix: str, tmp_path: Path) -> None:
    """
    Whoever types a repair is rid of the conflict.

    Of the rest of the index there may be too little left to build an archive with.
    """
    mended = typed(CASES[name], fix)
    assert mended is not None, "every repair of a conflict can be typed"
    rules = {line.split()[1] for line in CASES[name]["expect"].splitlines() if line[:1].isalpha()}
    assert {f"{one.rule}:" for one in _errors(mended, tmp_path)} & rules == set()


def test_there_are_enough() -> None:
    """At least twelve, three of them of Debian and one across both worlds."""
    assert len(CASES) >= 12
    assert sum("debian" in case and "python" not in case for case in CASES.values()) >= 3
    assert sum("debian" in case and "python" in case for case in CASES.values()) >= 1


def _release(case: Mapping[str, Any]) -> str:
    return str(plain_yaml.load(case["robot"])["system"]["release"])


def _least(found: Sequence[Finding], holds: Callable[[Iterable[str]], bool]) -> None:
    assert found
    for one in found:
        asked = _asked(one)
        assert asked
        assert not holds(asked), f"{asked} can hold together"
        for member in asked:
            rest = [other for other in asked if other != member]
            assert holds(rest), f"{rest} cannot hold together either"
