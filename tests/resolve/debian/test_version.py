"""Versions order as Policy 5.6.12 says, and as dpkg does."""

from __future__ import annotations

import shutil
import subprocess
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.resolve.debian import compare_versions, version_fits, version_key
from tests import plain_yaml

CHAINS = plain_yaml.load(
    (Path(__file__).parents[2] / "standards" / "debian" / "versions.yaml").read_text("utf-8")
)

# Policy 5.6.12: what a version may hold; the upstream part begins with a digit.
PART = st.text(alphabet="0019az.+~", max_size=6)
VERSION = st.builds(
    lambda epoch, upstream, revision: f"{epoch}0{upstream}{revision}",
    st.sampled_from(["", "0:", "1:"]),
    PART,
    st.one_of(st.just(""), PART.filter(bool).map(lambda one: f"-{one}")),
)


@pytest.mark.parametrize("case", CHAINS, ids=lambda case: case["source"][:40])
def test_published_chains_rise(case: dict[str, Any]) -> None:
    """Every published chain rises strictly, and its equal members are equal."""
    chain = [one if isinstance(one, list) else [one] for one in case["chain"]]
    if case.get("upstream"):
        chain = [[f"1{word}" for word in group] for group in chain]
    for group in chain:
        for word in group:
            assert compare_versions(word, group[0]) == 0
    for low, high in pairwise(chain):
        for a in low:
            for b in high:
                assert compare_versions(a, b) == -1
                assert compare_versions(b, a) == 1
                assert version_key(a) < version_key(b)


@pytest.mark.parametrize(
    ("operator", "holds"),
    [
        ("<<", (True, False, False)),
        ("<=", (True, True, False)),
        ("=", (False, True, False)),
        (">=", (False, True, True)),
        (">>", (False, False, True)),
        ("", (True, True, True)),
    ],
)
def test_operators(operator: str, holds: tuple[bool, bool, bool]) -> None:
    """The five operators of Policy 7.1, for an earlier, an equal and a later version."""
    assert (
        tuple(version_fits(one, operator, "2.0") for one in ("2.0~rc1", "2.0", "2.0+b1")) == holds
    )


def test_unknown_operator_is_our_fault() -> None:
    """A bare angle bracket never gets this far."""
    with pytest.raises(ValueError, match="not a version relation"):
        version_fits("1", "<", "2")


@given(VERSION, VERSION, VERSION)
def test_order_is_total(a: str, b: str, c: str) -> None:
    """Antisymmetric, and transitive."""
    assert compare_versions(a, b) == -compare_versions(b, a)
    if compare_versions(a, b) <= 0 and compare_versions(b, c) <= 0:
        assert compare_versions(a, c) <= 0


@pytest.mark.skipif(shutil.which("dpkg") is None, reason="dpkg is not on this machine")
@settings(max_examples=120, deadline=None)
@given(VERSION, VERSION)
def test_agrees_with_dpkg(a: str, b: str) -> None:
    """The reference is dpkg itself."""
    word = {-1: "lt", 0: "eq", 1: "gt"}[compare_versions(a, b)]
    done = subprocess.run(["dpkg", "--compare-versions", a, word, b], check=False)
    assert done.returncode == 0


LONG = [
    "9" * 4299,
    "9" * 4300,
    "1" + "0" * 4300,
    "1" + "0" * 4299 + "1",
    "9" * 6000,
    "1" + "0" * 6000,
]
"""Rising; Python reads no number of more than 4,300 digits, Policy knows no longest one."""


@pytest.mark.skipif(shutil.which("dpkg") is None, reason="dpkg is not on this machine")
def test_numbers_of_any_length_order_as_dpkg_says() -> None:
    for low, high in pairwise(LONG):
        assert compare_versions(low, high) == -1
        assert compare_versions(f"000{low}", low) == 0
        subprocess.run(["dpkg", "--compare-versions", low, "lt", high], check=True)
