"""The codec: one statement a key, and what follows from it."""

from __future__ import annotations

from datetime import datetime
from enum import Enum
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.formats import toml
from robokit_plan.formats.codec import (
    MOST,
    REQUIRED,
    As,
    Count,
    Definitions,
    Flag,
    Group,
    Key,
    Member,
    Named,
    OneOf,
    Record,
    Rows,
    Scalar,
    Text,
    Time,
    Where,
    Word,
    WrongValue,
    path_text,
)
from robokit_plan.model import NAME, Alphabet, dataclass, field


class Side(Enum):
    PORT = "port"
    STARBOARD = "starboard"


@dataclass(frozen=True, kw_only=True, slots=True)
class Lamp:
    name: str
    side: Side | None = None
    ma: int = 20
    tags: tuple[str, ...] = ()
    seen: bool = True
    notes: dict[str, str | int | float | bool] = field(default_factory=dict)
    total: int | None = None


LAMP = Record(
    "lamp",
    Lamp,
    (
        Key("name", Text(NAME)),
        Key("side", Member(Side), "Seen from behind"),
        Key("current-ma", Count("mA", least=1, most=60), "Drawn", attribute="ma", always=True),
        Group("more", (Key("tags", Rows(Text(NAME))), Key("seen", Flag()))),
        Key("notes", Named(Text(NAME), Scalar())),
        Key("twice", Count(), derived=True, get=lambda lamp: 2 * lamp.ma, absent=None),
        Key("total", As(Text(), int, str), absent=None),
    ),
)
FULL = Lamp(
    name="bow", side=Side.PORT, ma=30, tags=("a", "b"), seen=False, notes={"x": 1.5}, total=7
)


def test_writing_leaves_out_what_absence_means() -> None:
    assert LAMP.write(Lamp(name="bow")) == {"name": "bow", "current-ma": 20, "twice": 40}
    assert LAMP.write(FULL) == {
        "name": "bow",
        "side": "port",
        "current-ma": 30,
        "more": {"tags": ["a", "b"], "seen": False},
        "notes": {"x": 1.5},
        "twice": 60,
        "total": "7",
    }
    assert list(LAMP.write(FULL)) == [
        "name", "side", "current-ma", "more", "notes", "twice", "total",
    ]  # fmt: skip


