"""Small archives, each with what must come out; the sources stand beside the cases."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from robokit_plan.resolve.debian import parse_relations
from robokit_plan.resolve.debian._search import Search
from robokit_plan.resolve.debian._universe import Universe
from tests import plain_yaml

from .small_archive import ARCHITECTURE, answer_of, archive_of, faults, pins_of, problem_of

CASES = plain_yaml.load((Path(__file__).parent / "cases.yaml").read_text("utf-8"))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_case(case: dict[str, Any]) -> None:
    """What is added, removed or refused is what the case says, whatever the wants' order."""
    archive = archive_of(case["archive"], installed=case.get("installed", ()))
    for wants in (case["want"], case["want"][::-1]):
        problem = problem_of(
            wants, recommends=case.get("recommends", False), locked=case.get("locked")
        )
        answer = answer_of(problem, archive)
        errors = [one for one in answer.findings if one.severity.value == "error"]
        if "refuses" in case:
            assert {one.rule: list(one.why) for one in errors} == case["refuses"]
            continue
        assert not errors
        assert pins_of(answer) == case["expect"]
        assert all(pin.wanted_by for pin in answer.pins)  # nothing comes for nobody's sake
        assert list(answer.removed) == case.get("removed", [])
        added = {
            pin.name: next(
                one for one in archive.rows[pin.name].packages if one.version == pin.version
            )
            for pin in answer.pins
        }
        everything = {**archive.base, **added}
        for name in answer.removed:
            del everything[name]
        assert faults(everything.values(), case["want"]) == []


def test_a_long_chain_of_needs() -> None:
    """Policy 7.2: all that is depended on, however deep; deeper than the walk looks ahead."""
    links = [f"Package: p{at:03}\nDepends: p{at + 1:03}" for at in range(400)]
    archive = archive_of("\n\n".join([*links, "Package: p400"]))
    answer = answer_of(problem_of(["p000"]), archive)
    assert pins_of(answer) == {f"p{at:03}": "1" for at in range(401)}


def test_the_search_passes_over_what_is_ruled_out() -> None:
    """Policy 7.4: what a chosen package conflicts with is no solution; the next alternative is."""
    archive = archive_of("""
Package: dd
Conflicts: bb

Package: aa
Depends: bb | cc | ee

Package: bb

Package: cc

Package: ee
""")
    universe = Universe(archive=archive, architecture=ARCHITECTURE, installed={})
    groups = [*parse_relations("dd", ARCHITECTURE), *parse_relations("aa", ARCHITECTURE)]
    packages = Search(universe, groups).solve([0, 1]).packages
    assert packages is not None
    assert sorted(packages) == ["aa", "cc", "dd"]


def test_what_moves_along_is_for_who_moved_it() -> None:
    """Policy 7.2: the old tool needs just the old library, so it moves for whoever needs the new one."""
    archive = archive_of(
        """
Package: lib
Version: 2

Package: lib
Version: 1

Package: tool
Version: 2
Depends: lib (= 2)

Package: tool
Version: 1
Depends: lib (= 1)

Package: aa

Package: bb
Depends: lib (>= 2)
""",
        installed=["lib=1", "tool=1"],
    )
    answer = answer_of(problem_of(["aa", "bb"]), archive)
    assert {pin.name: pin.wanted_by for pin in answer.pins} == {
        "aa": ("one",),
        "bb": ("two",),
        "lib": ("two",),
        "tool": ("two",),
    }


def test_pins_stand_in_order_with_what_each_leads_to() -> None:
    """Policy 7.2: Pre-Depends and Depends; what the card has already is no pin."""
    archive = archive_of(
        """
Package: zz
Depends: mm, dd, card
Pre-Depends: pp

Package: mm

Package: dd
Depends: mm

Package: pp
Recommends: mm

Package: card
""",
        installed=["card"],
    )
    answer = answer_of(problem_of(["zz", "mm"]), archive)
    assert [(pin.name, pin.direct, pin.requires) for pin in answer.pins] == [
        ("dd", False, ("mm",)),
        ("mm", True, ()),
        ("pp", False, ()),
        ("zz", True, ("dd", "mm", "pp")),
    ]


@pytest.mark.parametrize(
    ("locked", "version", "told"),
    [
        (None, "2", []),
        ("2", "2", []),
        ("1", "1", []),
        # Mirrors keep one version of each suite: what was locked is there no more.
        ("1.5", "2", ["aa 1.5 has left the archive, 2 takes its place"]),
    ],
)
def test_a_locked_version_that_is_gone_is_told(
    locked: str | None, version: str, told: list[str]
) -> None:
    archive = archive_of("Package: aa\nVersion: 2\n\nPackage: aa\nVersion: 1")
    answer = answer_of(problem_of(["aa"], locked={"aa": locked} if locked else None), archive)
    assert pins_of(answer) == {"aa": version}
    assert [one.message for one in answer.findings] == told


def test_a_locked_version_that_another_package_overrules_is_there_still() -> None:
    archive = archive_of(
        "Package: aa\nVersion: 2\n\nPackage: aa\nVersion: 1\n\nPackage: bb\nDepends: aa (>= 2)"
    )
    answer = answer_of(problem_of(["aa", "bb"], locked={"aa": "1"}), archive)
    assert pins_of(answer) == {"aa": "2", "bb": "1"}
    assert [one.rule for one in answer.findings] == []


def test_who_has_something_removed_is_named_alone() -> None:
    """Policy 7.4: what conflicts with a package of the card and is wanted has it removed."""
    archive = archive_of(
        "Package: aa\nConflicts: old\n\nPackage: bb\n\nPackage: old", installed=["old"]
    )
    answer = answer_of(problem_of(["bb", "aa"]), archive)
    assert answer.removed == ("old",)
    (one,) = [one for one in answer.findings if one.rule == "debian-base-removed"]
    assert one.plugins == ("two",)


LATE = """
Package: dd
Conflicts: bb
Recommends: extra

Package: aa
Depends: bb | cc

Package: bb

Package: cc
Recommends: more

Package: extra

Package: more
"""


@pytest.mark.parametrize(
    ("recommends", "added"),
    [(False, {"aa", "cc", "dd"}), (True, {"aa", "cc", "dd", "extra", "more"})],
)
@pytest.mark.parametrize("wants", [["aa", "dd"], ["dd", "aa"]])
def test_recommendations_come_where_they_are_asked_for(
    recommends: bool, added: set[str], wants: list[str]
) -> None:
    """Policy 7.2: packages are installed together "in all but unusual installations"; also where the
    first choice had to be taken back."""
    answer = answer_of(problem_of(wants, recommends=recommends), archive_of(LATE))
    assert set(pins_of(answer)) == added


@pytest.mark.parametrize("breaks", ["tool", "bb"])
def test_what_cannot_stay_beside_something_moves_for_its_sake(breaks: str) -> None:
    """Policy 7.3: either of the two may say that it breaks the other."""
    archive = archive_of(
        f"""
Package: tool
Version: 2

Package: tool
Version: 1
{"Breaks: bb" if breaks == "tool" else "X-Note: none"}

Package: aa

Package: bb
{"Breaks: tool (<< 2)" if breaks == "bb" else "X-Note: none"}
""",
        installed=["tool=1"],
    )
    answer = answer_of(problem_of(["aa", "bb"]), archive)
    assert {pin.name: pin.wanted_by for pin in answer.pins} == {
        "aa": ("one",),
        "bb": ("two",),
        "tool": ("two",),
    }
