"""Lists as people read them."""

from __future__ import annotations

from collections.abc import Sequence


def joined(words: Sequence[str], joint: str = "and") -> str:
    """
    Return *words* with commas and, before the last, *joint*.

    >>> joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"], "or")
    ('a', 'a and b', 'a, b or c')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {joint} {words[-1]}"
