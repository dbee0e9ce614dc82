"""
Repairs of a manifest's or robot file's text that cannot be wrong, for ``lint --fix``.

Only what has one meaning is touched: items split at a comma are quoted, a space is put behind a
colon, numbers that should be texts are quoted, misspelt keys with one neighbour at one letter's
distance are mended, a missing `format` is added. What could mean two things (``010`` where a
number is wanted) stays for a person.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from robokit_plan.formats.ambiguities import joined_splits
from robokit_plan.formats.scalars import Ambiguity
from robokit_plan.formats.schema_findings import schema_errors
from robokit_plan.formats.schema_predicates import fits, is_valid
from robokit_plan.formats.tree import Node, parse_tree, shown
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.formats.written import quoted
from robokit_plan.model import Finding, distance

from .manifests import KNOWN_FORMAT, parse_manifest
from .robots import parse_robot
from .schemas import read_schema

MAX_ROUNDS = 4
"""A mended key uncovers what stands below it."""


@dataclass(frozen=True, order=True, slots=True)
class _Cut:
    """Put `text` in place of what stands from `start` to `end`."""

    start: int
    end: int
    text: str
    words: str


def fix_text(text: str, file: str) -> tuple[str, tuple[str, ...]]:
    """
    Return *text* with its safe repairs, and what they were, in the order of lines.

    Every byte that is not named stays. The result never has more findings than before; where
    mending a key would uncover more than it mends, keys are left alone. A text that does not
    parse comes back as it is.

    Args:
        text: The whole file.
        file: Its name; ``robot.yaml``, or a first key ``robot``, makes it a robot file.
    """
    try:
        before = _findings(text, file)
        for keys in (True, False):
            changed, done = _mended(text, file, keys=keys)
            if changed != text and len(_findings(changed, file)) <= len(before):
                return changed, done
    except UnreadableFile:
        pass  # the text itself, or what became of it; either way it is left alone
    return text, ()


def _mended(text: str, file: str, *, keys: bool) -> tuple[str, tuple[str, ...]]:
    done: list[str] = []
    for _ in range(MAX_ROUNDS):
        kept: list[_Cut] = []
        for cut in sorted(set(_cuts(text, file, keys=keys))):
            if not kept or cut.start >= kept[-1].end:
                kept.append(cut)
        if not kept:
            break
        for cut in reversed(kept):
            text = text[: cut.start] + cut.text + text[cut.end :]
        done.extend(cut.words for cut in kept)
    return text, tuple(done)


def is_robot_file(text: str, file: str) -> bool:
    """Whether *file* is a robot file, by its name, else by its keys."""
    name = file.rpartition("/")[2]
    if name in {"robot.yaml", "manifest.yaml"}:
        return name == "robot.yaml"
    tree, _ = parse_tree(text, file)
    return tree is not None and "robot" in tree.entries


def _findings(text: str, file: str) -> tuple[Finding, ...]:
    parse: Any = parse_robot if is_robot_file(text, file) else parse_manifest
    findings: tuple[Finding, ...] = parse(text, file)[1]
    return findings


def _cuts(text: str, file: str, *, keys: bool) -> Iterator[_Cut]:
    tree, _ = parse_tree(text, file)
    if tree is None or tree.kind != "map" or not tree.entries:
        return
    schema = read_schema("robot" if is_robot_file(text, file) else "manifest")
    if "format" not in tree.entries and not tree.flow:
        first = min(key.start for key, _ in tree.entries.values())
        newline = "\r\n" if "\r\n" in text else "\n"
        yield _Cut(
            first, first, f"format: {KNOWN_FORMAT}{newline}", f"added format: {KNOWN_FORMAT}"
        )
    joined_splits(tree, text)
    for _, node in tree.walk():
        if node.mended:
            yield _Cut(
                node.start, node.end, node.mended, f"line {node.origin.line}: {node.mended.strip()}"
            )
    wrong: set[int] = set()
    data = tree.data()
    for error in () if is_valid(schema, data) else schema_errors(schema, data):
        node = tree.at(error.path)
        wrong.add(id(node))
        if error.keyword == "additionalProperties":
            yield from _misspelt(node, error.schema) if keys else ()
        elif _is_plain(node, text):
            yield from _requoted(node, error.schema, schema)
    for _, node in tree.walk(own=False):
        if node.ambiguity is None or id(node) in wrong or not _is_plain(node, text):
            continue
        # The value itself would do at its place: written so that every reader takes it alike.
        if node.ambiguity is Ambiguity.SWITCH:
            yield _replaced(node, "true" if node.value else "false")
        elif node.ambiguity is Ambiguity.UNDERSCORE and not isinstance(node.value, str):
            yield _replaced(node, str(node.value))
        elif isinstance(node.value, str):
            yield _replaced(node, quoted(node.raw))


def _is_plain(node: Node, text: str) -> bool:
    return (
        node.kind == "scalar"
        and node.plain
        and not node.mended
        and bool(node.raw)
        and text[node.start : node.end] == node.raw
    )


def _replaced(node: Node, word: str) -> _Cut:
    return _Cut(
        node.start,
        node.end,
        word,
        f"line {node.origin.line}: {shown(node.raw)} became {shown(word)}",
    )


def _requoted(node: Node, wanted: dict[str, Any], schema: dict[str, Any]) -> Iterator[_Cut]:
    """Yield the quotes round a number or truth value where only a text will do."""
    if not isinstance(node.value, str) and fits(wanted, node.raw, schema):
        yield _replaced(node, quoted(node.raw))


def _misspelt(node: Node, wanted: dict[str, Any]) -> Iterator[_Cut]:
    known = wanted.get("properties", {})
    for name, (key, _) in node.entries.items():
        if name in known or name.startswith("x-") or not key.plain:
            continue
        near = [one for one in known if distance(name, one, 1) <= 1]
        if len(near) == 1 and near[0] not in node.entries:
            yield _Cut(
                key.start,
                key.end,
                near[0],
                f"line {key.origin.line}: key {shown(name)} became {shown(near[0])}",
            )
