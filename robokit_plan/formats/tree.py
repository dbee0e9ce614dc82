"""YAML as a tree in which every key and value knows its line and column."""

from __future__ import annotations

import re
from codecs import BOM_UTF8
from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Literal, NamedTuple, Protocol

import yaml
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from robokit_plan.model import Finding, Origin, SettingValue, Severity, finding, limit_text, replace

from .scalars import NUMBERS_BEGIN, WORDS, Ambiguity, plain_value
from .unreadable import UnreadableFile

MAX_BYTES = 1_000_000
MAX_DEPTH = 32
MAX_NODES = 60_000
"""Counted after aliases are followed: a handful of lines can stand for billions."""

Path = tuple[str | int, ...]
"""Keys and positions from the top of a file down to one value."""

_STANDARD_TAG = "tag:yaml.org,2002:"
_TEXT_TAG = f"{_STANDARD_TAG}str"
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Mark(Protocol):
    """A place in a text, as the library tells it; all three count from 0."""

    index: int
    line: int
    column: int


class Mark:
    """A place within a value that the library read as one."""

    __slots__ = ("column", "index", "line")

    def __init__(self, index: int, line: int, column: int) -> None:
        self.index = index
        self.line = line
        self.column = column


class Node:
    """
    One value of a YAML file.

    Shape:
        `items` for a list; `entries` key -> (key node, value node) for a map, first of
        repeated keys; `line` and `column` from 1; `start` and `end` are offsets in the text,
        `end` exact for scalars and flow collections only. `weight` nodes below and with it,
        `height` levels. `odd`: something in it may mean something else than its writer saw, so
        whoever looks for that must look here. `mended`: where reading put right what was split
        or run together, the text to stand in its place.

    What no value of a kind has is an attribute of the class, since files have thousands of
    values: scalars share their empty `items` and `entries`, and nothing may be put into those.
    """

    __slots__ = ("end_mark", "file", "start_mark")

    kind: Literal["map", "list", "scalar"]
    raw: str = ""
    value: SettingValue = None
    plain: bool = False
    ambiguity: Ambiguity | None = None
    odd: bool = False
    flow: bool = False
    mended: str = ""
    items: list[Node] = []  # noqa: RUF012  see above
    entries: dict[str, tuple[Node, Node]] = {}  # noqa: RUF012
    weight: int = 1
    height: int = 0
    done: bool = True

    file: str
    start_mark: _Mark
    end_mark: _Mark

    @property
    def start(self) -> int:
        """Offset of its first character."""
        return self.start_mark.index

    @property
    def end(self) -> int:
        """Offset behind its last character."""
        return self.end_mark.index

    @property
    def line(self) -> int:
        """Line of its first character, from 1."""
        return self.start_mark.line + 1

    @property
    def column(self) -> int:
        """Column of its first character, from 1."""
        return self.start_mark.column + 1

    @property
    def origin(self) -> Origin:
        """Where it stands; made when somebody asks, which most values are never asked for."""
        mark = self.start_mark
        return Origin(file=self.file, line=mark.line + 1, column=mark.column + 1)

    @property
    def is_empty(self) -> bool:
        """Whether nothing was written at all."""
        return self.kind == "scalar" and self.plain and self.start == self.end

    def data(self) -> Any:
        """Return plain data as JSON knows it."""
        kind = self.kind
        if kind == "scalar":
            return self.value
        if kind == "list":
            return [one.value if one.kind == "scalar" else one.data() for one in self.items]
        return {
            key: one.value if one.kind == "scalar" else one.data()
            for key, (_, one) in self.entries.items()
        }

    def at(self, path: Path) -> Node:
        """Return the node at *path*, or the last one on the way that exists."""
        node = self
        for step in path:
            if node.kind == "map" and step in node.entries:
                node = node.entries[str(step)][1]
            elif node.kind == "list" and isinstance(step, int) and step < len(node.items):
                node = node.items[step]
            else:
                break
        return node

    def walk(self, *, own: bool = True) -> Iterator[tuple[Path, Node]]:
        """
        Yield every node below and with this one, in the file's order.

        Without *own* what stands under keys that begin with ``x-``, which is the writer's alone,
        is left out.
        """
        waiting: list[tuple[Path, Node]] = [((), self)]
        while waiting:
            path, node = waiting.pop()
            yield path, node
            if node.kind == "scalar":
                continue
            inside: list[tuple[Path, Node]] = [
                ((*path, index), item) for index, item in enumerate(node.items)
            ]
            inside += [
                ((*path, key), value)
                for key, (_, value) in node.entries.items()
                if own or not key.startswith("x-")
            ]
            inside.reverse()
            waiting += inside


