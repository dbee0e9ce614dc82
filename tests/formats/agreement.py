"""
Documents, valid and broken, that a reader and its published schema must judge alike.

Seeded: block *n* of a format has the same documents for ever. The judge is `jsonschema`; what TOML
tells apart and JSON does not is told to it: 1.0 is no whole number, and a time is no text.
"""

from __future__ import annotations

import copy
import json
import random
import tomllib
from collections.abc import Callable, Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.validators import extend

from robokit_plan.formats import toml
from robokit_plan.formats.lock import LockError, lock_schema, parse_lock

Path_ = tuple[str | int, ...]
Tree = Any

PIECES = (
    "", " ", "a", "A", "0", "-", "--", "_", ".", "..", "/", "../", "\\", "'", '"', "`", "$", "$(x)",
    ";", "#", "=", "==", ":", "@", "+", "~", "!", "[", "]", "{", "}", ",", "%", "\n", "\r", "\t",
    "\x00", "\x1b[2J", "\x7f", "\x85", "\xad", "\xa0", "é", "\u200b", "\u202e", "\u2028", "\u3000",
    "\ufeff", "\U000e0001", "\U0001f600", "http://", "https://h.example/", "file:/", "copy:/",
    "/boot/", "/etc/default/", "/etc/kernel/postinst.d/", "/usr/share/keyrings/", "3.13", "1.0",
    "x-y", "f" * 64, "YQ==", "A=1 ", 'SUBSYSTEM=="usb"', 'RUN+="x"', ', TAG+="a"', "high", "up",
    "motion", "none", "in", "module-load", "overlay", "arm 64!",
)  # fmt: skip
NUMBERS = (0, 1, -1, 2, 7, 255, 10**15, 10**15 + 1, 2**63, -(2**63), 10_000, 10_001, -10_001)
VALUES: tuple[Tree, ...] = (
    "", "a", 0, 1, -1, 1.0, 0.5, True, False, [], {}, [1], ["a"], [[]], [{}], {"a": 1}, {"a": "b"},
    float("inf"), datetime.fromisoformat("2026-03-01T10:20:30+00:00"),
)  # fmt: skip


class _Foreign:
    """A value of TOML that JSON has no type for."""


_CHECKER = Draft202012Validator.TYPE_CHECKER.redefine(
    "integer", lambda _, one: isinstance(one, int) and not isinstance(one, bool)
)
_JUDGE: Any = extend(Draft202012Validator, type_checker=_CHECKER)  # type: ignore[no-untyped-call]


def _as_json(tree: Tree, key: str | int = "") -> Tree:
    if isinstance(tree, dict):
        return {name: _as_json(one, name) for name, one in tree.items()}
    if isinstance(tree, list):
        return [_as_json(one) for one in tree]
    if key == "upload-time":  # the one key of a time
        return tree.isoformat() if isinstance(tree, datetime) else _Foreign()
    return _Foreign() if isinstance(tree, date) else tree


def _places(tree: Tree, path: Path_ = ()) -> Iterator[Path_]:
    yield path
    if isinstance(tree, dict):
        for key, one in tree.items():
            yield from _places(one, (*path, key))
    elif isinstance(tree, list):
        for at, one in enumerate(tree):
            yield from _places(one, (*path, at))


def _at(tree: Tree, path: Path_) -> Tree:
    for step in path:
        tree = tree[step]
    return tree


def changed(tree: Tree, draw: random.Random) -> Tree:
    """Return *tree* with one to three things in it changed."""
    tree = copy.deepcopy(tree)
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        path = draw.choice([path for path in _places(tree) if path])
        above, step = _at(tree, path[:-1]), path[-1]
        value = above[step]
        match draw.randrange(8):
            case 0:
                del above[step]
            case 1:
                above[step] = copy.deepcopy(draw.choice(VALUES))
            case 2 if isinstance(above, dict):
                above[draw.choice(PIECES) or "x"] = copy.deepcopy(draw.choice((value, *VALUES)))
            case 3 if isinstance(above, dict):
                above[f"{step}{draw.choice(PIECES)}"] = above.pop(step)
            case 4 if isinstance(value, list) and value:
                value.append(copy.deepcopy(draw.choice(value)))
            case 5:
                alike = [
                    one for one in _places(tree) if one and isinstance(_at(tree, one), type(value))
                ]
                above[step] = copy.deepcopy(_at(tree, draw.choice(alike)))
            case _ if isinstance(value, str):
                at = draw.randint(0, len(value))
                rest = draw.choice((value[at:], value[at + 1 :], ""))
                above[step] = value[:at] + draw.choice(PIECES) + rest
            case _ if isinstance(value, int) and not isinstance(value, bool):
                above[step] = draw.choice((*NUMBERS, value + 1, value * 10, -value))
            case _:
                above[step] = copy.deepcopy(draw.choice(VALUES))
    return tree


# --- the formats ----------------------------------------------------------------------------

_LOCK = Path(__file__).parents[1] / "cases" / "formats" / "lock-1.toml"


def _lock_documents(draw: random.Random) -> Iterator[tuple[Tree, bool]]:
    """Yield our table of lock files without end, and whether the reader takes each."""
    whole = tomllib.loads(_LOCK.read_text("utf-8"))
    while True:
        ours = whole["tool"]["robokit-plan"]
        if draw.random() < 0.8:  # most of the sample left out: other keys get their turn
            ours = {
                key: one[:1] if isinstance(one, list) and draw.random() < 0.8 else one
                for key, one in ours.items()
                if draw.random() < 0.5 or key in {"format", "robot", "board", "target"}
            }
        if draw.random() < 0.95:
            ours = changed(ours, draw)
        text = "\n".join(toml.document({**whole, "tool": {"robokit-plan": ours}}))
        try:
            parse_lock(text, file="pylock.heron.toml")
            is_read = True
        except LockError:
            is_read = False
        yield tomllib.loads(text)["tool"]["robokit-plan"], is_read


FORMATS: dict[
    str,
    tuple[Callable[[], dict[str, Any]], Callable[[random.Random], Iterator[tuple[Tree, bool]]]],
] = {"lock": (lock_schema, _lock_documents)}
BLOCK = 500


def judged(name: str, block: int, count: int = BLOCK) -> tuple[int, list[str]]:
    """Return how many documents of *block* were read, and those that the schema judges otherwise."""
    schema, documents = FORMATS[name]
    judge = _JUDGE(schema())
    found = documents(random.Random(f"{name} {block}"))
    read, apart = 0, []
    for _ in range(count):
        tree, is_read = next(found)
        read += is_read
        if judge.is_valid(_as_json(tree)) != is_read:
            apart.append(f"read: {is_read}: {json.dumps(tree, default=str)}")
    return read, apart
