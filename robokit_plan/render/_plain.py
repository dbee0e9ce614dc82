"""Text of strangers, made harmless for the place where it is shown."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

_ACTIVE = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
# Unicode categories that a terminal may obey or that reorder what is read: control characters,
# format characters (direction overrides among them), surrogates, private use, separators.

_MARKDOWN = frozenset("\\`*_{}[]()<>#+-.!|~=:@&\"'$^")
# CommonMark 0.31, 2.4: any ASCII punctuation may be escaped with a backslash.


def plain(text: str) -> str:
    r"""
    Return *text* on one line, with what a terminal would act on spelled out.

    >>> print(plain("a\x1b[31mb\n"))
    a\x1b[31mb\n
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_spelled(one) if unicodedata.category(one) in _ACTIVE else one for one in text)


def _spelled(one: str) -> str:
    known = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}
    if one in known:
        return known[one]
    point = ord(one)
    if point < 0x100:
        return f"\\x{point:02x}"
    return f"\\u{point:04x}" if point < 0x10000 else f"\\U{point:08x}"


def markdown(text: str) -> str:
    """Return *text* as Markdown that shows it literally, in a paragraph or a table cell."""
    return "".join(f"&#{ord(one)};" if one in _MARKDOWN else one for one in plain(text))


def prefixed(prefix: str, file: str) -> str:
    """Return the display path of *file* under *prefix*."""
    if not prefix or file.startswith("/"):
        return file
    return f"{prefix.rstrip('/')}/{file}" if prefix != "/" else f"/{file}"


def columns(rows: Sequence[tuple[str, ...]], *, gap: int = 3, indent: str = "") -> list[str]:
    """Return *rows* as lines with aligned columns, without spaces at the end."""
    if not rows:
        return []
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    return [
        (
            indent
            + "".join(cell.ljust(width + gap) for cell, width in zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
