"""packaging's own tables of PEP 440, run through our choice of releases."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from packaging.version import InvalidVersion, Version

from robokit_plan.resolve.python._parsing import allows
from robokit_plan.resolve.python._releases import Project, View

from .fake_python_index import TRIXIE, FakeIndex, Rel, answer_of, name, problem, versions

# Source: tests/standards/packaging/README.md
DATA = json.loads(
    (Path(__file__).parents[2] / "standards" / "packaging" / "versions.json").read_text()
)
ORDER: list[str] = DATA["versions-in-order"]


def _project(found: list[str]) -> Project:
    index = FakeIndex().add({"p": {version: Rel() for version in found}})
    ranks = {tag: rank for rank, tag in enumerate(TRIXIE.tags)}
    return Project(
        name("p"),
        index.page(name("p")),
        View(ranks=ranks, python="3.13.5", as_of=None, sdist_only=False),
    )


def test_releases_stand_in_the_published_order() -> None:
    """Newest first; a hyphen cannot stand in a wheel's file name, so those two are left out."""
    listed = [version for version in ORDER if "-" not in version]
    assert len(listed) == len(ORDER) - 2
    shuffled = listed[:]
    random.Random(7).shuffle(shuffled)
    got = [one.file.filename.split("-")[1] for one in _project(shuffled).releases]
    # Some spell the same version twice (1.0rc1, 1.0c1): compare as versions.
    assert [Version(text) for text in got] == [Version(text) for text in reversed(listed)]


@pytest.mark.parametrize(("version", "specifier", "expected"), DATA["specifiers"])
def test_specifiers(version: str, specifier: str, expected: bool) -> None:
    assert allows(specifier, Version(version)) is expected


def _valid(text: str) -> bool:
    try:
        Version(text)
    except InvalidVersion:
        return False
    return "-" not in text


@pytest.mark.parametrize(("specifier", "given", "expected"), DATA["filters"])
def test_filters(specifier: str, given: list[str], expected: list[str]) -> None:
    """Which releases count, pre-releases above all; what no file name can spell is left out."""
    if not all(_valid(text) for text in given):
        pytest.skip("not all of these are versions that a file name can spell")
    got = {one.version for one in _project(given).matches([specifier])}
    assert got == {Version(text) for text in expected}


def test_the_newest_of_what_is_left_is_taken() -> None:
    index = FakeIndex().add({"p": {"1.0": [], "2.0a1": [], "1.1.dev3": []}})
    assert versions(answer_of(problem("p"), index)) == {"p": "1.0"}
    assert versions(answer_of(problem("p>=1.1.dev1"), index)) == {"p": "2.0a1"}
    assert versions(answer_of(problem("p>1.0"), index)) == {"p": "2.0a1"}
