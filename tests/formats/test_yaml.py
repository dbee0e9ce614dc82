"""YAML with places: what is read, where it stands, what is refused, and how long that takes."""

from __future__ import annotations

from contextlib import nullcontext
from typing import Any

import pytest
import yaml
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from robokit_plan.edge.schemas import read_schema
from robokit_plan.formats import tree as tree_module
from robokit_plan.formats.ambiguities import joined_splits, key_ambiguities
from robokit_plan.formats.scalars import Ambiguity, plain_value
from robokit_plan.formats.schema_findings import _ambiguities, check_shape
from robokit_plan.formats.tree import (
    MAX_DEPTH,
    Listing,
    Map,
    Node,
    Scalar,
    decoded,
    parse_tree,
    shown,
)
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Origin
from tests.pace import within


def tree_of(text: str) -> Node:
    tree, findings = parse_tree(text, "f.yaml")
    assert not findings
    assert tree is not None
    return tree


# -- scalars ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        # YAML 1.2.2, example 10.3 (core schema): null, booleans, integers, floats, strings.
        ("null", None),
        ("~", None),
        ("", None),
        ("true", True),
        ("False", False),
        ("0", 0),
        ("0x3A", 58),
        ("-19", -19),
        ("0.", 0.0),
        ("+12.3", 12.3),
        ("+12e+03", 12000.0),
        ("gpio17", "gpio17"),
        ("0bda:2838", "0bda:2838"),
    ],
)
def test_plain_scalars_mean_what_yaml_1_2_says(raw: str, value: Any) -> None:
    assert plain_value(raw)[0] == value


@pytest.mark.parametrize(
    ("raw", "ambiguity"),
    [
        # yaml.org/type/int.html and bool.html (YAML 1.1): forms that YAML 1.2 reads otherwise.
        ("010", Ambiguity.LEADING_ZERO),
        ("1_000", Ambiguity.UNDERSCORE),
        ("685_230", Ambiguity.UNDERSCORE),
        ("190:20:30", Ambiguity.SEXAGESIMAL),
        ("1:30", Ambiguity.SEXAGESIMAL),
        ("0b1010_0111", Ambiguity.OTHER_BASE),
        ("0o17", Ambiguity.OTHER_BASE),
        ("1e3", Ambiguity.OTHER_BASE),
        ("on", Ambiguity.SWITCH),
        ("No", Ambiguity.SWITCH),
        ("OFF", Ambiguity.SWITCH),
        (".inf", Ambiguity.NOT_A_NUMBER),
        ("9" * 30 + "e999", Ambiguity.NOT_A_NUMBER),
    ],
)
def test_forms_that_readers_disagree_about_are_surprises(raw: str, ambiguity: Ambiguity) -> None:
    assert plain_value(raw)[1] is ambiguity


class TestScalarsAgainstTwoReaders:
    """
    Law: where no ambiguity is told, a reader of YAML 1.1 and one of YAML 1.2 agree with us.

    PyYAML resolves as YAML 1.1, ruamel.yaml as YAML 1.2; both were written by others. Time
    stamps are left out: no key of ours holds one, and a text is what is wanted there.
    """

    reader_1_2 = YAML(typ="safe", pure=True)

    @settings(max_examples=400, deadline=None)
    @given(
        st.one_of(
            st.text(alphabet="0123456789+-._:eExXoObafnyt~", min_size=1, max_size=8),
            st.sampled_from(
                ["on", "Yes", "no", "n", "y", "NULL", "~", ".inf", "-.5", "+.5", "1.", "0x1F", "08"]
            ),
        )
    )
    def test_agreement(self, raw: str) -> None:
        try:
            tree, _ = parse_tree(f"k: {raw}\n", "f.yaml")
        except UnreadableFile:
            return
        assert tree is not None
        node = tree.at(("k",))
        assume(node.kind == "scalar" and node.plain and node.raw == raw)
        value, ambiguity = plain_value(raw)
        if ambiguity is not None:
            return
        old = yaml.safe_load(f"k: {raw}\n")["k"]
        assume(isinstance(old, (str, int, float, bool, type(None))))
        try:
            new = self.reader_1_2.load(f"k: {raw}\n")["k"]
        except (ValueError, OverflowError):  # it takes `._` for a number and stumbles
            return
        assume(isinstance(new, (str, int, float, bool, type(None))))
        assert (type(value), value) == (type(old), old)
        assert (type(value), value) == (type(new), new)


# -- places -------------------------------------------------------------------------------------

PLACED = """\
# comment
plugin: nav-lights
hardware:
  signals:
    leak: {function: input, gpio: [17, any]}
  i2c:
    - é: 0x28
"""