class Scalar(Node):
    """A single value; only where it is `plain` can it be anything but text."""

    __slots__ = ("ambiguity", "mended", "odd", "plain", "raw", "value")

    kind: Literal["scalar"] = "scalar"

    def __init__(
        self,
        file: str,
        start: _Mark,
        end: _Mark,
        raw: str,
        value: SettingValue,
        plain: bool,
        ambiguity: Ambiguity | None = None,
        odd: bool = False,
        mended: str = "",
    ) -> None:
        self.file = file
        self.start_mark = start
        self.end_mark = end
        self.raw = raw
        self.value = value
        self.plain = plain
        self.ambiguity = ambiguity
        self.odd = odd
        self.mended = mended


class _Collection(Node):
    """A list or map. While it is being read, `weight` is how many values were read before it."""

    __slots__ = ("done", "flow", "height", "odd", "weight")

    def _begin(self, file: str, start: _Mark, flow: bool, before: int) -> None:
        self.file = file
        self.start_mark = start
        self.end_mark = start
        self.flow = flow
        self.weight = before
        self.odd = False
        self.height = 0
        self.done = False


class Listing(_Collection):
    """A list."""

    __slots__ = ("items",)

    kind: Literal["list"] = "list"

    def __init__(self, file: str, start: _Mark, flow: bool, before: int) -> None:
        self.items = []
        self._begin(file, start, flow, before)


class Map(_Collection):
    """A map."""

    __slots__ = ("entries",)

    kind: Literal["map"] = "map"

    def __init__(self, file: str, start: _Mark, flow: bool, before: int) -> None:
        self.entries = {}
        self._begin(file, start, flow, before)


class _Aside(NamedTuple):
    """What few maps have: others that were merged into it, and keys that were there before."""

    merged: list[Node]
    repeats: dict[str, list[Node]]


def decoded(content: bytes, file: str) -> str:
    """
    Return the text of a user's file.

    Raises:
        UnreadableFile: Too large, binary, or not UTF-8.
    """
    if len(content) > MAX_BYTES:
        raise UnreadableFile.at(
            Origin(file=file),
            f"it is larger than {limit_text(MAX_BYTES)}, more than any such file needs",
            "give the path of a manifest.yaml or robot.yaml",
        )
    if b"\0" in content:
        raise UnreadableFile.at(
            Origin(file=file),
            "it holds zero bytes, so it is no text",
            f"save {file} as UTF-8 text",
        )
    content = content.removeprefix(BOM_UTF8)
    try:
        return content.decode()
    except UnicodeDecodeError as error:
        before = content[: error.start].decode("utf-8")
        line = before.count("\n") + 1
        column = len(before) - (before.rfind("\n") + 1) + 1
        raise UnreadableFile.at(
            Origin(file=file, line=line, column=column),
            f"byte 0x{content[error.start]:02x} is not UTF-8",
            f"save {file} with the encoding UTF-8",
        ) from None


def parse_tree(text: str, file: str) -> tuple[Node | None, list[Finding]]:
    """
    Return the tree of the one YAML document in *text*, and what is odd about its form.

    None: there is no document. Found here: repeated keys, keys that are no words, tags.

    Raises:
        UnreadableFile: It does not parse, or it would grow or nest beyond all sense.
    """
    if len(text) > MAX_BYTES:
        raise UnreadableFile.at(Origin(file=file), "it is larger than 1 MB")
    findings: list[Finding] = []
    try:
        return _composed(text, file, findings), findings
    except (yaml.YAMLError, UnicodeError, ValueError) as error:
        raise _unparsable(text, file, error) from None


