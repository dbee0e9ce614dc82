"""
Numbers on the edge, and beyond, at every place of a lock file where one stands.

There are two: that of the robot in `edge_numbers`, and the one that the renderers are tested with, which
has packages and builds. A place is a key of a table, whichever row it stands in first. The file stands
beside its robot file alone: what rests on it is run.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from robokit_plan.formats.lock import render_lock
from tests.edge_numbers import QUICK, base, drive, lay_out, with_numbers
from tests.render.plans import HERON

COMMANDS: tuple[tuple[str, ...], ...] = (
    ("script",), ("wiring",), ("wiring", "--json"), ("wiring", "--format", "csv"),
    ("wiring", "--format", "c-header"), ("diff", "--json"), ("verify",), ("card",),
    ("report", "--format", "cyclonedx"), ("check", "--offline"),
)  # fmt: skip
VALUES = (
    "0", "-0", "-1", "1", "2", "0.0", "-0.0", "0.5", "1e-308", "5e-324", "1e308", "inf", "-inf", "nan",
    "9223372036854775807", "-9223372036854775808", "9" * 39, "9" * 401, "0x7f", "1_000", "true",
    '"1"', "[]", "{}", "1979-05-27",
)  # fmt: skip
"""As TOML writes them."""

_NUMBER = re.compile(r"(?<![\w.\"-])-?(?:0x[0-9a-f]+|\d+(?:\.\d+)?)(?![\w.:-])")
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"')
_KEY = re.compile(r"([\w-]+) = \[?(?:[^=]*, )?$")


def whole(folder: Path) -> dict[str, str]:
    """Return robot -> its lock file; lay their robot files out below *folder*."""
    lay_out(folder / "odd", with_numbers(base(), {}))
    assert drive(folder / "odd", QUICK[:2]) == []
    lay_out(folder / "heron", {"robot.yaml": _HERON})
    return {
        "odd": (folder / "odd/pylock.odd.toml").read_text("utf-8"),
        "heron": render_lock(HERON),
    }


_HERON = 'format: 1\nrobot: heron\nboard: "raspberrypi,4-model-b"\nenabled: []\n'


def places(text: str) -> dict[tuple[str, str], tuple[int, int]]:
    """Return table and key -> where the first number there stands, start and end."""
    found: dict[tuple[str, str], tuple[int, int]] = {}
    table, at = "", 0
    for line in text.splitlines(keepends=True):
        if line.startswith("["):
            table = line.strip()
        bare = _STRING.sub(lambda one: '"' + "s" * (len(one[0]) - 2) + '"', line)
        for number in _NUMBER.finditer(bare):
            key = _KEY.search(bare[: number.start()])
            if key is not None:
                place = (at + number.start(), at + number.end())
                found.setdefault((table, key[1]), place)
        at += len(line)
    return found


def cases(texts: Mapping[str, str], seed: int) -> Iterator[tuple[str, str, str]]:
    """Yield robot, what is changed, and the lock file with it; every place and value once."""
    every = [
        (robot, name, place, value)
        for robot, text in texts.items()
        for name, place in places(text).items()
        for value in VALUES
    ]
    random.Random(seed).shuffle(every)
    for robot, (table, key), (start, end), value in every:
        text = texts[robot]
        yield robot, f"{table} {key} = {value[:30]}", text[:start] + value + text[end:]


def broken(
    folder: Path, robot: str, text: str, commands: tuple[tuple[str, ...], ...] = COMMANDS
) -> list[str]:
    """Return what broke where the lock file of *robot* is *text*, one line each."""
    (folder / robot / f"pylock.{robot}.toml").write_text(text, "utf-8")
    return drive(folder / robot, commands)
