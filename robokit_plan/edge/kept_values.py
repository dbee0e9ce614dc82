"""
Frozen values as text and back, for the cache.

Not pickle: what is kept may have been written by others, so reading it makes values of the
classes that the reader names, and nothing else.

Form:
    JSON. Numbers, texts, truth values and null stand for themselves; all else is a list whose
    first item says what it is: ``t`` tuple, ``s`` set, ``d`` map as pairs, ``e`` member of a
    closed set, ``day``; or the name of a class, with its fields in their order.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import date
from enum import Enum
from hashlib import sha256
from typing import Any

from robokit_plan.model import field_names

_SCALARS = frozenset({str, int, float, bool})


class DamagedValue(ValueError):  # noqa: N818  the name says what happened
    """What is kept is not what `packed` made of a value of these classes."""


def packed(value: object) -> bytes:
    """
    Return *value* as text; equal values give equal texts.

    Raises:
        TypeError: It holds something else than values, and what they are made of.
    """
    return json.dumps(_plain(value), separators=(",", ":")).encode()


def digest(*values: object) -> str:
    """Return a SHA-256 over *values*."""
    return sha256(packed(values)).hexdigest()


def unpacked(text: bytes, classes: Iterable[type]) -> Any:
    """
    Return the value that *text* was made from, of the frozen classes and enums in *classes*.

    Raises:
        DamagedValue: It was not.
    """
    known = {one.__name__: one for one in classes}
    try:
        return _made(json.loads(text), known)
    except (ValueError, TypeError, KeyError, IndexError, RecursionError) as error:
        raise DamagedValue(str(error)) from error


def _plain(value: Any) -> Any:
    if value is None or type(value) in _SCALARS:
        return value
    if isinstance(value, tuple):
        return ["t", *map(_plain, value)]
    if isinstance(value, Mapping):
        return ["d", *([_plain(key), _plain(one)] for key, one in value.items())]
    if isinstance(value, (frozenset, set)):
        return ["s", *sorted(map(_plain, value), key=json.dumps)]
    if isinstance(value, Enum):
        return ["e", type(value).__name__, _plain(value.value)]
    if isinstance(value, date):
        return ["day", value.isoformat()]
    return [type(value).__name__, *(_plain(getattr(value, name)) for name in _names(type(value)))]


def _made(plain: Any, known: Mapping[str, type]) -> Any:
    if isinstance(plain, dict):
        raise ValueError("a map is kept as pairs")  # noqa: TRY004  what is read is damaged
    if not isinstance(plain, list):
        return plain
    what = plain[0]
    match what:
        case "t":
            return tuple([_made(one, known) for one in plain[1:]])
        case "d":
            return {_made(key, known): _made(one, known) for key, one in plain[1:]}
        case "s":
            return frozenset([_made(one, known) for one in plain[1:]])
        case "e":
            return known[plain[1]](_made(plain[2], known))
        case "day":
            return date.fromisoformat(plain[1])
        case _:
            kind = known[what]
            names = _names(kind)
            values = [_made(one, known) for one in plain[1:]]
            return kind(**dict(zip(names, values, strict=True)))


def _names(kind: Any) -> Iterable[str]:
    """Return the names of the fields of *kind*, in order."""
    names = field_names(kind)
    if names is None:
        raise TypeError(f"a {kind.__name__} is not kept")
    return names
