"""YAML that means something else than its writer saw: found, named, and read as meant."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from robokit_plan.model import Finding, Origin, SettingValue, Severity, finding

from .scalars import Ambiguity, plain_value
from .tree import Listing, Mark, Node, Path, Scalar, shown
from .written import quoted

_COMPATIBLE_KEYS = frozenset({"boards"})
_COMPARISONS = ("<", ">", "=", "!=", "~=")


def joined_splits(tree: Node, text: str) -> list[Finding]:
    """
    Put list items of *tree* together that were split at a comma, and tell each.

    In a list between brackets every comma ends an item unless it is quoted, so
    ``[numpy>=1.24,<3]`` holds two items. What the writer meant is put in their place, so that
    reading goes on.
    """
    findings: list[Finding] = []
    if not tree.odd:
        return findings
    for path, node in tree.walk(own=False):
        if isinstance(node, Listing) and node.flow and len(node.items) > 1:
            _join_items(path, node, text, findings)
        elif node.kind == "map" and node.flow:
            _split_values(node, text, findings)
    return findings


def _join_items(path: Path, node: Listing, text: str, findings: list[Finding]) -> None:
    compatible = bool(path) and path[-1] in _COMPATIBLE_KEYS
    groups: list[list[Node]] = []
    for item in node.items:
        group = groups[-1] if groups else []
        last = group[-1] if group else None
        if (
            last is not None
            and item.kind == last.kind == "scalar"
            and item.plain
            and last.plain
            and item.raw
            and last.raw
            and (
                item.raw.startswith(_COMPARISONS)
                or (compatible and text[last.end : item.start] == "," and len(group) == 1)
            )
        ):
            group.append(item)
        else:
            groups.append([item])
    if len(groups) == len(node.items):
        return
    node.items = []
    for group in groups:
        first = group[0]
        if len(group) == 1:
            node.items.append(first)
            continue
        whole = ",".join(item.raw for item in group)
        node.items.append(
            Scalar(
                first.file,
                first.start_mark,
                group[-1].end_mark,
                whole,
                whole,
                plain=False,
                mended=quoted(whole),
            )
        )
        findings.append(
            finding(
                "yaml-surprise",
                Severity.ERROR,
                f"{shown(whole)} is split at the comma into {len(group)} items",
                places=[first.origin],
                why="inside [ ] every comma ends an item unless it stands in quotes",
                repair=f'"{whole}"',
            )
        )


def _split_values(node: Node, text: str, findings: list[Finding]) -> None:
    previous: tuple[str, Node] | None = None
    for name, (key, value) in list(node.entries.items()):
        if value.is_empty and value.flow is False and key.kind == "scalar" and key.plain:
            colon = name.find(":")
            if (
                previous is not None
                and previous[1].kind == "scalar"
                and previous[1].plain
                and text[previous[1].end : key.start].strip() == ","
                and text[key.end : key.end + 1] != ":"
                and colon < 0
            ):
                before, held = previous
                whole = f"{held.raw},{name}"
                del node.entries[name]
                findings.append(
                    finding(
                        "yaml-surprise",
                        Severity.ERROR,
                        f"{shown(before + ': ' + whole)} is split at the comma into two keys",
                        places=[key.origin],
                        why="inside { } every comma ends a value unless it stands in quotes",
                        repair=(f'{before}: "{whole}"', f"{before}: [{held.raw}, {name}]"),
                    )
                )
                continue
            if 0 < colon < len(name) - 1 and text[key.end : key.end + 1] != ":":
                del node.entries[name]
                node.entries.setdefault(name[:colon], (key, _meant(key, name, colon)))
                findings.append(
                    finding(
                        "yaml-surprise",
                        Severity.ERROR,
                        f"{shown(name)} is one word, not a key with a value",
                        places=[key.origin],
                        why="in YAML a space must follow the colon",
                        repair=f"{name[:colon]}: {name[colon + 1 :]}",
                    )
                )
                continue
        previous = (name, value)


def _meant(key: Node, name: str, colon: int) -> Node:
    """Return the value that stands behind the colon of a key without a space."""
    raw = name[colon + 1 :]
    value, ambiguity = plain_value(raw)
    at = key.start_mark
    return Scalar(
        key.file,
        Mark(at.index + colon + 1, at.line, at.column + colon + 1),
        key.end_mark,
        raw,
        value,
        plain=True,
        ambiguity=ambiguity,
        mended=f" {raw}",
    )


_READINGS = {
    Ambiguity.SWITCH: "YAML 1.1 reads it as {yes_no}, YAML 1.2 as a word",
    Ambiguity.LEADING_ZERO: "YAML 1.1 reads it in base eight as {octal}, YAML 1.2 as {value}",
    Ambiguity.UNDERSCORE: "YAML 1.1 reads it as the number {value}, YAML 1.2 as a word",
    Ambiguity.OTHER_BASE: "readers of YAML 1.1 and 1.2 read it in different ways",
    Ambiguity.SEXAGESIMAL: "YAML 1.1 reads it in base sixty as {sixty}, YAML 1.2 as a word",
    Ambiguity.NOT_A_NUMBER: "readers of YAML take it for infinity or for no number",
}


def scalar_ambiguity(
    node: Node,
    *,
    key: str | None = None,
    accepts: Callable[[Any], bool] | None = None,
    want: str | None = None,
) -> Finding:
    """
    Return the finding about a scalar that is read in several ways, or not as a text.

    Args:
        node: The scalar.
        key: The key that it is the value of, to show in the repair.
        accepts: Whether a value would do at its place; None: its own value does.
        want: What would do there, in words.
    """
    if node.ambiguity is None:
        return number_for_text(node, key, accepts, want)
    value = node.value
    word = ("true" if value else "false") if isinstance(value, bool) else str(value)
    ways: list[tuple[str, SettingValue]] = [(f'"{node.raw}"', node.raw), (word, value)]
    if accepts is None:
        ways = ways[:1] if isinstance(value, str) else ways[1:]
    else:
        ways = [way for way in ways if accepts(way[1])]
    why = [
        _READINGS[node.ambiguity].format(
            yes_no=word, octal=_octal(node.raw), sixty=_sixty(node.raw), value=value
        )
    ]
    if not ways and want:
        why.append(f"wanted is {want}")
    mild = accepts is None and node.ambiguity in {Ambiguity.SWITCH, Ambiguity.UNDERSCORE}
    return finding(
        "yaml-surprise",
        Severity.WARNING if mild else Severity.ERROR,
        f"{shown(node.raw)} without quotes does not mean the same to every reader of YAML",
        places=[node.origin],
        why=why,
        repair=[f"{key}: {text}" if key else text for text, _ in ways],
    )


def number_for_text(
    node: Node, key: str | None, accepts: Callable[[Any], bool] | None, want: str | None
) -> Finding:
    """Return the finding about a number, truth value or nothing where a text is wanted."""
    raw = node.raw
    good = accepts is None or accepts(raw)
    if isinstance(node.value, bool):
        kind = "a truth value"
    elif node.value is None:
        kind = "nothing at all"
    else:
        kind = f"the number {node.value}"
    return finding(
        "yaml-surprise",
        Severity.ERROR,
        f"{shown(raw)} without quotes is read as {kind}, but a text is wanted",
        places=[node.origin],
        why=[
            "versions, names, ids and hashes are texts, also where they look like numbers",
            *([f"wanted is {want}"] if want and not good else []),
        ],
        repair=(f'{key}: "{raw}"' if key else f'"{raw}"') if good else (),
    )


def key_ambiguities(tree: Node, skip: Iterable[Origin] = ()) -> list[Finding]:
    """Return findings about keys such as ``on`` and ``010``."""
    if not tree.odd:
        return []
    passed = set(skip)
    return [
        finding(
            "yaml-surprise",
            Severity.ERROR,
            f"key {shown(key.raw)} without quotes does not mean the same to every reader of YAML",
            places=[key.origin],
            why=_READINGS[key.ambiguity].format(
                yes_no="true" if key.value else "false",
                octal=_octal(key.raw),
                sixty=_sixty(key.raw),
                value=key.value,
            ),
            repair=f'"{key.raw}": …',
        )
        for _, node in tree.walk(own=False)
        for key, _ in node.entries.values()
        if key.ambiguity is not None and key.origin not in passed
    ]


def _octal(raw: str) -> str:
    try:
        return str(int(raw, 8))
    except ValueError:
        return "a word"


def _sixty(raw: str) -> str:
    total = 0.0
    try:
        for part in raw.lstrip("+-").replace("_", "").split(":"):
            total = total * 60 + float(part)
    except ValueError:
        return "a number"
    sign = "-" if raw.startswith("-") else ""
    return f"{sign}{total:g}"
