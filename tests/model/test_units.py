"""
Quantities as they are printed, read back with decimal arithmetic.

Source: SI brochure, 9th edition (BIPM 2019), table 7: k is 10^3, M 10^6, G 10^9.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.model import current_text, size_text, volt_text

PREFIX = {"B": 1, "kB": 10**3, "MB": 10**6, "GB": 10**9, "mA": 1, "A": 1000}


@given(st.integers(0, 10**13))
def test_a_size_is_true_to_half_of_its_last_digit(size: int) -> None:
    number, unit = size_text(size).split()
    shown, half = Decimal(number), Decimal(5) * Decimal(10) ** (-1 - len(number.partition(".")[2]))
    assert abs(shown * PREFIX[unit] - size) <= half * PREFIX[unit]


@given(st.integers(0, 10**13))
def test_a_size_has_two_digits_or_more_and_the_unit_that_keeps_it_below_a_thousand(
    size: int,
) -> None:
    number, unit = size_text(size).split()
    assert Decimal(number) < 1000 or unit == "GB"
    assert ("." in number) is (unit != "B" and Decimal(number) < 10)
    assert Decimal(number) >= 1 or unit == "B"


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (0, "0 B"),
        (9, "9 B"),
        (999, "999 B"),
        (1_000, "1.0 kB"),
        (9_949, "9.9 kB"),
        (9_950, "10 kB"),
        (999_499, "999 kB"),
        (999_500, "1.0 MB"),
        (9_950_000_000, "10 GB"),
        (2_000_000_000_000, "2000 GB"),
    ],
)
def test_sizes_at_the_edge_of_a_unit(size: int, text: str) -> None:
    assert size_text(size) == text


@given(st.integers(-(10**7), 10**7))
def test_a_current_is_exact_below_one_ampere_and_true_to_5_ma_above(current: int) -> None:
    number, unit = current_text(current).split()
    assert unit == ("mA" if -1000 < current < 1000 else "A")
    assert abs(Decimal(number) * PREFIX[unit] - current) <= (0 if unit == "mA" else 5)
    assert unit == "mA" or not number.endswith((".", ".0", ".00"))
    assert unit == "mA" or len(number.partition(".")[2]) <= 2


@given(st.integers(-(10**6), 10**6))
def test_a_voltage_is_exact_and_ends_in_no_zero_of_a_fraction(level: int) -> None:
    number, unit = volt_text(level).split()
    assert unit == "V"
    assert Decimal(number) * 1000 == level
    assert "." not in number or not number.endswith(("0", "."))
