"""What a use case says while it works; what it found out is its answer."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple


def _nobody(*_: object) -> None:
    pass


class Listener(NamedTuple):
    """
    Who hears it.

    Shape:
        `tell` takes a notice beside the answer, such as a file that was written; `step` takes how
        many requests are answered, of how many that are known so far, and what the last one was.
    """

    tell: Callable[[str], None] = _nobody
    step: Callable[[int, int, str], None] = _nobody


NOBODY = Listener()
