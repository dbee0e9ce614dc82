"""
Canonical TOML 1.0: one way to write each value.

A general writer chooses between inline and full tables by their length; PEP 751 asks that this
stays consistent, so that one changed hash changes one line. Here the caller chooses.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime

from robokit_plan.model import dataclass

_BARE = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)
_ESCAPED = {
    "\\": "\\\\",
    '"': '\\"',
    "\b": "\\b",
    "\t": "\\t",
    "\n": "\\n",
    "\f": "\\f",
    "\r": "\\r",
}

Value = object
"""str, bool, int, float, datetime, Hex, a sequence or a mapping of such; None is left out."""


@dataclass(frozen=True, slots=True)
class Hex:
    """A whole number that people write in base 16, such as a bus address."""

    number: int


def key(name: str) -> str:
    """Return *name* as a TOML key."""
    return name if _BARE.fullmatch(name) else string(name)


def string(text: str) -> str:
    """Return *text* as a basic string; lone surrogates, which no file can hold, become U+FFFD."""
    return f'"{"".join(_character(one) for one in text)}"'


def _character(one: str) -> str:
    if one in _ESCAPED:
        return _ESCAPED[one]
    point = ord(one)
    if point < 0x20 or 0x7F <= point < 0xA0 or point in range(0x2028, 0x202F):
        return f"\\u{point:04X}"
    return "\ufffd" if 0xD800 <= point < 0xE000 else one


def value(item: Value) -> str:
    """
    Return *item* on one line.

    Raises:
        TypeError: TOML has no such value.
    """
    match item:
        case bool():
            return "true" if item else "false"
        case str():
            return string(item)
        case Hex():
            return f"0x{item.number:02x}"
        case int():
            return str(item)
        case float():
            return repr(item)
        case datetime():
            return item.isoformat().replace("+00:00", "Z")
        case Mapping():
            return inline(item)
        case Sequence():
            return f"[{', '.join(value(one) for one in item)}]"
        case _:
            raise TypeError(f"no TOML for {type(item).__name__}")


def inline(table: Mapping[str, Value]) -> str:
    """Return *table* as an inline table in its own order, without absent values."""
    pairs = [f"{key(name)} = {value(item)}" for name, item in table.items() if item is not None]
    return f"{{{', '.join(pairs)}}}"


def line(name: str, item: Value) -> list[str]:
    """Return ``name = item`` in lines; each table of an array of tables has a line of its own."""
    if item is None:
        return []
    if isinstance(item, (list, tuple)) and item and all(isinstance(one, Mapping) for one in item):
        return [f"{key(name)} = [", *(f"  {value(one)}," for one in item), "]"]
    return [f"{key(name)} = {value(item)}"]


def lines(table: Mapping[str, Value]) -> list[str]:
    """Return the key lines of *table* in its own order, without absent values."""
    return [text for name, item in table.items() for text in line(name, item)]


def table(header: str, content: Mapping[str, Value]) -> list[str]:
    """Return ``[header]`` and its lines after an empty line; nothing where it would be empty."""
    inner = lines(content)
    return ["", f"[{header}]", *inner] if inner else []


def tables(header: str, rows: Sequence[Mapping[str, Value]]) -> list[str]:
    """Return one ``[[header]]`` per row."""
    return [text for row in rows for text in ("", f"[[{header}]]", *lines(row))]
