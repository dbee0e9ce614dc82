"""Values come back from their kept form as they were, and nothing else comes back at all."""

from __future__ import annotations

import json
from datetime import date
from enum import Enum

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.edge.kept_values import DamagedValue, digest, packed, unpacked
from robokit_plan.model import Severity, dataclass


class Kind(Enum):
    """Members whose values are texts, as in the model."""

    ONE = "one"
    TWO = "two"


@dataclass(frozen=True, kw_only=True, slots=True)
class Leaf:
    """Holds anything."""

    value: object = None
    kind: Kind = Kind.ONE


CLASSES = (Leaf, Kind, Severity)

plain = st.none() | st.booleans() | st.integers() | st.text(max_size=8) | st.sampled_from(Kind)
plain |= st.dates() | st.floats(allow_nan=False)
keys = st.text(max_size=4) | st.tuples(st.text(max_size=4), st.integers())
values = st.recursive(
    plain,
    lambda inner: (
        st.tuples(inner, inner)
        | st.lists(inner, max_size=3).map(tuple)
        | st.dictionaries(keys, inner, max_size=3)
        | st.frozensets(st.text(max_size=4), max_size=3)
        | st.builds(Leaf, value=inner, kind=st.sampled_from(Kind))
    ),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(values)
def test_a_value_comes_back(value: object) -> None:
    """Law: packing and unpacking is the identity, and the digest tells values apart by form."""
    found = unpacked(packed(value), CLASSES)
    assert found == value
    assert type(found) is type(value)
    assert digest(found) == digest(value)


def test_the_order_of_a_set_is_no_part_of_it() -> None:
    names = [f"name-{number}" for number in range(50)]
    assert digest(frozenset(names)) == digest(frozenset(reversed(names)))


def test_different_values_have_different_digests() -> None:
    alike = ["1", 1, True, ("1",), {"1": 1}, frozenset({"1"}), None, "t", ("t",), Leaf(value="1")]
    alike += [date(2026, 1, 2), "2026-01-02", Kind.ONE, "one", ("e", "Kind", "one")]
    assert len({digest(one) for one in alike}) == len(alike)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"a": 1}',
        '["Path", "/"]',
        '["Kind", "one"]',
        '["e", "Kind", "three"]',
        '["e", "Leaf", 1]',
        '["Leaf"]',
        '["Leaf", 1, 2, 3]',
        '["s", ["d"]]',
        '["day", "tomorrow"]',
        '["d", ["a"]]',
        "[" * 20_000 + "]" * 20_000,
    ],
)
def test_anything_else_is_damaged(text: str) -> None:
    """What others may have written makes no other object, and no other error."""
    with pytest.raises(DamagedValue):
        unpacked(text.encode(), CLASSES)


def test_what_is_no_value_is_not_kept() -> None:
    for one in (object(), print, b"bytes", [1]):
        with pytest.raises(TypeError):
            packed(one)
    assert json.loads(packed(Leaf())) == ["Leaf", None, ["e", "Kind", "one"]]
