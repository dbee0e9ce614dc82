"""
Changes to the lists of enabled plugins in a robot file that leave every other byte alone.

The text is cut at the places that the parser reports, so comments, order, quotes and layout
stay. Each result is read again before it is handed out: it must say exactly what was meant.

    Exception
    └── CannotEdit
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from robokit_plan.model import EnabledPlugin, Origin, dataclass, find_nearest

from .tree import Node, parse_tree, shown
from .unreadable import UnreadableFile
from .written import extent, written, written_map


class CannotEdit(Exception):  # noqa: N818  the name says what happened
    """The text is written in a way that cannot be changed safely; nothing was changed."""

    def __init__(self, place: Origin, why: str, repair: str) -> None:
        self.place = place
        self.why = why
        self.repair = repair
        super().__init__(place, why, repair)

    def __str__(self) -> str:
        return f"{self.place} cannot be edited: {self.why} ({self.repair})"


def enabled_text(
    text: str,
    entries: Sequence[str | EnabledPlugin],
    *,
    file: str = "robot.yaml",
    profile: str | None = None,
) -> str:
    """
    Return *text* with *entries* added to ``enabled``, or to the profile, at its end.

    An entry whose instance is there already is passed over. A plugin's name stands for an
    instance of that name.

    Raises:
        CannotEdit: The list is an alias, or there is no such profile.
        UnreadableFile: *text* does not parse.
    """
    for entry in entries:
        where = _find(text, file, profile)
        name = entry if isinstance(entry, str) else entry.instance
        if name in (_instance(item) for item in where.items):
            continue
        word = entry_text(entry)
        expected = [*(item.data() for item in where.items), _data(word, file)]
        changed = _appended(text, where, word)
        _verify(text, changed, where, expected)
        text = changed
    return text


def disabled_text(
    text: str,
    instances: Iterable[str],
    *,
    file: str = "robot.yaml",
    profile: str | None = None,
) -> str:
    """
    Return *text* without the entries of *instances* in ``enabled``, or in the profile.

    Comments above an entry stay, one behind it on its line goes with it.

    Raises:
        CannotEdit: An instance is not there, or the list is an alias.
        UnreadableFile: *text* does not parse.
    """
    for name in instances:
        where = _find(text, file, profile)
        index = next((at for at, item in enumerate(where.items) if _instance(item) == name), None)
        if index is None:
            known = [_instance(item) for item in where.items]
            near = find_nearest(name, known)
            raise CannotEdit(
                where.origin,
                f"{shown(name)} is not in {where.words}",
                f"disable {near}" if near else f"it holds {', '.join(known) or 'nothing'}",
            )
        expected = [item.data() for at, item in enumerate(where.items) if at != index]
        changed = _removed(text, where, index)
        _verify(text, changed, where, expected)
        text = changed
    return text


def entry_text(entry: str | EnabledPlugin) -> str:
    """
    Return *entry* as it stands in a list.

    >>> entry_text("fog-signal")
    'fog-signal'
    """
    if isinstance(entry, str):
        return written(entry)
    if str(entry.instance) == entry.plugin and not entry.settings:
        return written(entry.plugin)
    parts = [] if str(entry.instance) == entry.plugin else [f"as: {written(entry.instance)}"]
    parts.append(f"plugin: {written(entry.plugin)}")
    if entry.settings:
        parts.append(f"set: {written_map(entry.settings)}")
    return "{" + ", ".join(parts) + "}"


@dataclass(frozen=True, slots=True)
class _Where:
    """The list to change; `key` and `value` None where the file does not have it yet."""

    root: Node
    path: tuple[str, ...]
    key: Node | None
    value: Node | None
    origin: Origin

    @property
    def items(self) -> list[Node]:
        return self.value.items if self.value is not None else []

    @property
    def words(self) -> str:
        return ".".join(self.path)


def _find(text: str, file: str, profile: str | None) -> _Where:
    root, _ = parse_tree(text, file)
    top = Origin(file=file, line=1, column=1)
    if root is None or root.kind != "map":
        raise CannotEdit(top, "it is no map of keys and values", "write `robot: NAME` first")
    path = ("enabled",) if profile is None else ("profiles", profile)
    if profile is None:
        entry = root.entries.get("enabled")
    else:
        profiles = root.entries.get("profiles")
        known = profiles[1].entries if profiles else {}
        entry = known.get(profile)
        if entry is None:
            near = find_nearest(profile, known)
            raise CannotEdit(
                profiles[0].origin if profiles else top,
                f"there is no profile {shown(profile)}",
                f"--profile {near}" if near else f"profiles: {{{profile}: [PLUGIN]}}",
            )
    if entry is None:
        return _Where(root, path, None, None, root.origin)
    key, value = entry
    if value.start < key.end:
        raise CannotEdit(
            key.origin,
            f"{'.'.join(path)} repeats a list from further up",
            "write the list out in place of the *alias",
        )
    if value.kind != "list" and not (value.kind == "scalar" and value.value is None):
        raise CannotEdit(value.origin, f"{'.'.join(path)} is no list", "enabled: []")
    return _Where(root, path, key, value, value.origin)


def _instance(item: Node) -> str:
    if item.kind == "scalar":
        return item.raw
    for key in ("as", "plugin"):
        if key in item.entries:
            return item.entries[key][1].raw
    return ""


# -- adding -------------------------------------------------------------------------------------


def _appended(text: str, where: _Where, word: str) -> str:
    key, value = where.key, where.value
    if key is None or value is None:
        return _with_key(text, where, word)
    if value.kind == "scalar":
        if value.is_empty:
            at = text.index(":", key.end) + 1
            return f"{text[:at]} [{word}]{text[at:]}"
        return f"{text[: value.start]}[{word}]{text[value.end :]}"
    if not value.items:
        at = value.start + 1
        return f"{text[:at]}{word}{text[at:].lstrip(' ')}"
    last = value.items[-1]
    end = extent(last, text)
    if value.flow:
        return _appended_in_brackets(text, value, end, word)
    dash = _dash(text, last)
    lead = text[_line_start(text, dash) : dash]
    line_end = _line_end(text, end)
    newline = _newline(text, dash)
    if line_end == len(text) and not text.endswith("\n"):
        return f"{text}{newline}{lead}- {word}"
    return f"{text[:line_end]}{lead}- {word}{newline}{text[line_end:]}"


def _appended_in_brackets(text: str, value: Node, end: int, word: str) -> str:
    last = value.items[-1]
    start = _line_start(text, last.start)
    lead = text[start : last.start]
    comma = _comma(text, end, value.end)
    close = _line_start(text, value.end - 1)
    if lead.strip() or close <= last.start:
        return f"{text[:end]}, {word}{text[end:]}"
    # Each item has a line of its own: so does the new one, and a comment stays with its item.
    newline = _newline(text, start)
    line_end = _line_end(text, end if comma is None else comma)
    line_end = min(line_end, close)
    if comma is None:
        return f"{text[:end]},{text[end:line_end]}{lead}{word}{newline}{text[line_end:]}"
    return f"{text[:line_end]}{lead}{word},{newline}{text[line_end:]}"


def _with_key(text: str, where: _Where, word: str) -> str:
    root = where.root
    line = f"{where.path[-1]}: [{word}]"
    if root.flow:
        at = extent(list(root.entries.values())[-1][1], text) if root.entries else root.start + 1
        return f"{text[:at]}{', ' if root.entries else ''}{line}{text[at:]}"
    before = [name for name in ("plugin-paths", "system", "board") if name in root.entries]
    key, value = root.entries[before[0]] if before else list(root.entries.values())[-1]
    lead = text[_line_start(text, key.start) : key.start]
    at = _line_end(text, max(extent(value, text), key.end))
    newline = _newline(text, key.start)
    if at == len(text) and not text.endswith("\n"):
        return f"{text}{newline}{lead}{line}"
    return f"{text[:at]}{lead}{line}{newline}{text[at:]}"


# -- taking out ---------------------------------------------------------------------------------


def _removed(text: str, where: _Where, index: int) -> str:
    value = where.value
    if value is None or where.key is None:
        return text
    item = value.items[index]
    end = extent(item, text)
    if value.flow:
        return _removed_in_brackets(text, value, index, end)
    dash = _dash(text, item)
    start, line_end = _line_start(text, dash), _line_end(text, end)
    rest = text[:start] + text[line_end:]
    if len(value.items) > 1:
        return rest
    at = text.index(":", where.key.end) + 1
    return f"{rest[:at]} []{rest[at:]}"


def _removed_in_brackets(text: str, value: Node, index: int, end: int) -> str:
    item = value.items[index]
    start = _line_start(text, item.start)
    comma = _comma(text, end, value.end)
    stop = end if comma is None else comma + 1
    line_end = _line_end(text, stop)
    alone = not text[start : item.start].strip() and _only_comment(text[stop:line_end])
    if alone and line_end < value.end:
        return text[:start] + text[line_end:]
    if comma is not None:
        while text[stop : stop + 1] == " ":
            stop += 1
        if index == len(value.items) - 1 and index:
            # The last one before a closing comma: that comma now closes its neighbour.
            return text[: extent(value.items[index - 1], text)] + text[comma:]
        return text[: item.start] + text[stop:]
    before = extent(value.items[index - 1], text) if index else item.start
    return text[:before] + text[end:]


# -- places in the text -------------------------------------------------------------------------


def _line_start(text: str, at: int) -> int:
    return text.rfind("\n", 0, at) + 1


def _line_end(text: str, at: int) -> int:
    """Return the offset behind the line feed that ends the line of *at*."""
    found = text.find("\n", at)
    return len(text) if found < 0 else found + 1


def _newline(text: str, at: int) -> str:
    end = _line_end(text, at)
    return "\r\n" if text[:end].endswith("\r\n") else "\n"


def _dash(text: str, item: Node) -> int:
    """Return the offset of the dash that begins a list item."""
    start = _line_start(text, item.start)
    while True:
        line = text[start : _line_end(text, start)]
        lead = len(line) - len(line.lstrip(" "))
        if line[lead : lead + 1] == "-" and start + lead < item.start:
            return start + lead
        if start == 0:
            raise CannotEdit(item.origin, "its list item has no dash", "edit it by hand")
        start = _line_start(text, start - 1)


def _comma(text: str, start: int, end: int) -> int | None:
    """Return the offset of the first comma outside comments in a stretch between items."""
    at = start
    while at < end:
        char = text[at]
        if char == ",":
            return at
        if char == "#":
            at = _line_end(text, at)
        elif char.isspace():
            at += 1
        else:
            return None
    return None


def _only_comment(text: str) -> bool:
    rest = text.strip()
    return not rest or rest.startswith("#")


def _data(word: str, file: str) -> Any:
    node, _ = parse_tree(word, file)
    return None if node is None else node.data()


def _verify(before: str, after: str, where: _Where, expected: list[Any]) -> None:
    """Read *after* again: the list holds *expected*, and nothing else has changed."""
    wanted = where.root.data()
    parent = wanted
    for step in where.path[:-1]:
        parent = parent[step]
    parent[where.path[-1]] = expected
    try:
        root, findings = parse_tree(after, where.origin.file)
        _, old_findings = parse_tree(before, where.origin.file)
    except UnreadableFile:
        root, findings, old_findings = None, [], []
    if root is None or root.data() != wanted or len(findings) != len(old_findings):
        raise CannotEdit(
            where.origin,
            f"{where.words} is written in a way that cannot be changed safely",
            f"edit {where.words} by hand: [{', '.join(str(one) for one in expected)}]",
        )
