"""
Bounds of time that hold on a busy machine.

A loaded or slow machine takes longer for everything, so a bound that is passed is scaled by what a
piece of plain work takes then: what is judged is the code, not the machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from time import process_time

_UNIT_S = 0.026
"""Processor seconds that `_unit` took on the machine on which the bounds were set."""


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Fail if what is inside takes more than *seconds* of the processor, as `_UNIT_S` counts them."""
    start = process_time()
    yield
    took = process_time() - start
    if took < seconds:
        return
    # Only now: a thousand tests that are quick need not wait for a measure of the machine.
    scale = max(1.0, *(_unit() / _UNIT_S for _ in range(3)))
    assert took < seconds * scale, f"{took:.2f} s, {scale:.1f} times as slow a machine"


def _unit() -> float:
    """Do work of the kind that a reader does, and return its processor seconds."""
    start = process_time()
    words = {str(number): number * number % 97 for number in range(100_000)}
    sorted(words, key=words.__getitem__)
    return process_time() - start
