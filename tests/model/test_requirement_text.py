"""
What was meant by a requirement that is none.

The grammar is PEP 508's and the comparisons are PEP 440's, as `packaging` has them. What ``^`` and ``~>``
mean elsewhere: semver 2.0.0, items 4 and 8 (0.y.z may break at any y); common practice, no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from packaging.requirements import InvalidRequirement, Requirement

from robokit_plan.model import mended_requirement


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("numpy=>1.26", "numpy>=1.26"),
        ("numpy =< 2", "numpy<=2"),
        ("numpy≥1.26,≤2", "numpy>=1.26,<=2"),
        ("numpy = 1.26", "numpy==1.26"),
        ("numpy=1.26; python_version < '3.12'", "numpy==1.26; python_version < '3.12'"),
        ("numpy 1.26", "numpy>=1.26"),
        ("numpy[x] 1.26", "numpy[x]>=1.26"),
        ("numpy v1.26", "numpy>=v1.26"),
        ("numpy>=1.24 <3", "numpy>=1.24,<3"),
        ("numpy>=1.24<3", "numpy>=1.24,<3"),
        ("numpy>=1.24;<3", "numpy>=1.24,<3"),
        ("numpy>=1.24,,<3,", "numpy>=1.24,<3"),
        ("numpy ~> 1.26", "numpy~=1.26"),
        ("numpy<>1.26", "numpy!=1.26"),
        ("numpy^1.26.1", "numpy>=1.26.1,<2"),
        ("numpy ^0.3", "numpy>=0.3,<0.4"),
        ("numpy^0", "numpy>=0,<1"),
        ("numpy==1.x", "numpy==1.*"),
        ("numpy>=1.x", "numpy>=1"),
        ("numpy>=1.26.", "numpy>=1.26"),
        ("numpy (=> 1.26)", "numpy>=1.26"),
    ],
)
def test_slips(written: str, meant: str) -> None:
    with pytest.raises(InvalidRequirement):
        Requirement(written)
    assert mended_requirement(written) == meant


@pytest.mark.parametrize(
    "written",
    ["", "-r others.txt", "numpy>=", "a b c", "numpy ==", "1 2 3 4", "numpy>=1,scipy>=2", "^"],
)
def test_what_cannot_be_told(written: str) -> None:
    assert mended_requirement(written) is None


@given(st.text(alphabet="ab1.0 =<>!~^,;()[]xX@≥'_-", max_size=24))
def test_what_is_told_can_be_asked_for(written: str) -> None:
    meant = mended_requirement(written)
    if meant is not None:
        Requirement(meant)


@given(
    st.lists(
        st.builds(
            "{}{}".format,
            st.sampled_from([">=", "<=", "<", ">", "!=", "==", "~="]),
            st.from_regex(r"[0-9]{1,2}(\.[0-9]{1,2}){1,2}", fullmatch=True),
        ),
        max_size=3,
    )
)
def test_what_is_right_keeps_its_meaning(bounds: list[str]) -> None:
    right = f"numpy{','.join(bounds)}"
    meant = mended_requirement(right)
    assert meant is not None
    assert Requirement(meant) == Requirement(right)
