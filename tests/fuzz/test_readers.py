"""
A few changed examples for each reader, and each input that once broke one.

``python -m tests.fuzz`` looks for more, guided by coverage.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.pace import within

from .mutation import mutate_bytes
from .readers import READERS, SAMPLE

CASES = Path(__file__).parents[1] / "cases" / "fuzz"
"""READER/NAME: inputs that ended in something else than a plan, findings or a clear error."""


@pytest.mark.parametrize("name", READERS)
def test_seeds_are_read_whole(name: str) -> None:
    for seed in READERS[name].seeds():
        READERS[name].read(seed)


@pytest.mark.parametrize("name", READERS)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_changed_examples(name: str, data: st.DataObject) -> None:
    """Ends, or refuses in the reader's own way; what is printed is text and nothing more."""
    reader = READERS[name]
    chance = random.Random(data.draw(st.integers(0, 2**32), label="seed"))
    body = reader.mutate(chance.choice([*reader.seeds()]), chance)
    if chance.random() < 0.05:
        body = mutate_bytes(body, chance)
    reader.read(body)


@pytest.mark.parametrize(
    "path", sorted(CASES.glob("*/*")), ids=lambda path: f"{path.parent.name}/{path.name}"
)
def test_what_once_broke_a_reader(path: Path) -> None:
    READERS[path.parent.name].read(path.read_bytes())


def test_thousands_of_commands_are_told_quickly() -> None:
    """Each that names no actuator made the whole list anew; found by fuzzing a manifest."""
    manifest = yaml.safe_load((SAMPLE / "plugins/helm/manifest.yaml").read_text("utf-8"))
    manifest["topics"]["commands"] = [f"port-{number}" for number in range(20_000)]
    body = yaml.safe_dump(manifest, sort_keys=False).encode()
    for seed in READERS["manifest"].seeds():
        READERS["manifest"].read(seed)
    with within(4):
        READERS["manifest"].read(body)
