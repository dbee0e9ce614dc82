"""
Lists, plurals, ages, names and quantities as texts say them.

Source for quantities: SI brochure, 9th edition (BIPM 2019), table 7: m is 10^-3, k 10^3, M 10^6.
"""

from __future__ import annotations

import doctest
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.model import (
    age_text,
    counted,
    drop_text,
    few,
    find_nearest,
    frequency_text,
    limit_text,
    listed,
    milliohm_text,
    near_names,
    ohm_text,
    words,
)

WORDS = st.lists(st.text("abc", min_size=1), max_size=9)


def test_the_examples_in_the_docstrings_hold() -> None:
    result = doctest.testmod(words)
    assert result.attempted > 10
    assert not result.failed


@given(WORDS, st.sampled_from(["and", "or"]))
def test_a_list_loses_nothing_and_joins_the_last_by_a_word(names: list[str], last: str) -> None:
    text = listed(iter(names), last)
    assert text.replace(f" {last} ", ", ").split(", ") == (names or [""])
    assert text.count(f" {last} ") == (len(names) > 1)


@given(WORDS, st.integers(1, 5))
def test_what_a_cut_list_leaves_out_is_counted_and_never_one(names: list[str], most: int) -> None:
    shown, _, left = few(names, most).partition(" and ")
    number = int(left.removesuffix(" more") or 0)
    assert number != 1
    assert len(shown.split(", ") if shown else []) + number == len(names)


@pytest.mark.parametrize(
    ("number", "text"), [(0, "0 minutes"), (1, "1 minute"), (2, "2 minutes"), (100, "100 minutes")]
)
def test_one_is_singular_and_nothing_else(number: int, text: str) -> None:
    assert counted(number, "minute") == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-5, "0 minutes ago"),
        (60, "1 minute ago"),
        (7_199, "119 minutes ago"),
        (7_200, "2 hours ago"),
        (172_799, "47 hours ago"),
        (172_800, "2 days ago"),
    ],
)
def test_an_age_at_the_edge_of_a_unit(seconds: int, text: str) -> None:
    """No unit is said with fewer than two of it, but the minute."""
    assert age_text(seconds) == text


UNITS: dict[str, Decimal | int] = {
    "mohm": Decimal("0.001"),
    "ohm": 1,
    "kohm": 1000,
    "mV": 1,
    "V": 1000,
}
UNITS |= {"Hz": 1, "kHz": 10**3, "MHz": 10**6}


def _value(text: str) -> Decimal:
    number, unit = text.split()
    return Decimal(number) * UNITS[unit]


@given(st.integers(0, 10**7))
def test_quantities_lose_nothing(value: int) -> None:
    assert _value(ohm_text(value)) == value
    assert _value(drop_text(value)) == value
    assert _value(frequency_text(value)) == value
    if value < 10**6:
        assert _value(milliohm_text(value)) * 1000 == value


@given(st.integers(0, 10**6))
def test_a_quantity_of_a_thousand_changes_its_unit(value: int) -> None:
    assert (Decimal(ohm_text(value).split()[0]) < 1000) is (value < 10**6)
    assert ohm_text(value).endswith(" kohm") is (value >= 1000)
    assert milliohm_text(value).endswith(" mohm") is (value < 1000)


def test_a_limit_has_no_decimals_that_say_nothing() -> None:
    assert limit_text(8_000_000) == "8 MB"


def test_names_that_look_alike_come_likeliest_first() -> None:
    """As `difflib` measures likeness; a slip is held to a stricter measure."""
    assert near_names("gpio1", ["gpio17", "gpio2", "uart0"]) == ["gpio17", "gpio2"]
    assert near_names("zzz", ["gpio17"]) == []
    assert find_nearest("funtcion", ["function", "fraction"]) == "function"
    assert find_nearest("c", ["a", "b"]) is None
