"""
Sizes of memory that boards are sold with, out of their makers' own revision codes.

Source:
    raspberrypi/documentation, revision-codes.adoc @ 0456a78: "New-style revision codes in use",
    and the meaning of the bits (memory in bits 20 to 22 as 256 MB shifted, type in bits 4 to 11).
"""

from __future__ import annotations

import pytest

from robokit_plan.edge.facts import board_ids, read_board

CODES = """
900032 a01040 a01041 a21041 a02042 a22042 a02082 a22082 a32082 a52082 a22083 900092 920092 900093
920093 9000c1 a020d3 a020d4 9020e0 9020e1 a03111 b03111 c03111 b03112 c03112 b03114 c03114 d03114
b03115 c03115 d03115 902120 c03130 b04170 c04170 d04170 a04171 b04171 c04171 d04171 e04171 d04190
e04190
"""


def _sizes(kind: int) -> tuple[int, ...]:
    codes = [int(code, 16) for code in CODES.split()]
    assert all(code >> 23 & 1 for code in codes)  # the flag of the new style
    return tuple(
        sorted({256 << (code >> 20 & 7) for code in codes if code >> 4 & 0xFF == kind}),
    )


BOARDS = [one for one in board_ids() if "revision_type_code" in read_board(one).facts]


def test_there_are_boards_to_look_at() -> None:
    assert len(BOARDS) >= 10


@pytest.mark.parametrize("name", BOARDS)
def test_a_board_has_the_sizes_of_its_codes(name: str) -> None:
    board = read_board(name)
    kind = board.facts["revision_type_code"]
    assert isinstance(kind, int)
    assert board.memory_sizes_mb == _sizes(kind)


@pytest.mark.parametrize("name", board_ids())
def test_every_board_says_its_cores(name: str) -> None:
    """Cores in a device tree are counted one by one; boards of these families have up to eight."""
    assert read_board(name).cores in {1, 4, 6, 8}
