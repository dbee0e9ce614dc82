"""Text of strangers, made fit to be printed."""

from __future__ import annotations

import re

UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]+")
"""Control characters, which could move a terminal's cursor, line ends and lone surrogates."""


def one_line(text: str, most: int | None = None) -> str:
    """Return *text* on one line without control characters, its first *most* characters."""
    if text.isprintable() and "  " not in text:
        return text.strip()[:most]
    return " ".join(UNPRINTABLE.sub(" ", text).split())[:most]
