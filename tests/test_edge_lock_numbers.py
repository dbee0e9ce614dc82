"""Numbers on the edge in a lock file, a few; ``python -m tests.bench.edge_numbers --of lock`` tries all."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge.schemas import read_schema
from tests.edge_lock_numbers import COMMANDS, broken, cases, places, whole


def numeric_keys(schema: Any, key: str = "") -> Iterator[str]:
    """Yield the keys of a schema that may hold a number."""
    if isinstance(schema, dict):
        kinds = schema.get("type", ())
        if {"integer", "number"} & {kinds if isinstance(kinds, str) else "", *kinds}:
            yield key
        for word, inner in schema.items():
            if word in {"properties", "$defs"}:
                for name, one in inner.items():
                    yield from numeric_keys(one, name)
            else:
                yield from numeric_keys(inner, key)
    elif isinstance(schema, list):
        for one in schema:
            yield from numeric_keys(one, key)


def test_numbers_of_a_lock_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every key that holds one has a row in either lock file, and a few at the edge break nothing."""
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    texts = whole(tmp_path)
    tried = {key for text in texts.values() for _, key in places(text)}
    # Settings and rooms of builds have names of their own for keys.
    named = {"settings": "leds", "build-room": "spidev"}
    wanted = {named.get(key, key) for key in numeric_keys(read_schema("lock"))}
    assert wanted <= tried
    for number, (robot, said, changed) in enumerate(islice(cases(texts, 7), 16)):
        turned = tuple(COMMANDS[(2 * number + at) % len(COMMANDS)] for at in range(2))
        assert broken(tmp_path, robot, changed, turned) == [], said
