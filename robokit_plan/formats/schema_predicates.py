"""
A yes or no whether data fits a schema, without the library that words the errors.

The library takes 70 ms to import and several to run; a board in the garden starts slowly
enough. Each part of a schema becomes a function once, and a file is held against it. Knows the
keywords that our schemas use and refuses others, so a new keyword cannot be passed over in
silence; tests compare its verdict with the library's.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from math import inf
from typing import Any

Verdict = Callable[[Any], bool]

_SILENT = frozenset(
    {"$schema", "$id", "$defs", "title", "description", "examples", "default", "$comment"}
)
_MEMBERS = ("properties", "patternProperties", "additionalProperties")
"""Of these three one function is made, since each key is for one of them."""


class UnknownKeyword(Exception):  # noqa: N818  the name says what happened
    """A schema of ours uses a keyword that this module does not know."""


def is_valid(schema: dict[str, Any], data: Any) -> bool:
    """Return whether *data* fits *schema* (JSON Schema 2020-12, the part that we use)."""
    return fits(schema, data, schema)


def fits(schema: Any, data: Any, root: dict[str, Any]) -> bool:
    """Return whether *data* fits *schema*, a part of *root*."""
    known = _ROOTS.get(id(root))
    if known is None or known.root is not root:
        known = _ROOTS[id(root)] = _Root(root)
    return known.verdict(schema)(data)


class _Root:
    """A whole schema, with what was made of its parts; it holds them, so their ids stay theirs."""

    def __init__(self, root: dict[str, Any]) -> None:
        self.root = root
        self._made: dict[int, tuple[Any, Verdict]] = {}

    def verdict(self, schema: Any) -> Verdict:
        """Return the function that judges data by *schema*."""
        made = self._made.get(id(schema))
        if made is None:
            made = self._made[id(schema)] = (schema, self._verdict(schema))
        return made[1]

    def _verdict(self, schema: Any) -> Verdict:
        if isinstance(schema, bool):
            return lambda _: schema
        single = _single(schema)
        if single is not None:
            return single
        checks: list[Verdict] = []
        has_members = any(keyword in schema for keyword in _MEMBERS)
        for keyword, value in schema.items():
            if keyword in _SILENT or keyword in _MEMBERS:
                continue
            if has_members and keyword == "type" and value == "object":
                continue  # the members' function sees that anyway
            rule = _RULES.get(keyword)
            if rule is None:
                raise UnknownKeyword(keyword)
            checks.append(rule(value, self))
        if has_members:
            checks.insert(0, _members(schema, self))
        if len(checks) == 1:
            return checks[0]
        if len(checks) == 2:
            first, second = checks
            return lambda data: first(data) and second(data)

        def every(data: Any) -> bool:
            for check in checks:  # noqa: SIM110  a generator costs as much as a check
                if not check(data):
                    return False
            return True

        return every


_ROOTS: dict[int, _Root] = {}


def _ref(value: str, root: _Root) -> Verdict:
    name = value.removeprefix("#/$defs/")
    verdict: Verdict | None = None

    def follow(data: Any) -> bool:
        # Looked up when it is used first: a definition may hold itself.
        nonlocal verdict
        if verdict is None:
            verdict = root.verdict(root.root["$defs"][name])
        return verdict(data)

    return follow


def _is_number(data: Any) -> bool:
    return isinstance(data, (int, float)) and not isinstance(data, bool)


def _is_whole(data: Any) -> bool:
    return _is_number(data) and (isinstance(data, int) or data.is_integer())


_TYPES: dict[str, Verdict] = {
    "object": lambda data: isinstance(data, dict),
    "array": lambda data: isinstance(data, list),
    "string": lambda data: isinstance(data, str),
    "boolean": lambda data: isinstance(data, bool),
    "null": lambda data: data is None,
    "number": _is_number,
    "integer": _is_whole,
}


def _single(schema: dict[str, Any]) -> Verdict | None:
    """Return one function for a text, or a number between bounds; None for anything else."""
    keywords, kind = schema.keys() - _SILENT, schema.get("type")
    if kind == "string" and keywords <= _OF_TEXT:
        return _text(schema)
    whole = kind == "integer"
    if (whole or kind == "number") and keywords == _OF_NUMBER:
        return _bounded(schema["minimum"], schema["maximum"], whole=whole)
    return None


_OF_TEXT = frozenset({"type", "pattern", "minLength", "maxLength"})
_OF_NUMBER = frozenset({"type", "minimum", "maximum"})


def _text(schema: dict[str, Any]) -> Verdict:
    least, most = schema.get("minLength", 0), schema.get("maxLength", inf)
    pattern = re.compile(_ecma(schema.get("pattern", "")))

    def text(data: Any) -> bool:
        return (
            isinstance(data, str)
            and least <= len(data) <= most
            and pattern.search(data) is not None
        )

    return text


def _bounded(least: float, most: float, *, whole: bool) -> Verdict:
    def number(data: Any) -> bool:
        return _is_number(data) and least <= data <= most and (not whole or _is_whole(data))

    return number


def _type(value: str | list[str], _: _Root) -> Verdict:
    if isinstance(value, str):
        return _TYPES[value]
    kinds = [_TYPES[one] for one in value]
    return lambda data: any(kind(data) for kind in kinds)


def _members(schema: dict[str, Any], root: _Root) -> Verdict:
    named = {name: root.verdict(one) for name, one in schema.get("properties", {}).items()}
    alike = [
        (_finder(pattern), root.verdict(one))
        for pattern, one in schema.get("patternProperties", {}).items()
    ]
    other = root.verdict(schema.get("additionalProperties", True))
    may_be_else = schema.get("type") != "object"

    def members(data: Any) -> bool:
        if not isinstance(data, dict):
            return may_be_else
        for key, item in data.items():
            verdict = named.get(key)
            if verdict is not None and not verdict(item):
                return False
            known = verdict is not None
            for matches, judged in alike:
                if matches(key):
                    known = True
                    if not judged(item):
                        return False
            if not known and not other(item):
                return False
        return True

    return members


def _names(value: Any, root: _Root) -> Verdict:
    verdict = root.verdict(value)
    return lambda data: not isinstance(data, dict) or all(map(verdict, data))


def _items(value: Any, root: _Root) -> Verdict:
    verdict = root.verdict(value)
    return lambda data: not isinstance(data, list) or all(map(verdict, data))


def _required(value: list[str], _: _Root) -> Verdict:
    return lambda data: not isinstance(data, dict) or all(key in data for key in value)


def _one_of(value: list[Any], root: _Root) -> Verdict:
    verdicts = [root.verdict(one) for one in value]
    return lambda data: sum(verdict(data) for verdict in verdicts) == 1


def _any_of(value: list[Any], root: _Root) -> Verdict:
    verdicts = [root.verdict(one) for one in value]
    return lambda data: any(verdict(data) for verdict in verdicts)


def _same(left: Any, right: Any) -> bool:
    return isinstance(left, bool) == isinstance(right, bool) and bool(left == right)


def _pattern(value: str, _: _Root) -> Verdict:
    pattern = re.compile(_ecma(value))
    return lambda data: not isinstance(data, str) or pattern.search(data) is not None


def _finder(pattern: str) -> Callable[[str], object]:
    """Return what says whether *pattern* is found in a text."""
    start = re.fullmatch(r"\^([A-Za-z0-9-]+)", pattern)
    if start is None:
        return re.compile(_ecma(pattern)).search
    word = start[1]
    return lambda text: text.startswith(word)


def _ecma(pattern: str) -> str:
    """Return *pattern* as Python writes it: in ECMA 262 a $ is the very end."""
    return pattern.replace("$", r"\Z")


_RULES: dict[str, Callable[[Any, _Root], Verdict]] = {
    "$ref": _ref,
    "type": _type,
    "propertyNames": _names,
    "items": _items,
    "required": _required,
    "oneOf": _one_of,
    "anyOf": _any_of,
    "enum": lambda value, _: lambda data: any(_same(one, data) for one in value),
    "const": lambda value, _: lambda data: _same(value, data),
    "pattern": _pattern,
    "minLength": lambda value, _: lambda data: not isinstance(data, str) or len(data) >= value,
    "maxLength": lambda value, _: lambda data: not isinstance(data, str) or len(data) <= value,
    "minItems": lambda value, _: lambda data: not isinstance(data, list) or len(data) >= value,
    "maxItems": lambda value, _: lambda data: not isinstance(data, list) or len(data) <= value,
    "maxProperties": lambda value, _: lambda data: not isinstance(data, dict) or len(data) <= value,
    "minProperties": lambda value, _: lambda data: not isinstance(data, dict) or len(data) >= value,
    "minimum": lambda value, _: lambda data: not _is_number(data) or data >= value,
    "maximum": lambda value, _: lambda data: not _is_number(data) or data <= value,
    "exclusiveMinimum": lambda value, _: lambda data: not _is_number(data) or data > value,
    "exclusiveMaximum": lambda value, _: lambda data: not _is_number(data) or data < value,
}