def test_absent_keys_have_the_defaults_of_the_class() -> None:
    first, second = LAMP.read({"name": "bow"}), LAMP.read({"name": "bow"})
    assert first == Lamp(name="bow")
    assert first.notes is not second.notes


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        ([], ": must be a table"),
        ({}, ": name is missing"),
        ({"name": "bow", "nane": 1}, "nane: this key is not known"),
        ({"name": 1}, "name: must be text"),
        ({"name": "Bow"}, "name: 'Bow' is not a name"),
        ({"name": "bow", "side": "left"}, "side: 'left' is not port or starboard"),
        ({"name": "bow", "side": ["port"]}, "side: must be text"),
        ({"name": "bow", "current-ma": True}, "current-ma: must be a whole number"),
        ({"name": "bow", "current-ma": 20.0}, "current-ma: must be a whole number"),
        ({"name": "bow", "current-ma": 0}, "current-ma: 0 is less than 1"),
        ({"name": "bow", "current-ma": 61}, "current-ma: 61 is more than 60"),
        ({"name": "bow", "current-ma": 10**5000},
         "current-ma: a number of many digits is more than 60"),
        ({"name": "bow", "more": []}, "more: must be a table"),
        ({"name": "bow", "more": {"tags": "a"}}, "more.tags: must be a list"),
        ({"name": "bow", "more": {"tags": ["a", "B"]}}, "more.tags[1]: 'B' is not a name"),
        ({"name": "bow", "more": {"seen": 1}}, "more.seen: must be true or false"),
        ({"name": "bow", "more": {"sen": True}}, "more.sen: this key is not known"),
        ({"name": "bow", "notes": {"Y": 1}}, "notes.Y: 'Y' is not a name"),
        ({"name": "bow", "notes": {"y": []}}, "notes.y: must be text, a number, true or false"),
        ({"name": "bow", "twice": -1}, "twice: -1 is negative"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_its_path(raw: object, told: str) -> None:
    with pytest.raises(WrongValue) as caught:
        LAMP.read(raw)
    assert f"{path_text(caught.value.path)}: {caught.value.message}" == told


@given(
    st.builds(
        Lamp,
        name=st.from_regex(r"[a-z][a-z0-9]{0,3}", fullmatch=True),
        side=st.none() | st.sampled_from(Side),
        ma=st.integers(1, 60),
        tags=st.lists(st.sampled_from("abc"), max_size=3).map(tuple),
        seen=st.booleans(),
        notes=st.dictionaries(
            st.sampled_from("abc"), st.text() | st.integers() | st.booleans(), max_size=3
        ),
        total=st.none() | st.integers(),
    )
)
def test_what_is_written_is_read_back(lamp: Lamp) -> None:
    assert LAMP.read(LAMP.write(lamp)) == lamp


def test_the_schema_says_the_same() -> None:
    definitions = Definitions()
    own = LAMP.own_schema(definitions)
    assert own["required"] == ["name"]
    assert own["additionalProperties"] is False
    assert own["properties"]["current-ma"] == {
        "description": "Drawn, in mA", "type": "integer", "minimum": 1, "maximum": 60,
        "default": 20,
    }  # fmt: skip
    assert own["properties"]["side"] == {
        "description": "Seen from behind", "enum": ["port", "starboard"],
    }  # fmt: skip
    assert own["properties"]["more"]["properties"]["tags"]["items"] == {"$ref": "#/$defs/name"}
    assert own["properties"]["notes"]["propertyNames"] == {"$ref": "#/$defs/name"}
    assert definitions.found["name"]["pattern"] == NAME.anchored


@dataclass(frozen=True, kw_only=True, slots=True)
class Pair:
    a: str | None = None
    b: str | None = None


def pair(*rules: OneOf | Where) -> Record[Pair]:
    return Record("pair", Pair, (Key("a", Text()), Key("b", Text())), rules=rules, is_open=True)


def wrong(shape: Any, raw: object) -> str:
    with pytest.raises(WrongValue) as caught:
        shape.read(raw)
    return f"{path_text(caught.value.path)}: {caught.value.message}"


def test_rules_between_keys() -> None:
    one = pair(OneOf(("a", "b"), "must have a or b"))
    assert one.read({"a": "x", "other": 1}) == Pair(a="x")
    assert wrong(one, {"a": "x", "b": "y"}) == ": must have a or b"
    assert wrong(one, {}) == ": must have a or b"
    where = pair(Where("a", Word(("kind",)), "b", Text(NAME)))
    assert where.read({"a": "other", "b": "?"}) == Pair(a="other", b="?")
    assert wrong(where, {"a": "kind", "b": "?"}) == "b: '?' is not a name"


def test_a_key_may_be_demanded_though_the_class_has_a_default() -> None:
    record = Record("pair", Pair, (Key("a", Text(), absent=REQUIRED), Key("b", Text())))
    assert wrong(record, {"b": "x"}) == ": a is missing"


def test_lists_have_bounds() -> None:
    assert wrong(Rows(Flag(), least=1, most=1), []) == ": must have 1, has 0"
    assert wrong(Rows(Flag(), least=2), [True]) == ": must have at least 2, has 1"
    assert wrong(Count(), MOST + 1) == f": {MOST + 1} is more than {MOST}"


def test_times() -> None:
    assert Time().read(Time().write("2026-03-01T10:20:30.5+02:00")) == "2026-03-01T08:20:30.500000Z"
    assert Time().write("yesterday") is None
    first = datetime.fromisoformat("0001-01-01T00:00:00+23:00")
    assert wrong(Time(), first) == ": is no time of this calendar"
    assert wrong(Time(), "2026-03-01T10:20:30Z") == ": must be a date and time"


def test_an_alphabet_is_the_whole_text_in_reader_and_search() -> None:
    """Python's ``$`` would let a line break through."""
    import re

    alphabet = Alphabet("ab", "a|ab", "a or ab")
    for text, fits in (("a", True), ("ab", True), ("ab\n", False), ("xab", False), ("", False)):
        assert alphabet.fits(text) is fits
        assert (re.search(alphabet.anchored, text) is not None) is fits


def test_sections_have_headers() -> None:
    tree = {"a": toml.Section({"b": 1, "c": toml.Sections([{"d": [2]}, {}])}), "e": "f"}
    assert toml.document(tree) == [
        'e = "f"', "", "[a]", "b = 1", "", "[[a.c]]", "d = [2]", "", "[[a.c]]",
    ]  # fmt: skip
    assert toml.document({"a": toml.Section({"b": toml.Section({})})}) == []
