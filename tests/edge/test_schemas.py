"""The JSON Schemas: valid, closed, found in both places; the quick verdict equals the library's."""

from __future__ import annotations

import copy
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from robokit_plan.edge import schemas
from robokit_plan.edge.robots import parse_robot
from robokit_plan.edge.schemas import read_schema, schema_folder
from robokit_plan.formats.schema_findings import _validator
from robokit_plan.formats.schema_predicates import UnknownKeyword, is_valid
from tests import plain_yaml
from tests.pace import within

from .manifest_example import GOOD

FILES = sorted(schema_folder().glob("*.schema.json"))
OURS = ("manifest", "robot")


def test_schemas_are_valid_by_the_meta_schema() -> None:
    assert {"manifest.schema.json", "robot.schema.json"} <= {file.name for file in FILES}
    for file in FILES:
        Draft202012Validator.check_schema(plain_yaml.load(file.read_text()))


def test_every_id_is_unique_and_names_its_file() -> None:
    ids = [plain_yaml.load(file.read_text())["$id"] for file in FILES]
    assert ids == [f"https://robokit-plan.example/schemas/{file.name}" for file in FILES]


def parts(schema: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    if isinstance(schema, dict):
        if schema.get("type") == "object":
            found.append(schema)
        for value in schema.values():
            found.extend(parts(value))
    elif isinstance(schema, list):
        for value in schema:
            found.extend(parts(value))
    return found


@pytest.mark.parametrize("name", OURS)
def test_every_map_is_closed_or_names_its_keys(name: str) -> None:
    for part in parts(read_schema(name)):
        if "properties" in part:
            assert part["additionalProperties"] is False, part
            assert "^x-" in part["patternProperties"], part
        else:
            assert {"propertyNames", "additionalProperties"} <= set(part), part


@pytest.mark.parametrize("name", OURS)
def test_every_key_says_what_it_is(name: str) -> None:
    """An editor shows a title or a description for each key."""
    schema = read_schema(name)
    for part in parts(schema):
        for key, value in part.get("properties", {}).items():
            definition = schema["$defs"].get(value.get("$ref", "").rpartition("/")[2], {})
            told = {**definition, **value}
            assert {"title", "description", "enum"} & set(told), key


@pytest.mark.parametrize("name", OURS)
def test_every_definition_is_used(name: str) -> None:
    text = (schema_folder() / f"{name}.schema.json").read_text()
    for definition in read_schema(name)["$defs"]:
        assert f'"#/$defs/{definition}"' in text


def test_an_installed_copy_is_found_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "robokit_plan"
    (package / "edge").mkdir(parents=True)
    shutil.copytree(schema_folder(), package / "schemas")
    monkeypatch.setattr(schemas, "__file__", str(package / "edge" / "schemas.py"))
    assert schema_folder() == package / "schemas"
    shutil.rmtree(package / "schemas")
    with pytest.raises(FileNotFoundError):
        schema_folder()


def test_names_with_a_line_feed_behind_them_are_refused() -> None:
    """Python's $ lets a line feed pass; ECMA 262, which JSON Schema follows, does not."""
    name = {"$ref": "#/$defs/name", "$defs": read_schema("manifest")["$defs"]}
    assert is_valid(name, "leak-guard")
    assert not is_valid(name, "leak-guard\n")
    assert not _validator(name).is_valid("leak-guard\n")


def test_a_keyword_that_is_not_known_is_refused() -> None:
    with pytest.raises(UnknownKeyword):
        is_valid({"uniqueItems": True}, [])


EXAMPLE: dict[str, Any] = plain_yaml.load(GOOD)


def in_python(schema: Any) -> Any:
    """Return *schema* with patterns as Python writes them: in ECMA 262 a $ is the very end."""
    if isinstance(schema, list):
        return [in_python(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: value.replace("$", r"\Z")
        if key == "pattern" and isinstance(value, str)
        else in_python(value)
        for key, value in schema.items()
    }


LIBRARY = {name: Draft202012Validator(in_python(read_schema(name))) for name in OURS}
"""The library alone, with nothing of ours in it."""


def told(errors: Iterable[Any]) -> set[Any]:
    """Return where each error stands, by which rule, and the same of what lies under it."""
    return {
        (tuple(one.absolute_path), tuple(one.absolute_schema_path), frozenset(told(one.context)))
        for one in errors
    }


def places(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    if isinstance(data, dict):
        for key, value in data.items():
            found.extend(places(value, (*path, key)))
    elif isinstance(data, list):
        for index, value in enumerate(data):
            found.extend(places(value, (*path, index)))
    return found


_ODD: st.SearchStrategy[Any] = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 2000),
    st.floats(allow_nan=False, allow_infinity=False, width=16),
    st.text(alphabet="abAB1-_ .:,\n", max_size=8),
    st.sampled_from(["any", "i2c1", "gpio17", "input", "up", "5V", "a,b", "0bda:2838", "x" * 70]),
    st.lists(st.integers(0, 20), max_size=3),
    st.dictionaries(st.sampled_from(["gpio", "function", "x-y", "Foo"]), st.integers(), max_size=2),
)


class TestQuickVerdict:
    """Law: `is_valid` says what the library says, and errors are those that it tells."""

    @settings(max_examples=300, deadline=None)
    @given(st.sampled_from(places(EXAMPLE)), _ODD, st.booleans())
    def test_changed_examples(self, path: tuple[Any, ...], odd: Any, drop: bool) -> None:
        data = copy.deepcopy(EXAMPLE)
        parent = data
        for step in path[:-1]:
            parent = parent[step]
        if drop:
            del parent[path[-1]]
        else:
            parent[path[-1]] = odd
        schema = read_schema("manifest")
        assert is_valid(schema, data) == LIBRARY["manifest"].is_valid(data)
        assert told(_validator(schema).iter_errors(data)) == told(
            LIBRARY["manifest"].iter_errors(data)
        )

    @settings(max_examples=100, deadline=None)
    @given(st.dictionaries(st.sampled_from(sorted(read_schema("robot")["properties"])), _ODD))
    def test_odd_robots(self, data: Any) -> None:
        schema = read_schema("robot")
        assert is_valid(schema, data) == LIBRARY["robot"].is_valid(data)
        assert told(_validator(schema).iter_errors(data)) == told(
            LIBRARY["robot"].iter_errors(data)
        )


def test_a_bad_value_among_thousands_is_told_quickly() -> None:
    """Found by fuzzing: the library looked into all of the good ones, ten times as long."""
    enabled = "- helm\n" * 30_000 + "- {as: a, plugin: b}\n" * 3_000
    with within(1):
        _, findings = parse_robot(f"robot: heron\nenabled:\n{enabled}card-gb: '16'\n", "robot.yaml")
    assert {one.places[0].origin.line for one in findings} == {1, 33_003}
