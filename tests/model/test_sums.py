"""What a plan's parts come to: verdict, sizes, what is not known."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.model import (
    Cost,
    Finding,
    InstanceName,
    Need,
    Origin,
    PluginName,
    PythonPin,
    Severity,
    building_bytes,
    card_bytes,
    fetched_bytes,
    finding,
    most_bytes,
    sized_items,
)
from tests.render.plans import HERON, deb, sdist, wheel

BARE = replace(HERON, python=(), build=(), debian=(), build_room={}, findings=())
BARE = replace(BARE, machine=replace(BARE.machine, assets=()))


def told(severity: Severity) -> Finding:
    return finding("mast-loose", severity, "it sways", places=[Origin(file="robot.yaml")])


@given(st.lists(st.sampled_from(Severity)))
def test_a_plan_is_fine_until_one_finding_is_an_error(severities: list[Severity]) -> None:
    plan = replace(BARE, findings=tuple(map(told, severities)))
    assert plan.ok is (Severity.ERROR not in severities)


def unknown(pin: PythonPin) -> PythonPin:
    return replace(pin, file=replace(pin.file, size=None), installed_size=None)


@pytest.mark.parametrize("to_build", [False, True])
def test_files_of_unknown_size_count_nothing(to_build: bool) -> None:
    pins = (unknown(wheel("a", "1")), unknown(sdist("b", "1")))
    plan = replace(BARE, build=pins) if to_build else replace(BARE, python=pins)
    items = sized_items(plan)
    assert [one.name for one in items] == ["a", "b"]
    assert (fetched_bytes(items), card_bytes(items), building_bytes(plan)) == (0, 0, 0)
    assert most_bytes(plan, items) == 0


def test_an_asset_of_unknown_size_counts_nothing() -> None:
    assert HERON.machine.assets
    assets = tuple(replace(one, size=None) for one in HERON.machine.assets)
    items = sized_items(replace(BARE, machine=replace(BARE.machine, assets=assets)))
    assert len(items) == len(assets)
    assert (fetched_bytes(items), card_bytes(items)) == (0, 0)


def archive(name: str, size: int) -> PythonPin:
    pin = sdist(name, "1")
    return replace(pin, file=replace(pin.file, size=size))


def test_builds_need_the_room_of_the_greatest_one() -> None:
    """One runs at a time; ten times its archive where nobody measured it, MB of 10^6 else."""
    some = (wheel("big", "1", size=10**9), archive("a", 300), archive("b", 200))
    assert building_bytes(replace(BARE, python=some)) == 3000
    assert building_bytes(replace(BARE, python=some[:1], build=some[1:])) == 3000
    assert building_bytes(replace(BARE, python=some, build_room={some[2].name: 4})) == 4_000_000
    assert building_bytes(replace(BARE, python=some[:1])) == 0


@given(st.booleans(), st.booleans(), st.booleans())
def test_a_need_is_one_where_anything_is_needed(pages: bool, metadata: bool, debian: bool) -> None:
    pin = wheel("a", "1")
    need = Need(
        pages=(pin.name,) * pages,
        metadata=(pin.file,) * metadata,
        debian=tuple(one.name for one in HERON.debian[:1]) * debian,
    )
    assert bool(need) is (pages or metadata or debian)


def test_items_come_by_kind_and_name() -> None:
    plan = replace(
        BARE,
        python=(wheel("b", "1"), wheel("a", "1")),
        build=(wheel("e", "1"),),
        debian=(deb("d", "1"), deb("c", "1")),
        debian_build=(deb("c", "1").name,),
    )
    told = [(one.kind.value, one.name) for one in sized_items(plan)]
    assert told == [
        ("Python", "a"), ("Python", "b"), ("Debian", "d"), ("to build", "c"), ("to build", "e"),
    ]  # fmt: skip


def test_what_one_more_plugin_fetches() -> None:
    cost = Cost(instance=InstanceName("mast"), plugin=PluginName("mast"))
    assert cost.fetched is None  # software was not asked
    assert replace(cost, python=()).fetched == 0
    pins = (wheel("a", "1", size=300), unknown(wheel("b", "1")))
    assert replace(cost, python=pins).fetched == 300
    assert replace(cost, python=pins, debian=(deb("c", "1", size=50),)).fetched == 350


def test_a_file_is_known_by_its_hash_and_where_it_has_none_by_its_address() -> None:
    file = wheel("a", "1").file
    moved = replace(file, url="https://other.example/a.whl")
    assert file.key == moved.key
    assert replace(file, sha256=None).key != replace(moved, sha256=None).key
    assert replace(file, sha256="0" * 64).key != file.key
