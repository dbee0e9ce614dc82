"""Dates of Release files, against the standard library's own parser."""

from __future__ import annotations

from email.utils import parsedate_to_datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.edge._debian_release import parse_release

PARTS = (
    st.sampled_from(["Mon, ", "Tue, ", "Sun,  ", "", "Xxx, "]),
    st.sampled_from(["01", "1", "29", "30", "31", "32", "00"]),
    st.sampled_from([" Jan ", " Feb ", " Nov ", " Dec ", " jan ", " Foo "]),
    st.sampled_from(["2026", "2028", "1999", "0026", "26", "3026"]),
    st.sampled_from([" 00:00:00", " 23:59:59", " 9:05:07", " 24:00:00", " 12:60:00"]),
    st.sampled_from([" UTC", " GMT", " +0000", " +0200", " -0000", "", " EST"]),
)


def _date_of(text: str) -> float | None:
    return parse_release(f"Origin: Debian\nDate: {text}\nSHA256:\n").date


@given(st.tuples(*PARTS).map("".join))
def test_it_reads_what_the_library_reads(text: str) -> None:
    """The usual form is read without the library; no form is read otherwise than by it."""
    try:
        # Policy of the archive: UTC is written out (Debian repository format, "Date").
        expected = parsedate_to_datetime(text.replace("UTC", "+0000")).timestamp()
    except (TypeError, ValueError):
        assert _date_of(text) is None
    else:
        assert _date_of(text) == expected


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("Thu, 01 Jan 1970 00:00:00 UTC", 0.0),  # the epoch (POSIX.1-2017, 4.16)
        ("Sun, 06 Nov 1994 08:49:37 GMT", 784111777.0),  # RFC 9110, 5.6.7
    ],
)
def test_known_moments(text: str, seconds: float) -> None:
    """Moments that standards name; the second one counted by `date -u -d`."""
    assert _date_of(text) == seconds
