"""Values as YAML text that every reader takes for what they are, and where values end in a text."""

from __future__ import annotations

import re
from collections.abc import Mapping

from robokit_plan.model import SettingValue

from .scalars import plain_value
from .tree import Node

_SAFE = re.compile(r"[A-Za-z0-9_./][A-Za-z0-9_./+-]*\Z")


def written(value: SettingValue) -> str:
    """
    Return *value* as a YAML scalar that stands anywhere, in brackets too; quoted where needed.

    >>> written("fog-signal"), written("on"), written("3.10"), written(8), written(True)
    ('fog-signal', '"on"', '"3.10"', '8', 'true')
    """
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if _SAFE.match(value) and plain_value(value) == (value, None) and value not in {"y", "n"}:
        return value
    return quoted(value)


def quoted(text: str) -> str:
    r"""
    Return *text* in double quotes, on one line, with YAML's escapes.

    >>> quoted('say "hi"\n')
    '"say \\"hi\\"\\n"'
    """
    escapes = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    parts = (
        escapes.get(char) or (char if char.isprintable() else f"\\U{ord(char):08x}")
        for char in text
    )
    return f'"{"".join(parts)}"'


def written_map(values: Mapping[str, SettingValue]) -> str:
    """Return ``{leds: 8, colour: "#fff"}``."""
    return "{" + ", ".join(f"{written(key)}: {written(one)}" for key, one in values.items()) + "}"


def extent(node: Node, text: str) -> int:
    """Return the offset behind the last character of *node*, without blank space after it."""
    if node.kind == "scalar" or node.flow:
        end = node.end
    else:
        inner = [extent(item, text) for item in node.items]
        inner += [extent(value, text) for _, value in node.entries.values()]
        inner += [extent(key, text) for key, _ in node.entries.values()]
        end = max(inner, default=node.start)
    return node.start + len(text[node.start : end].rstrip())
