"""Values behave as those do that `dataclasses` makes itself; its own decorator is the measure."""

from __future__ import annotations

import copy
import dataclasses
import inspect
import pickle
from collections.abc import Mapping
from typing import Any
from unittest import mock

import pytest

from robokit_plan.model import dataclass, field, field_names, replace


@dataclass(frozen=True, kw_only=True, slots=True)
class Buoy:
    """A value with all that fields can be."""

    name: str
    depth: int = 3
    secret: str = field(default="", repr=False)
    seen: int = field(default=0, compare=False)
    marks: Mapping[str, int] = field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, slots=True)
class Measure:
    """The same, made by the standard library."""

    name: str
    depth: int = 3
    secret: str = dataclasses.field(default="", repr=False)
    seen: int = dataclasses.field(default=0, compare=False)
    marks: Mapping[str, int] = dataclasses.field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Pair:
    """Values that can be hashed, one in the other."""

    left: Pair | None = None
    right: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Nothing:
    """No fields at all."""


GIVEN: list[dict[str, Any]] = [
    {"name": "north"},
    {"name": "north", "depth": 4},
    {"name": "north", "secret": "x"},
    {"name": "north", "seen": 9},
    {"name": "north", "marks": {"a": 1}},
]


@pytest.fixture(params=[0, 100], ids=["the first values", "one of many"], autouse=True)
def made_before(request: pytest.FixtureRequest) -> None:
    """Make so many values first: with many, the constructor is another one."""
    for _ in range(request.param):
        Buoy(name="earlier")
        Pair(left=None)
        Nothing()


def test_two_are_equal_where_the_standard_ones_are() -> None:
    for left in GIVEN:
        for right in GIVEN:
            assert (Buoy(**left) == Buoy(**right)) is (Measure(**left) == Measure(**right))
    others: list[object] = [Measure(name="north"), "north"]
    assert Buoy(name="north") not in others


def test_text_and_signature_are_the_standard_ones() -> None:
    for given in GIVEN:
        assert repr(Buoy(**given)) == repr(Measure(**given)).replace("Measure", "Buoy")
    for _ in range(100):  # from then on the signature is the class's own
        Buoy(name="north")
    ours, theirs = (
        [(one.name, one.kind, one.default is inspect.Parameter.empty) for one in found]
        for found in (
            inspect.signature(Buoy).parameters.values(),
            inspect.signature(Measure).parameters.values(),
        )
    )
    assert ours == theirs


def test_what_is_equal_has_one_hash() -> None:
    values = {Pair(), Pair(left=None), Pair(right=(1,)), Pair(left=Pair()), Nothing(), Nothing()}
    assert len(values) == 4
    with pytest.raises(TypeError, match="unhashable"):
        hash(Buoy(name="north"))  # a map is in it, as with the standard one


def test_nothing_in_it_changes() -> None:
    buoy: Any = Buoy(name="north")
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'depth'"):
        buoy.depth = 9
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot delete field 'depth'"):
        del buoy.depth
    with pytest.raises(dataclasses.FrozenInstanceError):
        buoy.other = 9
    assert not hasattr(buoy, "__dict__")


def test_each_has_a_map_of_its_own() -> None:
    assert Buoy(name="a").marks is not Buoy(name="b").marks


def test_wrong_use_names_the_class_and_the_field() -> None:
    make: Any = Buoy
    with pytest.raises(TypeError, match=r"Buoy\.__init__\(\) missing .* 'name'"):
        make()
    with pytest.raises(TypeError, match="takes 1 positional argument"):
        make("north")
    with pytest.raises(TypeError, match="unexpected keyword argument 'colour'"):
        make(name="north", colour="red")


def test_the_standard_library_takes_it_for_one_of_its_own() -> None:
    buoy = Buoy(name="north", marks={"a": 1})
    assert dataclasses.replace(buoy, depth=7) == Buoy(name="north", depth=7, marks={"a": 1})
    assert dataclasses.asdict(buoy) == dataclasses.asdict(Measure(name="north", marks={"a": 1}))
    assert pickle.loads(pickle.dumps(buoy)) == buoy
    assert copy.deepcopy(buoy) == buoy


def test_replacing_changes_what_is_named() -> None:
    buoy = Buoy(name="north", marks={"a": 1})
    assert replace(buoy, depth=7) == Buoy(name="north", depth=7, marks={"a": 1})
    assert replace(buoy).marks is buoy.marks
    unknown: dict[str, Any] = {"colour": "red"}
    with pytest.raises(TypeError, match="colour"):
        replace(buoy, **unknown)
    assert replace(Measure(name="north"), depth=4) == Measure(name="north", depth=4)