def _composed(text: str, file: str, findings: list[Finding]) -> Node | None:
    # From events with a stack of our own: composing in the library recurses, and a file from
    # a stranger could exhaust the C stack. One loop, since a library has a hundred thousand
    # values, and each call costs as much as what it does.
    stack: list[_Collection] = []
    keys: list[Node | None] = []
    """The key of each but the innermost map of `stack` that waits for its value."""
    target: _Collection | None = None
    key: Node | None = None
    asides: dict[Node, _Aside] = defaultdict(lambda: _Aside([], defaultdict(list)))
    anchors: dict[str, Node] = {}
    root: Node | None = None
    documents = 0
    read = 0
    # The parser gives None once it has given the end of the stream.
    for event in iter(_LOADER(text).get_event, None):
        kind = event.__class__
        node: Node
        if kind is ScalarEvent:
            raw, tag = event.value, event.tag
            if event.style or tag == _TEXT_TAG:
                node = Scalar(file, event.start_mark, event.end_mark, raw, raw, False)
            elif raw in WORDS or raw[0] in _TELLING:
                value, ambiguity = plain_value(raw)
                odd = ambiguity is not None or not raw or raw[0] in _JOINING
                node = Scalar(
                    file, event.start_mark, event.end_mark, raw, value, True, ambiguity, odd
                )
                if odd and target is not None:
                    target.odd = True
            else:
                node = Scalar(file, event.start_mark, event.end_mark, raw, raw, True)
            if tag is not None:
                _check_tag(tag, node, findings)
            if event.anchor is not None:
                anchors[event.anchor] = node
            read += 1
        elif kind is MappingStartEvent or kind is SequenceStartEvent:
            make = Map if kind is MappingStartEvent else Listing
            begun = make(file, event.start_mark, bool(event.flow_style), read)
            if len(stack) >= MAX_DEPTH:
                raise UnreadableFile.at(begun.origin, f"it nests deeper than {MAX_DEPTH} levels")
            if event.tag is not None:
                _check_tag(event.tag, begun, findings)
            if event.anchor is not None:
                anchors[event.anchor] = begun
            stack.append(begun)
            keys.append(key)
            target, key = begun, None
            continue
        elif kind is MappingEndEvent or kind is SequenceEndEvent:
            closed = stack.pop()
            key = keys.pop()
            target = stack[-1] if stack else None
            read += 1
            closed.end_mark = event.end_mark
            closed.weight = read - closed.weight
            if closed.weight > 1 and not closed.height:
                closed.height = 1
            closed.done = True
            if closed in asides or "" in closed.entries:
                _finish(closed, asides[closed], findings)
            if target is not None:
                _pass_on(closed, target)
            node = closed
        elif kind is AliasEvent:
            node = _aliased(event, anchors, file)
            if len(stack) + node.height > MAX_DEPTH:
                raise UnreadableFile.at(
                    _origin(event, file), f"it nests deeper than {MAX_DEPTH} levels"
                )
            read += node.weight
            if target is not None:
                _pass_on(node, target)
        elif kind is DocumentStartEvent:
            documents += 1
            if documents > 1:
                raise UnreadableFile.at(
                    _origin(event, file),
                    "a second YAML document begins here",
                    "remove the line ---",
                )
            continue
        else:
            continue
        if read > MAX_NODES:
            raise UnreadableFile.at(
                node.origin, f"it holds more than {MAX_NODES} values once its aliases are followed"
            )
        if target is None:
            root = node
        elif target.kind == "list":
            # Without a space behind the comma they may be one word, as "maker,model" is.
            if target.flow and target.items and target.items[-1].end + 1 == node.start:
                target.odd = True
            target.items.append(node)
        elif key is None:
            key = node
        else:
            name = key.raw
            if name == "<<" and key.plain:
                asides[target].merged.extend(node.items if node.kind == "list" else [node])
            elif name in target.entries:
                asides[target].repeats[name].append(key)
            else:
                target.entries[name] = (key, node)
            key = None
    return root


def _aliased(event: Any, anchors: dict[str, Node], file: str) -> Node:
    origin = _origin(event, file)
    found = anchors.get(event.anchor or "")
    if found is None:
        raise UnreadableFile.at(origin, f"*{event.anchor} has no &{event.anchor} before it")
    if not found.done:
        raise UnreadableFile.at(origin, f"*{event.anchor} stands inside itself")
    return found


def _pass_on(node: Node, outer: _Collection) -> None:
    """Tell *outer* what follows for it from *node*, which stands in it and is no lone scalar."""
    if node.odd:
        outer.odd = True
    if node.height >= outer.height:
        outer.height = node.height + 1


