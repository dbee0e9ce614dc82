"""Places in TOML: what the standard's reader accepts, ours finds its way in."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from robokit_plan.formats import toml

LOCK = (Path(__file__).parents[1] / "cases" / "formats" / "lock-1.toml").read_text("utf-8")
# TOML 1.0.0, from its section "Spec": each kind of key, string, table.
STYLES = '''\
# [a] = "no"
"quoted # key" = """
[no]
b = 1 ""\\"""" # x
'a.b'.c = \'\'\'
[[no]] \'\' \'\'\'
"\\u00e9" . 'x y' = "tab\\t\\" ]"
list = [ # [
  1, [2, 3.5],
  {in = {side = [true, 1979-05-27T07:32:00Z]}},
]

[ a . "b.c" ]
d.e = 1e-3
f = -inf

[[rows]]
x = 1
[[rows.below]]
y = 07:32:00.5
[[rows.below]]
y = 2
[rows.table]
z = 'c:\\[x]'
[[rows]]
x = 2
[[rows.below]]
y = 3
'''


def paths(tree: object, path: toml.Path = ()) -> Iterator[tuple[toml.Path, object]]:
    if isinstance(tree, dict):
        for key, one in tree.items():
            yield (*path, key), one
            yield from paths(one, (*path, key))
    elif isinstance(tree, list):
        for at, one in enumerate(tree):
            yield (*path, at), one
            yield from paths(one, (*path, at))


@pytest.mark.parametrize("text", [LOCK, STYLES])
def test_each_value_is_found_where_it_stands(text: str) -> None:
    """A key at its name, an item at its first character, a table at its header."""
    lines = text.split("\n")
    found = set()
    for path, value in paths(tomllib.loads(text)):
        line, column = toml.place_of(path, text)
        rest = lines[line - 1][column - 1 :]
        if isinstance(path[-1], int):
            fits = rest.startswith(
                ("{", "[") if isinstance(value, dict | list) else toml.value(value)
            )
        else:
            name = rest.partition("=")[0].strip()
            first = tomllib.loads(f"{name} = 1") if name and not rest.startswith("[") else {}
            fits = rest.startswith("[") or path[-1] in str(first)
        assert fits, (path, line, column, rest)
        found.add((line, column))
    assert len(found) > 20


@pytest.mark.parametrize(
    ("path", "place"),
    [
        (("quoted # key",), (2, 1)),
        (("a.b", "c"), (5, 1)),
        (("é", "x y"), (7, 1)),
        (("list",), (8, 1)),
        (("list", 1, 1), (9, 10)),
        (("list", 2, "in", "side", 1), (10, 24)),
        (("a", "b.c"), (13, 1)),
        (("a", "b.c", "d", "e"), (14, 1)),
        (("rows", 0, "below", 1, "y"), (22, 1)),
        (("rows", 0, "table", "z"), (24, 1)),
        (("rows", 1, "below", 0, "y"), (28, 1)),
        (("rows", 1, "absent", "x"), (25, 1)),
        (("absent",), (1, 1)),
    ],
)
def test_places(path: toml.Path, place: tuple[int, int]) -> None:
    """Counted by hand."""
    assert toml.place_of(path, STYLES) == place


@given(st.text("[]{}=.,\"'#\n\\ ab1", max_size=30))
@example("a = [[[[")
def test_any_text_has_a_place(text: str) -> None:
    """What is no TOML at all ends, too."""
    line, column = toml.place_of(("a", 0, "b"), text)
    assert line >= 1
    assert column >= 1