@pytest.mark.parametrize(
    ("path", "line", "column"),
    [
        (("plugin",), 2, 9),
        (("hardware", "signals", "leak"), 5, 11),
        (("hardware", "signals", "leak", "gpio", 1), 5, 40),
        (("hardware", "i2c", 0), 7, 7),
        (("hardware", "i2c", 0, "é"), 7, 10),
    ],
)
def test_every_value_knows_its_line_and_column(
    path: tuple[str | int, ...], line: int, column: int
) -> None:
    # Counted by hand in the text above, from 1.
    assert tree_of(PLACED).at(path).origin == Origin(file="f.yaml", line=line, column=column)


def test_a_key_knows_its_own_place() -> None:
    key, _ = tree_of(PLACED).at(("hardware", "signals")).entries["leak"]
    assert (key.origin.line, key.origin.column) == (5, 5)


_SCALARS = st.one_of(
    st.integers(-1000, 1000),
    st.booleans(),
    st.none(),
    # A word such as 1e3, which readers of YAML 1.1 and 1.2 take differently, is a ambiguity of its own.
    st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=12).filter(
        lambda text: not text or plain_value(text)[1] is None
    ),
)
_DATA = st.recursive(
    _SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.text("abcdefgh-", min_size=1, max_size=6), inner, max_size=4),
    ),
    max_leaves=12,
)


class TestAgainstTheLibrarysOwnComposer:
    """Law: values and places equal those of PyYAML's composer, in block and in flow style."""

    @settings(max_examples=100, deadline=None)
    @given(_DATA, st.booleans())
    def test_values_and_marks(self, data: Any, flow: bool) -> None:
        text = yaml.safe_dump({"top": data}, default_flow_style=flow, allow_unicode=True)
        read, findings = parse_tree(text, "f.yaml")
        # A word that YAML 1.2 reads as a number is told as a finding, and read as its writer meant.
        assume(not findings)
        assert read is not None
        tree = read
        assert tree.data() == {"top": data}
        theirs = yaml.compose(text, Loader=yaml.SafeLoader)
        self.compare(tree, theirs)

    def compare(self, ours: Node, theirs: Any) -> None:
        mark = theirs.start_mark
        assert (ours.origin.line, ours.origin.column) == (mark.line + 1, mark.column + 1)
        assert ours.start == mark.index
        if isinstance(theirs, yaml.MappingNode):
            for (key, value), (their_key, their_value) in zip(
                ours.entries.values(), theirs.value, strict=True
            ):
                self.compare(key, their_key)
                self.compare(value, their_value)
        elif isinstance(theirs, yaml.SequenceNode):
            for item, their_item in zip(ours.items, theirs.value, strict=True):
                self.compare(item, their_item)
        else:
            assert ours.raw == theirs.value


