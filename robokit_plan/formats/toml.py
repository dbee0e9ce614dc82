"""
Canonical TOML 1.0: one way to write each value, and where in a text a value stands.

A general writer chooses between inline and full tables by their length; PEP 751 asks that this
stays consistent, so that one changed hash changes one line. Here the caller chooses.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
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


class Section(dict[str, Value]):
    """A table that stands under a header of its own."""


class Sections(list[Mapping[str, Value]]):
    """An array of tables, each under a header of its own."""


def document(content: Mapping[str, Value], header: str = "") -> list[str]:
    """
    Return the lines of a file whose table *header* is *content*: keys first, then sections.

    A table is left out where no key of its own and none below it would be written.
    """
    sections = {name: item for name, item in content.items() if isinstance(item, _SECTIONS)}
    text = lines({name: item for name, item in content.items() if name not in sections})
    for name, item in sections.items():
        below = f"{header}.{key(name)}" if header else key(name)
        if isinstance(item, Section):
            inner = document(item, below)
            head = inner and inner[0] != ""
            text += ["", f"[{below}]", *inner] if head else inner
        elif isinstance(item, Sections):
            for row in item:
                text += ["", f"[[{below}]]", *document(row, below)]
    return text


_SECTIONS = (Section, Sections)


# --- places ---------------------------------------------------------------------------------

Path = tuple[str | int, ...]
_TOKEN = re.compile(
    r"(?P<space>[ \t\r\n]+|#[^\n]*)"
    r'|(?P<text>"""(?:[^"\\]|\\[\s\S]|"{1,2}(?!"))*"{3,5}|"(?:[^"\\\n]|\\.)*"'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}|'[^'\n]*')"
    r"|(?P<sign>[\[\]{},=.])"
    r"|(?P<bare>[^\s\[\]{},=.#\"']+)"
)


def place_of(path: Path, text: str) -> tuple[int, int]:
    """
    Return line and column, from 1, of the key or item at *path*, or of the nearest table above it.

    The standard library's reader, which must have accepted *text*, keeps no places.
    """
    scan = _Scan(text, path)
    with suppress(IndexError, RecursionError):  # what is not understood has the place above it
        scan.document()
    before = text[: scan.best]
    return before.count("\n") + 1, scan.best - (before.rfind("\n") + 1) + 1


class _Scan:
    """A walk over the tokens of a valid file that looks for one path."""

    def __init__(self, text: str, path: Path) -> None:
        self._tokens = [
            (match.lastgroup or "", match[0], match.start())
            for match in _TOKEN.finditer(text)
            if match.lastgroup != "space" or "\n" in match[0]
        ]
        self._at = 0
        self._path = path
        self._rows: dict[Path, int] = {}
        self._depth = 0
        self.best = 0

    def document(self) -> None:
        """Walk over the whole file."""
        here: Path = ()
        while self._at < len(self._tokens):
            kind, mark, start = self._tokens[self._at]
            if kind == "space":
                self._at += 1
            elif mark == "[":
                here = self._header(start)
            else:
                self._pair(here)

    def _seen(self, path: Path, start: int) -> None:
        if len(path) > self._depth and self._path[: len(path)] == path:
            self.best, self._depth = start, len(path)

    def _header(self, start: int) -> Path:
        self._at += 1
        is_row = self._tokens[self._at][1] == "["
        self._at += is_row
        here: Path = ()
        names = self._key()
        for at, name in enumerate(names):
            here = (*here, name)
            last = at == len(names) - 1
            if is_row and last:
                self._rows[here] = self._rows.get(here, -1) + 1
            self._seen(here, start)
            if here in self._rows:
                here = (*here, self._rows[here])
                self._seen(here, start)
        self._at += 1 + is_row
        return here

    def _key(self) -> list[str]:
        names = [""]
        while True:
            kind, mark, _ = self._tokens[self._at]
            if kind == "text":
                names[-1] = str(tomllib.loads(f"k = {mark}")["k"])
            elif kind == "bare":
                names[-1] = mark
            elif mark == ".":
                names.append("")
            elif kind != "space":
                return names
            self._at += 1

    def _pair(self, here: Path) -> None:
        start = self._tokens[self._at][2]
        for name in self._key():
            here = (*here, name)
            self._seen(here, start)
        self._at += 1  # the sign
        self._value(here)

    def _value(self, here: Path) -> None:
        kind, mark, _ = self._tokens[self._at]
        self._at += 1
        if mark == "{" and kind == "sign":
            self._inside("}", here)
        elif mark == "[" and kind == "sign":
            self._inside("]", here)
        elif kind == "bare":  # numbers and times have dots
            while self._at < len(self._tokens) and self._tokens[self._at][1] == ".":
                self._at += 2

    def _inside(self, end: str, here: Path) -> None:
        count = 0
        while True:
            kind, mark, start = self._tokens[self._at]
            if mark == end and kind == "sign":
                self._at += 1
                return
            if kind == "space" or mark == ",":
                self._at += 1
            elif end == "}":
                self._pair(here)
            else:
                self._seen((*here, count), start)
                self._value((*here, count))
                count += 1
