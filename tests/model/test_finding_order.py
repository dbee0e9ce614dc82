"""The order in which things were met never shows."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.model import Finding, Origin, Place, Severity, finding, sorted_findings

origins = st.builds(
    Origin, file=st.sampled_from("ab"), line=st.integers(0, 2), column=st.integers(0, 2)
)
places = st.lists(
    origins | st.builds(Place, origin=origins, label=st.sampled_from(["", "x", "y"])), min_size=1
)
found = st.builds(
    finding,
    st.sampled_from(["mast-loose", "anchor-lost"]),
    st.sampled_from(Severity),
    st.sampled_from(["one", "other"]),
    places=places,
    resource=st.sampled_from([None, "gpio4", "gpio5"]),
)


@given(places, st.lists(st.sampled_from(["helm", "sonar", "mast"])), st.data())
def test_claimants_come_sorted_and_once(
    met: list[Origin | Place], names: list[str], data: st.DataObject
) -> None:
    told = finding("mast-loose", Severity.NOTE, "it sways", places=met, plugins=names)
    again = finding(
        "mast-loose",
        Severity.NOTE,
        "it sways",
        places=data.draw(st.permutations(met)),
        plugins=data.draw(st.permutations(names)),
    )
    assert told == again
    assert list(told.plugins) == sorted(set(names))
    keys = [(one.origin.file, one.origin.line, one.origin.column, one.label) for one in told.places]
    assert keys == sorted(set(keys))
    assert {one.origin for one in told.places} == {
        one.origin if isinstance(one, Place) else one for one in met
    }


def test_one_sentence_stands_for_a_list_of_one() -> None:
    at = Origin(file="robot.yaml")
    one = finding("mast-loose", Severity.NOTE, "it sways", places=[at], why="wind", repair="tie it")
    more = finding(
        "mast-loose", Severity.NOTE, "it sways", places=[at], why=["wind"], repair=["tie it"]
    )
    assert one == more
    assert (one.why, one.repair, one.resource) == (("wind",), ("tie it",), None)


def test_a_finding_without_a_place_is_a_fault_of_ours() -> None:
    with pytest.raises(ValueError, match="'mast-loose' has no place"):
        finding("mast-loose", Severity.NOTE, "it sways", places=[])


@given(st.lists(found, max_size=8), st.data())
def test_findings_come_gravest_first_and_each_once(
    some: list[Finding], data: st.DataObject
) -> None:
    told = sorted_findings(some)
    assert set(told) == set(some)
    assert len(told) == len(set(some))
    words = ["error", "warning", "note"]
    keys = [
        (
            words.index(one.severity.value),
            one.rule,
            one.places[0].origin.file,
            one.places[0].origin.line,
            one.places[0].origin.column,
            one.message,
            one.resource or "",
        )
        for one in told
    ]
    assert keys == sorted(keys)
    if len(set(keys)) == len(keys):  # what differs in further places alone keeps its order
        assert sorted_findings(data.draw(st.permutations(some))) == told


@given(st.lists(origins))
def test_places_are_told_in_the_order_of_the_file(some: list[Origin]) -> None:
    assert [str(one) for one in sorted(some)] == [
        file if not line else f"{file}:{line}:{column}"
        for file, line, column in sorted((one.file, one.line, one.column) for one in some)
    ]


@given(origins, origins)
def test_of_two_places_one_is_before_the_other_unless_they_are_one(
    one: Origin, two: Origin
) -> None:
    assert [one < two, one == two, one > two].count(True) == 1
    assert (one <= two) is (one < two or one == two)
