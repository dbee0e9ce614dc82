"""Relations read as Policy 7.1 writes them, and what it does not write is told apart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.resolve.debian import RelationError, parse_relations
from robokit_plan.resolve.debian._explain import group_text
from robokit_plan.resolve.debian._relation import index_relations
from tests import plain_yaml

CASES = plain_yaml.load(
    (Path(__file__).parents[2] / "standards" / "debian" / "relations.yaml").read_text("utf-8")
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["text"][:40])
def test_published_examples(case: dict[str, Any]) -> None:
    """The groups of Policy's own examples, for arm64; the reader of indices agrees."""
    groups = [[str(one) for one in group] for group in parse_relations(case["text"], "arm64")]
    assert groups == case["groups"]
    by_index = [[str(one) for one in group] for group in index_relations(case["text"], "arm64")]
    assert by_index == case["groups"]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("mosquitto (> 2)", "> is not an operator of Debian Policy 7.1"),
        ("mosquitto >= 2", "a version relation stands in parentheses: name (>= 1.2)"),
        ("Mosquitto", "package names are lower case letters, digits, plus, minus and full stop"),
        ("x", "package names are lower case letters, digits, plus, minus and full stop"),
        ("mosquitto |", "a name is missing"),
        ("", "a name is missing"),
        ("mosquitto; reboot", "expected: name, name (>= 1.2), or alternatives name | other"),
        ("mosquitto (>= )", "expected: name, name (>= 1.2), or alternatives name | other"),
    ],
)
def test_not_a_relation(text: str, reason: str) -> None:
    """Each slip is named."""
    with pytest.raises(RelationError) as caught:
        parse_relations(text, "arm64")
    assert caught.value.reason == reason


@given(st.text(alphabet="ab1.+-:()<>=|,[]! ~\n", max_size=40))
def test_any_text_parses_or_is_refused(text: str) -> None:
    """Nothing else is ever raised, and what was read can be written and read again."""
    index_relations(text, "arm64")
    try:
        groups = parse_relations(text, "arm64")
    except RelationError:
        return
    again = ", ".join(group_text(group) for group in groups)
    if again:
        assert parse_relations(again, "arm64") == groups
