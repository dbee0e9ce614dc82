"""How a plain YAML scalar is read, and where readers of YAML 1.1 and 1.2 part ways."""

from __future__ import annotations

import re
from enum import Enum

from robokit_plan.model import SettingValue

# YAML 1.2.2, section 10.3.2 (core schema), and YAML 1.1, types bool, int and float.
_NULL = ("", "~", "null", "Null", "NULL")
_BOOL = (("true", True), ("false", False))
_SWITCH = (("yes", True), ("no", False), ("on", True), ("off", False))
_INT = re.compile(r"[-+]?(?:0|[1-9][0-9]*)\Z")
_HEX = re.compile(r"0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_FLOAT_OF_BOTH = re.compile(r"(?:[-+]?[0-9]+\.[0-9]*|\.[0-9]+)(?:[eE][-+][0-9]+)?\Z")
"""YAML 1.1 wants a point, a digit before it where there is a sign, and a sign in the exponent."""
_LEADING_ZERO = re.compile(r"[-+]?0[0-9]+\Z")
_UNDERSCORED = re.compile(
    r"(?=[^_]*_)(?=[^0-9]*[0-9])[-+]?(?:0x[0-9a-fA-F_]+|[0-9_]*\.?[0-9_]*(?:[eE][-+]?[0-9_]+)?)\Z"
)
_OTHER_BASE = re.compile(r"(?:[-+]?0b[01][01_]*|0o[0-7]+|[-+]0x[0-9a-fA-F]+)\Z")
_SEXAGESIMAL = re.compile(r"[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?\Z")
_NOT_A_NUMBER = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z")
_LONGEST_NUMBER = 40
"""Beyond that it is no quantity; also keeps int() and float() quick."""


class Ambiguity(Enum):
    """Ways in which a scalar means something else to another reader, or to its writer."""

    SWITCH = "switch"
    """``on``, ``off``, ``yes``, ``no``: a truth value in YAML 1.1, a word in 1.2."""
    LEADING_ZERO = "leading zero"
    """``010``: eight in YAML 1.1, ten in 1.2."""
    UNDERSCORE = "underscore"
    """``1_000``: a number in YAML 1.1, a word in 1.2."""
    OTHER_BASE = "other base"
    """``0b11`` is a number in YAML 1.1 alone, ``0o17`` and ``1e3`` in 1.2 alone."""
    SEXAGESIMAL = "sexagesimal"
    """``1:30``: ninety in YAML 1.1, a word in 1.2."""
    NOT_A_NUMBER = "not a number"
    """``.inf`` and ``.nan``."""


def _forms(word: str) -> tuple[str, str, str]:
    return word, word.capitalize(), word.upper()


WORDS: dict[str, tuple[SettingValue, Ambiguity | None]] = {
    **dict.fromkeys(_NULL, (None, None)),
    **{form: (meaning, None) for word, meaning in _BOOL for form in _forms(word)},
    **{form: (meaning, Ambiguity.SWITCH) for word, meaning in _SWITCH for form in _forms(word)},
}
"""Plain scalars that mean what their letters do not say."""
NUMBERS_BEGIN = frozenset("+-.0123456789")
"""With one of these begins every number, and whatever looks like one."""


def plain_value(raw: str) -> tuple[SettingValue, Ambiguity | None]:
    """
    Return what the plain scalar *raw* means to its writer, and the ambiguity in it, if any.

    >>> plain_value("0x76"), plain_value("3.10"), plain_value("fin-mcu")
    ((118, None), (3.1, None), ('fin-mcu', None))
    >>> plain_value("010")
    (10, <Ambiguity.LEADING_ZERO: 'leading zero'>)
    >>> plain_value("1:30")
    ('1:30', <Ambiguity.SEXAGESIMAL: 'sexagesimal'>)
    """
    word = WORDS.get(raw)
    if word is not None:
        return word
    if raw[0] not in NUMBERS_BEGIN or len(raw) > _LONGEST_NUMBER:
        return raw, None
    if _INT.match(raw):
        return int(raw), None
    if _HEX.match(raw):
        return int(raw, 16), None
    if _LEADING_ZERO.match(raw):
        return int(raw), Ambiguity.LEADING_ZERO
    if _FLOAT.match(raw):
        # A zero below zero is zero: nothing of a robot tells them apart.
        value = float(raw) or 0.0
        if value in {float("inf"), float("-inf")}:
            return raw, Ambiguity.NOT_A_NUMBER
        return value, None if _FLOAT_OF_BOTH.match(raw) else Ambiguity.OTHER_BASE
    if _NOT_A_NUMBER.match(raw):
        return raw, Ambiguity.NOT_A_NUMBER
    if _OTHER_BASE.match(raw):
        return int(raw.replace("_", "").removeprefix("+"), 0), Ambiguity.OTHER_BASE
    if _UNDERSCORED.match(raw):
        return _number(raw), Ambiguity.UNDERSCORE
    if _SEXAGESIMAL.match(raw):
        return raw, Ambiguity.SEXAGESIMAL
    return raw, None


def _number(raw: str) -> SettingValue:
    value, ambiguity = plain_value(raw.replace("_", "") or raw)
    return raw if ambiguity or isinstance(value, str) else value
