"""
Order of Debian versions (Debian Policy 5.6.12).

``[epoch:]upstream[-revision]``: the epoch is a number, the revision follows the last hyphen.
Upstream and revision are read as alternating runs of non-digits and digits; non-digits sort
letters before everything else and ``~`` before even the end of the string; digits as numbers.
"""

from __future__ import annotations

import re
from functools import lru_cache

_RUN = re.compile(r"([^0-9]*)([0-9]*)")
_INT_READS = 4300
"""Digits that `int` reads (`sys.int_info.default_max_str_digits`)."""

PartKey = tuple[tuple[int, ...] | int, ...]
VersionKey = tuple[int, PartKey, PartKey]


def _weight(char: str) -> int:
    if char == "~":
        return -1
    return ord(char) if char.isalpha() else ord(char) + 256


def _part_key(text: str) -> PartKey:
    """Return runs that compare as Policy says; the closing 0 stands for "end of this run"."""
    key: list[tuple[int, ...] | int] = []
    # An absent revision equals "0"; the last, empty match is the end that ``~`` sorts before.
    for letters, digits in _RUN.findall(text or "0"):
        key += ((*map(_weight, letters), 0), _number(digits or "0"))
    return tuple(key)


def _number(digits: str) -> int:
    """Return *digits* as a number; Policy knows no longest one, Python's `int` does."""
    if len(digits) <= _INT_READS:
        return int(digits)
    digits = digits.lstrip("0")
    # Order is all that counts: of such texts the longer one is greater, and the bytes of any are
    # more than all shorter ones as numbers.
    return int(digits) if len(digits) <= _INT_READS else int.from_bytes(digits.encode(), "big")


@lru_cache(maxsize=32768)
def version_key(version: str) -> VersionKey:
    """Return a key whose order is the order of *version* strings."""
    epoch, colon, rest = version.partition(":")
    if not colon or not (epoch.isascii() and epoch.isdigit()):
        epoch, rest = "0", version
    upstream, _, revision = rest.rpartition("-") if "-" in rest else (rest, "", "")
    return _number(epoch), _part_key(upstream), _part_key(revision)


def compare_versions(left: str, right: str) -> int:
    """Return -1, 0 or 1 as *left* is earlier than, equal to or later than *right*."""
    if left == right:
        return 0
    a, b = version_key(left), version_key(right)
    return (a > b) - (a < b)


def version_fits(version: str, operator: str, bound: str) -> bool:
    """
    Return whether *version* stands in relation *operator* to *bound* (Policy 7.1).

    Args:
        operator: ``<<``, ``<=``, ``=``, ``>=`` or ``>>``; "" holds always.
    """
    if not operator:
        return True
    order = compare_versions(version, bound)
    match operator:
        case "=":
            return order == 0
        case ">=":
            return order >= 0
        case "<=":
            return order <= 0
        case ">>":
            return order > 0
        case "<<":
            return order < 0
        case _:
            msg = f"not a version relation: {operator!r}"
            raise ValueError(msg)
