"""The kept form of data files: quicker, never wrong, never in the way."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from robokit_plan.edge import _cached_yaml
from robokit_plan.edge._cached_yaml import read_data_file
from robokit_plan.edge.facts import read_board


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    path = tmp_path / "some.yaml"
    path.write_text("a: {b: 1}\n", "utf-8")
    return path


def test_a_second_reading_does_not_parse(
    cache: Path, data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = read_data_file(data)

    def blow_up(raw: bytes) -> None:
        raise AssertionError(raw)

    monkeypatch.setattr(_cached_yaml, "_parsed", blow_up)
    assert read_data_file(data) == first == {"a": {"b": 1}}


def test_an_edited_file_is_read_anew(cache: Path, data: Path) -> None:
    read_data_file(data)
    data.write_text("a: {b: 2}\n", "utf-8")
    assert read_data_file(data) == {"a": {"b": 2}}


@pytest.mark.parametrize(
    "junk", ["", "{", "[]", '{"digest": "x", "data": {"a": 3}}', '{"data": 1}', "\x00"]
)
def test_a_spoiled_entry_is_ignored_and_mended(cache: Path, data: Path, junk: str) -> None:
    read_data_file(data)
    (entry,) = (cache / "facts").iterdir()
    entry.write_text(junk, "utf-8")
    assert read_data_file(data) == {"a": {"b": 1}}
    assert json.loads(entry.read_text("utf-8"))["data"] == {"a": {"b": 1}}


def test_no_folder_only_costs_time(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder", "utf-8")
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(blocked / "below"))
    assert read_data_file(data) == {"a": {"b": 1}}
    monkeypatch.setattr(_cached_yaml, "cache_folder", lambda: None)
    assert read_data_file(data) == {"a": {"b": 1}}


def test_cold_and_warm_give_the_same_board(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cold = read_board("raspberrypi,4-model-b")
    warm = read_board("raspberrypi,4-model-b")
    monkeypatch.setattr(_cached_yaml, "cache_folder", lambda: None)
    assert cold == warm == read_board("raspberrypi,4-model-b")