def test_the_pure_parser_reads_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no libyaml was built, the result is the same, places too."""
    fast = tree_of(PLACED)
    monkeypatch.setattr(tree_module, "_LOADER", yaml.SafeLoader)
    slow = tree_of(PLACED)
    assert [(path, node.origin, node.value) for path, node in fast.walk()] == [
        (path, node.origin, node.value) for path, node in slow.walk()
    ]


# -- odd forms ----------------------------------------------------------------------------------


def test_a_repeated_key_is_told_with_every_place() -> None:
    tree, findings = parse_tree("a: 1\nb: 2\na: 3\na: 4\n", "f.yaml")
    assert tree is not None
    assert tree.data() == {"a": 1, "b": 2}
    (one,) = findings
    assert one.rule == "duplicate-key"
    assert one.message == "key `a` stands 3 times in one map"
    assert [place.origin.line for place in one.places] == [1, 3, 4]


def test_aliases_and_merged_keys_are_followed() -> None:
    tree = tree_of("x-base: &b {a: 1, c: 2}\none: {<<: *b, a: 3}\ntwo: *b\n")
    assert tree.data() == {
        "x-base": {"a": 1, "c": 2},
        "one": {"a": 3, "c": 2},
        "two": {"a": 1, "c": 2},
    }


@pytest.mark.parametrize(
    "text", ["a: 1", "a: [x,y, <3]", "{a: b,c}", "{[a]: b}", "<<: {a: 1}\na: 2\na: 3\n<<: x"]
)
def test_nothing_is_put_into_what_all_scalars_share(text: str) -> None:
    """Scalars have neither items nor entries, whatever reading puts right around them."""
    tree, _ = parse_tree(text, "m.yaml")
    assert tree is not None
    joined_splits(tree, text)
    check_shape(tree, read_schema("manifest"))
    assert (Node.items, Node.entries) == ([], {})


@pytest.mark.parametrize(
    ("text", "weight", "height"),
    [("a: 1", 3, 1), ("a: []", 3, 1), ("[[[x]], y]", 5, 3), ("a: &p [x, y]\nb: *p", 9, 2)],
)
def test_a_value_knows_how_much_is_in_it(text: str, weight: int, height: int) -> None:
    """Every key, value, list and map counts as one, and an alias as what it stands for."""
    tree, _ = parse_tree(text, "m.yaml")
    assert tree is not None
    assert (tree.weight, tree.height) == (weight, height)


def test_a_tag_is_told_and_never_run() -> None:
    _, findings = parse_tree("a: !!python/object/apply:os.system [ls]\n", "f.yaml")
    assert [one.rule for one in findings] == ["yaml-surprise"]
    assert "python/object/apply:os.system" in findings[0].message


def test_harmless_tags_pass() -> None:
    assert tree_of("a: !!str 3.10\nb: !!map {}\n").data() == {"a": "3.10", "b": {}}


def test_braces_for_a_key_are_told() -> None:
    _, findings = parse_tree("a: {{ x }}\n", "f.yaml")
    assert [one.message for one in findings] == ["a list or map stands where a key should be"]


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("boards: [raspberrypi,4-model-b]", ["raspberrypi,4-model-b"]),
        ("boards: [raspberrypi,4-model-b, other]", ["raspberrypi,4-model-b", "other"]),
        ("requires: [numpy>=1.24,<3]", ["numpy>=1.24,<3"]),
        ("requires: [numpy>=1.24, <3, scipy]", ["numpy>=1.24,<3", "scipy"]),
        ("requires: [a~=1.0,==1.*]", ["a~=1.0,==1.*"]),
    ],
)
def test_items_split_at_a_comma_are_told_and_read_as_meant(text: str, meant: list[str]) -> None:
    tree = tree_of(text)
    (one,) = joined_splits(tree, text)
    assert one.rule == "yaml-surprise"
    assert tree.data() == {text.partition(":")[0]: meant}
    assert one.repair == (f'"{meant[0]}"',)


@pytest.mark.parametrize(
    "text",
    ["gpio: [12,18]", "groups: [gpio,i2c]", 'boards: ["a,b","c,d"]', 'requires: ["a>=1,<2", "b"]'],
)
def test_lists_that_mean_what_they_say_pass(text: str) -> None:
    assert joined_splits(tree_of(text), text) == []


def _parted(parts: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    """Return parts with commas between them, with a space behind each or without."""
    return st.lists(st.tuples(parts, st.sampled_from([",", ", "])), max_size=4).map(
        lambda pairs: "".join(part + comma for part, comma in pairs)
    )


_WORD = st.sampled_from(["a", "b", "x,y", "<3", "~=1", "=", "on", "010", "1:30", '"q"', "c:1", ""])
_NAME = st.sampled_from(["a", "boards", "on", "c:1"])
_VALUE = st.one_of(
    _WORD,
    _parted(_WORD).map("[{}]".format),
    _parted(st.one_of(_WORD, st.tuples(_NAME, _WORD).map(": ".join))).map("{{{}}}".format),
)


@settings(max_examples=600, deadline=None)
@given(
    st.lists(st.tuples(_NAME, _VALUE), min_size=1, max_size=3, unique_by=lambda pair: pair[0]).map(
        lambda pairs: "".join(f"{name}: {value}\n" for name, value in pairs)
    )
)
def test_what_is_not_odd_holds_no_surprise(text: str) -> None:
    """Law: where a tree is marked as plain, looking through all of it would find nothing."""
    try:
        tree, _ = parse_tree(text, "f.yaml")
    except UnreadableFile:
        return
    if not isinstance(tree, Map | Listing | Scalar) or tree.odd:
        return
    before = tree.data()
    tree.odd = True
    assert (joined_splits(tree, text), key_ambiguities(tree), _ambiguities(tree)) == ([], [], [])
    assert tree.data() == before


def test_a_value_split_between_keys_is_told() -> None:
    text = "a: {board: raspberrypi,4-model-b}"
    (one,) = joined_splits(tree_of(text), text)
    assert one.message == "`board: raspberrypi,4-model-b` is split at the comma into two keys"
    assert one.repair[0] == 'board: "raspberrypi,4-model-b"'


def test_a_missing_space_is_told() -> None:
    text = "a: {gpio:17}"
    (one,) = joined_splits(tree_of(text), text)
    assert one.message == "`gpio:17` is one word, not a key with a value"
    assert one.repair == ("gpio: 17",)


# -- refused ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("a:\n\tb: 1\n", (2, 1), "the line is indented with a tab"),
        ("a: [1,\nb: 2\n", (1, 4), "a list that opened with [ is not closed"),
        ("a: {b: 1\n", (1, 4), "a map that opened with { is not closed"),
        ("a: 'x\n", (1, 4), "a quote is opened and never closed"),
        ("a: [", (1, 4), "a value or a closing bracket is missing here"),
        ("a: [x, @y]\n", (1, 8), "a value cannot begin with `@` unless it is in quotes"),
        ("a: @x\n", (1, 4), "a value cannot begin with `@` unless it is in quotes"),
        ("a: 1\n---\nb: 2\n", (2, 1), "a second YAML document begins here"),
        ("a: *x\n", (1, 4), "*x has no &x before it"),
        ("a: &x [*x]\n", (1, 8), "*x stands inside itself"),
        ("a: \x07\n", None, "it holds a control character"),
    ],
)
def test_what_does_not_parse_is_told_in_a_builders_words(
    text: str, place: tuple[int, int] | None, words: str
) -> None:
    with pytest.raises(UnreadableFile) as caught:
        parse_tree(text, "f.yaml")
    assert str(caught.value) == f"f.yaml cannot be read: {words}"
    if place:
        assert (caught.value.place.line, caught.value.place.column) == place
    assert [one.rule for one in caught.value.findings] == ["file-unreadable"]


@pytest.mark.parametrize(
    ("content", "words", "place"),
    [
        (b"a: \xff\n", "byte 0xff is not UTF-8", (1, 4)),
        ("a: é\nb: ".encode() + b"\xe9", "byte 0xe9 is not UTF-8", (2, 4)),
        (b"\x00\x01", "it holds zero bytes, so it is no text", (0, 0)),
        (b"x" * 1_000_001, "it is larger than 1 MB, more than any such file needs", (0, 0)),
        ("a: 1".encode("utf-16"), "byte 0xff is not UTF-8", None),
    ],
)
def test_bytes_that_are_no_text_are_refused(
    content: bytes, words: str, place: tuple[int, int] | None
) -> None:
    with pytest.raises(UnreadableFile) as caught:
        decoded(content, "f.yaml")
    if place is None:
        return  # UTF-16 holds zero bytes too: whichever is told first
    assert str(caught.value) == f"f.yaml cannot be read: {words}"
    assert (caught.value.place.line, caught.value.place.column) == place


def test_a_byte_order_mark_is_no_content() -> None:
    assert decoded("\ufeffa: 1".encode(), "f.yaml") == "a: 1"
    with pytest.raises(UnreadableFile) as caught:
        decoded(b"\xef\xbb\xbfa: \xff", "f.yaml")
    assert caught.value.place == Origin(file="f.yaml", line=1, column=4)


HOSTILE = {
    "alias bomb": "a: &a [x,x,x,x,x,x,x,x,x]\n"
    + "".join(
        f"{name}: &{name} [{','.join([f'*{before}'] * 9)}]\n"
        for before, name in zip("abcdefgh", "bcdefghi", strict=True)
    ),
    "merge bomb": "a: &a {" + ",".join(f"k{i}: 1" for i in range(5000)) + "}\n"
    "b: [" + ",".join(["{<<: *a}"] * 5000) + "]\n",
    "deep flow": "[" * 100_000,
    "deep maps": "{a: " * 100_000,
    "deep block": "- " * 100_000,
    "deep keys": "? " * 100_000,
    "many values": "[" + "x," * 300_000 + "]",
    "one long line": "a" * 900_000,
}


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_text_is_refused_quickly(name: str) -> None:
    refused = nullcontext() if name == "one long line" else pytest.raises(UnreadableFile)
    with within(3), refused:
        parse_tree(HOSTILE[name], "f.yaml")


def test_nesting_up_to_the_limit_is_read() -> None:
    depth = MAX_DEPTH
    assert tree_of("[" * depth + "]" * depth).height == depth - 1
    with pytest.raises(UnreadableFile, match="nests deeper"):
        parse_tree("[" * (depth + 1) + "]" * (depth + 1), "f.yaml")


@settings(max_examples=300, deadline=2000)
@given(
    st.one_of(
        st.text(max_size=200),
        st.text(alphabet="ab:-[]{},&*#!|>'\"%@`? \n\t<=0_1", max_size=120),
    )
)
def test_any_text_gives_a_tree_or_one_exception(text: str) -> None:
    try:
        tree, _ = parse_tree(text, "f.yaml")
    except UnreadableFile:
        return
    if tree is not None:
        tree.data()
        joined_splits(tree, text)


@settings(max_examples=150, deadline=2000)
@given(st.binary(max_size=200))
def test_any_bytes_give_text_or_one_exception(content: bytes) -> None:
    try:
        text = decoded(content, "f.yaml")
    except UnreadableFile:
        return
    assert text.encode("utf-8") in {content, content.removeprefix(b"\xef\xbb\xbf")}


def test_a_strangers_text_cannot_move_the_cursor() -> None:
    assert shown("a\x1b[2Jb\nc") == "`a\\x1b[2Jb\\nc`"
    assert len(shown("x" * 500)) < 70