def test_names_of_fields() -> None:
    assert field_names(Buoy) == tuple(one.name for one in dataclasses.fields(Measure))
    assert field_names(Nothing) == ()
    assert field_names(Measure) is None


@dataclass(slots=True)
class Tally:
    """A record that changes."""

    count: int
    names: list[str] = field(default_factory=list)


@dataclasses.dataclass(slots=True)
class PlainTally:
    """The same, made by the standard library."""

    count: int
    names: list[str] = dataclasses.field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """A record that is only itself."""

    at: int
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Beacon(Buoy):
    """A value that has what another has, one default changed."""

    depth: int = 0
    light: str = "white"


def test_a_record_that_changes() -> None:
    one, other = Tally(1), Tally(count=1)
    assert one == other
    one.count += 1
    one.names.append("a")
    assert one != other
    assert repr(one) == repr(PlainTally(2, ["a"])).replace("PlainTally", "Tally")
    with pytest.raises(TypeError, match="unhashable"):
        hash(one)
    with pytest.raises(TypeError, match="missing"):
        Tally()  # type: ignore[call-arg]


def test_a_record_that_is_only_itself() -> None:
    one, other = Mark(1, "a"), Mark(1, note="a")
    assert one != other
    assert len({one, other}) == 2
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.at = 2  # type: ignore[misc]
    match one:
        case Mark(at, note):
            assert (at, note) == (1, "a")


def test_what_is_inherited() -> None:
    beacon = Beacon(name="north", light="red")
    assert (beacon.depth, beacon.light, beacon.marks) == (0, "red", {})
    assert repr(beacon) == "Beacon(name='north', depth=0, seen=0, marks={}, light='red')"
    assert field_names(Beacon) == (*(field_names(Buoy) or ()), "light")
    assert pickle.loads(pickle.dumps(beacon)) == beacon


def test_what_would_be_made_otherwise_than_it_says_is_refused() -> None:
    make: Any = dataclass
    with pytest.raises(TypeError, match="a value has slots"):
        make(frozen=True, slots=False)
    with pytest.raises(TypeError, match="another decorator"):

        @dataclass(frozen=True, kw_only=True, slots=True)
        class Wrong:
            marks: Mapping[str, int] = dataclasses.field(default_factory=dict)


def test_whoever_is_compared_with_it_has_a_say() -> None:
    buoy: Any = Buoy(name="north")
    assert buoy == mock.ANY
    assert (Buoy.__eq__(buoy, "north"), Measure.__eq__(Measure(name="a"), "a")) == (
        NotImplemented,
        NotImplemented,
    )


def test_a_state_of_another_shape_is_refused() -> None:
    """What was pickled by another version of this tool has other fields."""
    buoy: Any = Buoy(name="north")
    for state in ([], ["north"], [*buoy.__getstate__(), 1]):
        with pytest.raises(ValueError, match="zip"):
            buoy.__setstate__(state)


def _fresh(make: Any, field: Any) -> tuple[Any, Any, Any]:
    """Return classes that *make* decorates now, so that its own doing is under test."""
    decorated = make(frozen=True, kw_only=True, slots=True)

    class Anchor:
        """One field only."""

        chain: int

    class Fender:
        """A default before what has none; one that says itself how it is shown."""

        size: int = 2
        colour: str
        worn: bool = field(default=False, compare=False)

        def __repr__(self) -> str:
            return f"a fender of {self.size}"

    class Line:
        """Nothing to compare by."""

        knot: str = field(default="bowline", compare=False)

    return decorated(Anchor), decorated(Fender), decorated(Line)


def test_a_class_made_now_does_what_the_standard_one_does() -> None:
    given: list[tuple[dict[str, Any], dict[str, Any]]] = [
        ({"chain": 3}, {"chain": 4}),
        ({"colour": "red"}, {"colour": "red", "worn": True}),
        ({"knot": "reef"}, {"knot": "bowline"}),
    ]
    own, standard = _fresh(dataclass, field), _fresh(dataclasses.dataclass, dataclasses.field)
    made = zip(own, standard, given, strict=True)
    for ours, theirs, (first, other) in made:
        assert repr(ours(**first)) == repr(theirs(**first))
        assert (ours(**first) == ours(**other)) is (theirs(**first) == theirs(**other))
        same = {ours(**first), ours(**first), ours(**other)}
        assert len(same) == len({theirs(**first), theirs(**first), theirs(**other)})
        assert not hasattr(ours(**first), "__dict__")
        assert ours.__match_args__ == theirs.__match_args__
        assert ours.__slots__ == theirs.__slots__
        assert [(one.name, one.kw_only, one.compare) for one in dataclasses.fields(ours)] == [
            (one.name, one.kw_only, one.compare) for one in dataclasses.fields(theirs)
        ]
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(ours(**first), next(iter(first)), 9)
