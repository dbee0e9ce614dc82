"""The data files about Python hold together, and every row says who knows."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name

import robokit_plan
from robokit_plan.edge.rules import read_rules
from tests import plain_yaml

from .fake_python_index import FACTS

FOLDER = Path(robokit_plan.__file__).parent / "data" / "python"
FILES = sorted(path.name for path in FOLDER.glob("*.yaml"))


def _rows(value: Any, path: str = "") -> Any:
    """Yield every mapping that is a fact: what names a distribution, module, release or name."""
    if isinstance(value, dict):
        keys = {"distribution", "distributions", "module", "meant", "glibc", "machine", "python"}
        if keys & set(value):
            yield path, value
        for key, inner in value.items():
            yield from _rows(inner, f"{path}/{key}")
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from _rows(inner, f"{path}/{number}")


@pytest.mark.parametrize("file", FILES)
def test_every_fact_has_a_source(file: str) -> None:
    data = plain_yaml.load((FOLDER / file).read_text())
    assert [path for path, row in _rows(data) if not row.get("source")] == []


def test_names_and_specifiers_are_normal() -> None:
    names = [
        *FACTS.native,
        *FACTS.sdists,
        *FACTS.constraints,
        *FACTS.mistaken,
        *(one.meant for one in FACTS.mistaken.values()),
        *(name for one in FACTS.collisions for name in one.distributions),
        *(name for one in FACTS.modules.values() for name in one.distributions),
    ]
    assert [name for name in names if str(canonicalize_name(name)) != name] == []
    for natives in FACTS.native.values():
        for fact in natives:
            SpecifierSet(fact.versions)
            for releases in (fact.build, fact.run, fact.run_built, fact.instead):
                assert set(releases) <= set(FACTS.releases)
    for sdists in FACTS.sdists.values():
        for row in sdists:
            SpecifierSet(row.versions)
            for text in (*row.requires_dist, *(row.build_requires or ())):
                Requirement(text)
    for constraints in FACTS.constraints.values():
        for rule in constraints:
            SpecifierSet(rule.versions)
            assert bool(rule.requires) != rule.avoid
            for text in rule.requires:
                Requirement(text)


def test_standard_modules_by_python() -> None:
    """PEP 594: audioop, cgi, telnetlib left in 3.13; PEP 632: distutils in 3.12."""
    assert "audioop" in FACTS.standard["3.12"].modules
    assert "audioop" not in FACTS.standard["3.13"].modules
    assert "distutils" in FACTS.standard["3.11"].modules
    assert "distutils" not in FACTS.standard["3.12"].modules
    pep_594 = [
        "aifc",
        "audioop",
        "cgi",
        "cgitb",
        "chunk",
        "crypt",
        "imghdr",
        "mailcap",
        "msilib",
        "nis",
        "nntplib",
        "ossaudiodev",
        "pipes",
        "sndhdr",
        "spwd",
        "sunau",
        "telnetlib",
        "uu",
        "xdrlib",
    ]
    assert set(pep_594) <= set(FACTS.standard["3.13"].removed)


def test_every_rule_about_python_is_described() -> None:
    """A rule that the code tells stands in the catalogue, and no other does."""
    text = "".join(
        path.read_text()
        for path in (Path(robokit_plan.__file__).parent / "resolve" / "python").glob("*.py")
    )
    described = {rule for rule, entry in read_rules().items() if entry.domain == "python"}
    assert {rule for rule in described if f'"{rule}"' not in text} == set()
