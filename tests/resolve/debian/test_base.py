"""What a fresh card carries: graver priorities and what they depend on (Policy 2.5 and 7.2)."""

from __future__ import annotations

from dataclasses import replace

from robokit_plan.model import DebianName, Need
from robokit_plan.resolve.debian import base_card

from .small_archive import ARCHITECTURE, archive_of

ARCHIVE = """
Package: zz
Priority: required
Depends: lib
Recommends: nice

Package: aa
Priority: important
Depends: tool (>= 2) | lib

Package: lib

Package: nice

Package: tool
Version: 1
"""


def test_dependencies_come_along_and_recommendations_do_not() -> None:
    card = base_card(archive_of(ARCHIVE, installed=["zz", "aa"], complete=False), ARCHITECTURE)
    assert not isinstance(card, Need)
    assert list(card) == ["aa", "lib", "zz"]


def test_a_status_file_is_complete_in_itself() -> None:
    archive = archive_of(ARCHIVE, installed=["zz"])
    assert base_card(archive, ARCHITECTURE) == {DebianName("zz"): archive.base[DebianName("zz")]}


def test_rows_that_were_not_read_are_asked_for() -> None:
    archive = archive_of(ARCHIVE, installed=["aa", "zz"], complete=False)
    read = {name: row for name, row in archive.rows.items() if name in {"aa", "zz"}}
    need = base_card(replace(archive, rows=read), ARCHITECTURE)
    assert isinstance(need, Need)
    assert need.debian[0] == "lib"
    assert list(need.debian) == sorted(need.debian)