def _finish(node: Node, aside: _Aside, findings: list[Finding]) -> None:
    """Bring what is *aside* into a map that was read to its end, and tell what is odd about it."""
    for other in aside.merged:
        for name, entry in other.entries.items():
            node.entries.setdefault(name, entry)
    for name, again in aside.repeats.items():
        first = node.entries[name][0]
        if first.kind != "scalar":
            continue
        times = "twice" if len(again) == 1 else f"{len(again) + 1} times"
        findings.append(
            finding(
                "duplicate-key",
                Severity.ERROR,
                f"key {shown(name)} stands {times} in one map",
                places=[first.origin, *(key.origin for key in again[:20])],
                why="readers of YAML keep the first, the last or neither",
                repair=f"keep one {shown(name)} and remove the other"
                if len(again) == 1
                else f"keep one {shown(name)} and remove the others",
            )
        )
    odd = node.entries.get("")
    if odd and odd[0].kind != "scalar":
        del node.entries[""]
        findings.append(
            finding(
                "yaml-surprise",
                Severity.ERROR,
                "a list or map stands where a key should be",
                places=[odd[0].origin],
                why="braces and brackets without quotes begin a map or a list",
                repair='quote it: "{{ … }}"',
            )
        )


_JOINING = frozenset("<>=!~")
"""With one of these begins what follows a comma that was meant to be part of a word."""
_TELLING = _JOINING | NUMBERS_BEGIN
"""A plain scalar that begins with none of these and is no known word is a word, as it stands."""


def _check_tag(tag: str, node: Node, findings: list[Finding]) -> None:
    if tag == "!" or tag in _HARMLESS:
        return
    name = tag.removeprefix(_STANDARD_TAG)
    findings.append(
        finding(
            "yaml-surprise",
            Severity.ERROR,
            f"{shown('!' + name.lstrip('!'))} is a YAML tag, and tags have no meaning here",
            places=[node.origin],
            why="an unquoted ! begins a tag; what a tag asks for is never run",
            repair="put the value in quotes, or remove the tag",
        )
    )


_HARMLESS = frozenset(
    _STANDARD_TAG + name for name in ("str", "int", "float", "bool", "null", "map", "seq")
)


def _origin(event: Any, file: str) -> Origin:
    mark = event.start_mark
    return Origin(file=file, line=mark.line + 1, column=mark.column + 1)


def shown(text: str, limit: int = 60) -> str:
    """
    Return *text* for a message: in backticks, on one line, control characters escaped, cut.

    A manifest comes from a stranger; what it says must not move the cursor or flood the screen.
    """
    flat = "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode()
        for char in text[:200]
    )
    return f"`{flat if len(flat) <= limit else flat[: limit - 1] + '…'}`"


_PROBLEMS: tuple[tuple[str, str, str], ...] = (
    # Part of the parser's words (libyaml's or the pure one's), ours, repair.
    (
        "mapping values are not allowed",
        "a second `: ` follows on this line, or the line is indented further than the one above",
        "put the value in quotes, or give the keys of one map the same indentation",
    ),
    (
        "could not find expected ':'",
        "a key has no colon after it",
        "write `key: value`",
    ),
    (
        "expected ',' or ']'",
        "a list that opened with [ is not closed",
        "close the list with ], and quote items that hold : or #",
    ),
    (
        "expected ',' or '}'",
        "a map that opened with { is not closed",
        "close the map with }, and quote values that hold : or #",
    ),
    (
        "expected key",
        "this line does not line up with the ones above",
        "give keys of one map the same indentation",
    ),
    (
        "expected '-' indicator",
        "this line does not line up with the items above",
        "give the items of one list the same indentation",
    ),
    (
        "expected <block end>",
        "this line does not line up with the ones above",
        "give keys of one map the same indentation",
    ),
    (
        "expected node content",
        "a value or a closing bracket is missing here",
        "write the value, or close the list with ] and the map with }",
    ),
    (
        "maximum nesting depth",
        f"it nests deeper than {MAX_DEPTH} levels",
        "write it flatter",
    ),
    (
        "unexpected end of stream",
        "a quote is opened and never closed",
        "close the quote",
    ),
    (
        "control characters are not allowed",
        "it holds a control character",
        "save the file as plain UTF-8 text",
    ),
    (
        "special characters are not allowed",
        "it holds a control character",
        "save the file as plain UTF-8 text",
    ),
)


