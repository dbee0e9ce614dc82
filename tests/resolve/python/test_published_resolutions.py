"""resolvelib's own functional cases, run through our provider over a snapshot with gaps."""

from __future__ import annotations

import gzip
import json
import re
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from packaging.markers import Marker
from packaging.utils import InvalidWheelFilename, parse_wheel_filename
from packaging.version import Version

from .fake_python_index import TRIXIE, FakeIndex, Rel, answer_of, ask, problem, versions
from .judge import Judge, Rows

# Source: tests/standards/resolvelib/README.md
FOLDER = Path(__file__).parents[2] / "standards" / "resolvelib"
CASES = sorted(path.name for path in (FOLDER / "case").glob("*.json"))


def _case(file: str) -> dict[str, Any]:
    return json.loads((FOLDER / "case" / file).read_text())  # type: ignore[no-any-return]


@cache
def _index(file: str) -> FakeIndex:
    """
    Every version as one pure wheel: the frozen indexes hold no tags.

    Their own provider asks for no requirement with a marker unless an extra was asked for, and
    the published answers rest on that, so such requirements are dropped here too.
    """
    raw = json.loads(gzip.decompress((FOLDER / "index" / f"{file}.json.gz").read_bytes()))
    return FakeIndex().add(
        {
            project: {
                version: Rel(
                    requires=tuple(filter(_counts, row["dependencies"])),
                    # Its authors' reader takes an extra for declared that a marker names.
                    extras=tuple(
                        re.findall(r"extra *== *['\"]([^'\"]+)", str(row["dependencies"]))
                    ),
                )
                for version, row in rows.items()
            }
            for project, rows in raw.items()
            if isinstance(rows, dict)
        }
    )


def _rows(file: str) -> Rows:
    """Return what `_index` holds, as the judge reads it; what no file name can spell is left out."""
    found: dict[str, list[dict[str, Any]]] = {}
    index = _index(file)
    for name, pages in index.pages.items():
        for one in (file for page in pages for file in page.files):
            with suppress(InvalidWheelFilename):
                parse_wheel_filename(one.filename)
                requires = index.metadata[one.key].requires_dist
                found.setdefault(name, []).append({"file": one.filename, "requires": requires})
    return found


def _counts(requirement: str) -> bool:
    return ";" not in requirement or "extra" in requirement.split(";", 1)[1]


def _expected(case: dict[str, Any]) -> dict[str, str]:
    found = {}
    for key, value in case["resolved"].items():
        row = value if isinstance(value, dict) else {"version": value}
        marker = row.get("marker")
        if not marker or Marker(marker).evaluate({**TRIXIE.markers, "extra": ""}):
            found[key.replace("_", "-")] = row["version"]
    return found


@pytest.mark.parametrize("file", [one for one in CASES if _case(one).get("resolved")])
def test_resolved(file: str) -> None:
    """The published versions, exactly, and nothing else."""
    case = _case(file)
    index = _index(case["index"])
    answer = answer_of(problem(*case["requested"]), index)
    assert [one for one in answer.findings if one.severity.value == "error"] == []
    got = {name: Version(version) for name, version in versions(answer).items()}
    assert got == {name: Version(version) for name, version in _expected(case).items()}


@pytest.mark.parametrize("file", [one for one in CASES if "conflicted" in _case(one)])
def test_conflicted(file: str) -> None:
    """What its authors call conflicted stands in our finding."""
    case = _case(file)
    index = _index(case["index"])
    asked = [ask(text, f"p{number}") for number, text in enumerate(case["requested"])]
    answer = answer_of(problem(*asked), index)
    told = " ".join(
        f"{one.message} {one.resource} {' '.join(one.why)}"
        for one in answer.findings
        if one.severity.value == "error"
    )
    for name in case["conflicted"]:
        assert name in told


def test_the_case_its_authors_give_up_on() -> None:
    """pyrax 1.9.8, which they mark as taking too many rounds, cannot be had; CP-SAT agrees."""
    case = _case("pyrex-1.9.8.json")
    index = _index(case["index"])
    answer = answer_of(problem(*case["requested"]), index)
    assert [one.rule for one in answer.findings] == ["python-conflict"]
    assert len(index.rounds) < 30
    judge = Judge(_rows(case["index"]), TRIXIE)
    assert not judge.holds(case["requested"])
    # What the judge was given is no empty index.
    assert judge.holds(["pbr", "oslo-i18n", "python-novaclient==2.27.0"]) is False
    assert judge.holds(["pbr", "oslo-i18n"])