def _realigned(lines: list[str], at: int, column: int) -> str:
    """
    Return how line *at* (from 0), or the one above that misleads it, lines up again; "" if unclear.

    Only block style is looked at, line by line; what stands in brackets or in a block of text may
    be taken for a key, which costs a worse guess.
    """
    key = re.match(r"( *)(- +)?[\w.-]+:(?: |$)|( *)- ", lines[at]) if at < len(lines) else None
    if key is None or column > key.end():
        return ""
    own = len(lines[at]) - len(lines[at].lstrip(" "))
    levels: list[tuple[int, int]] = []
    last = above = -1
    for index, line in enumerate(lines[:at]):
        bare = line.lstrip(" ")
        if not bare or bare.startswith("#"):
            continue
        indents = [len(line) - len(bare)]
        if item := re.match(r"-( +)[\w.-]+:(?: |$)", bare):
            indents.append(indents[0] + 1 + len(item[1]))
        levels = [one for one in levels if one[0] < indents[0]]
        levels += [(one, index) for one in indents]
        last, above = index, indents[0]
    if not levels or own in {one for one, _ in levels}:
        return ""
    for (outer, opener), (inner, _) in pairwise(levels):
        before = [one for one in lines[:opener] if one.strip() and not one.lstrip().startswith("#")]
        if outer < own < inner and before and _is_open(before[-1], outer):
            # The key above it has no value: what is written beside it was meant to be inside.
            return _begin(opener, own)
    best = min((one for one, _ in levels), key=lambda one: (abs(one - own), one != above))
    like = next(index for one, index in levels if one == best)
    return _begin(at, best, last if best == above else like)


def _is_open(line: str, spaces: int) -> bool:
    """Whether *line* is a key after *spaces*, with nothing behind its colon."""
    return re.fullmatch(r"[\w.-]+: *", line[spaces:]) is not None and not line[:spaces].strip()


def _begin(line: int, spaces: int, like: int | None = None) -> str:
    count = {0: "no space", 1: "1 space"}.get(spaces, f"{spaces} spaces")
    return f"begin line {line + 1} with {count}" + (
        "" if like is None else f", as line {like + 1} does"
    )


def _unparsable(text: str, file: str, error: Exception) -> UnreadableFile:
    mark = getattr(error, "problem_mark", None)
    problem = str(getattr(error, "problem", None) or getattr(error, "reason", None) or error)
    if mark is None:
        return UnreadableFile.at(
            Origin(file=file), "it holds a control character", "save the file as plain UTF-8 text"
        )
    place = Origin(file=file, line=mark.line + 1, column=mark.column + 1)
    written = text.rstrip()
    if mark.index >= len(written) > 0:
        # Beyond the end there is nothing to look at: the last thing written is.
        start = written.rfind("\n") + 1
        place = replace(place, line=written.count("\n") + 1, column=len(written) - start)
    lines = text.split("\n")
    line = lines[mark.line] if mark.line < len(lines) else ""
    indentation = line[: len(line) - len(line.lstrip())]
    if "\t" in indentation:
        return UnreadableFile.at(
            place, "the line is indented with a tab", "indent with spaces, two for each level"
        )
    if "cannot start any token" in problem:
        char = line[mark.column : mark.column + 1]
        return UnreadableFile.at(
            place,
            f"a value cannot begin with {shown(char)} unless it is in quotes",
            f'quote it: "{char}…"',
        )
    for part, words, general in _PROBLEMS:
        if part in problem:
            moved = "line up" in words or "further than" in words
            repair = (_realigned(lines, mark.line, mark.column) if moved else "") or general
            opened = getattr(error, "context_mark", None)
            if "closed" in words and opened is not None:
                # The parser stops at the end of the file; the eye wants where it was opened.
                place = Origin(file=file, line=opened.line + 1, column=opened.column + 1)
            return UnreadableFile.at(place, words, repair)
    context = getattr(error, "context", None)
    return UnreadableFile.at(
        place, f"{problem} {context}" if context else problem, "put the value in quotes"
    )
