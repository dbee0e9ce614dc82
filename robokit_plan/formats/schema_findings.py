"""Whether a tree has the shape that its schema asks for, in a builder's words."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any

from robokit_plan.model import MAX_ALIKE, Finding, Severity, find_nearest, finding, listed

from .ambiguities import key_ambiguities, scalar_ambiguity
from .scalars import plain_value
from .schema_predicates import fits, is_valid
from .tree import Node, Path, Scalar, shown

_MAX_ERRORS = 1_000
_MAX_SURPRISES = 200
"""More of them than anybody mends by hand; keeps a hostile file quick to refuse."""
_ROUNDS = 8


def check_shape(tree: Node, schema: dict[str, Any]) -> tuple[list[Finding], bool]:
    """
    Return what is wrong with *tree* by *schema*, and whether the rest can be used.

    Parts that are wrong are taken out of the tree, so what reads it afterwards may rely on the
    schema; only keys that the schema demands at the very top may still be missing. A file that
    is wrong all over cannot be used. Scalars that mean different things to different readers
    are told too.
    """
    findings: list[Finding] = []
    handled: set[int] = set()
    ambiguities = _ambiguities(tree)  # noted now: what is wrong leaves the tree with them
    findings.extend(key_ambiguities(tree))
    usable = False
    for round_ in range(_ROUNDS):
        if is_valid(schema, tree.data()):
            usable = True
            break
        errors = list(schema_errors(schema, tree.data()))
        if round_ == 0:
            for error in errors:
                findings.extend(_findings(tree, error, schema, handled))
        if len(errors) >= _MAX_ERRORS:
            break
        if not _repaired(tree, errors):
            usable = all(error.keyword == "required" and not error.path for error in errors)
            break
    findings.extend(
        scalar_ambiguity(node, key=key) for node, key in ambiguities if id(node) not in handled
    )
    return findings, usable


class SchemaError:
    """A schema error, reduced to what the wording needs; the library stays in one function."""

    __slots__ = ("extra", "instance", "keyword", "path", "schema", "title", "value")

    def __init__(
        self,
        path: Path,
        keyword: str,
        value: Any,
        schema: dict[str, Any],
        instance: Any,
        title: str | None,
        extra: str = "",
    ) -> None:
        self.path = path
        self.keyword = keyword
        self.value = value
        self.schema = schema
        self.instance = instance
        self.title = title
        self.extra = extra


def schema_errors(schema: dict[str, Any], data: Any) -> Iterator[SchemaError]:
    """Yield the most telling error of every location."""
    from jsonschema.exceptions import relevance as relevance_of  # 70 ms: only if needed

    relevance: Callable[[Any], Any] = relevance_of

    by_place: dict[tuple[Any, ...], Any] = {}
    titles: dict[int, str | None] = {}
    for top in islice(_validator(schema).iter_errors(data), _MAX_ERRORS):
        for error, title in _opened(top, None):
            key: tuple[Any, ...] = tuple(error.absolute_path)
            if error.validator == "required":
                key = (*key, "required", _missing(error))
            elif error.validator == "additionalProperties":
                key = (*key, "unknown")
            elif _is_key_error(error):
                key = (*key, "key", str(error.instance))
            titles[id(error)] = title
            held = by_place.get(key)
            if held is None or relevance(error) > relevance(held):
                by_place[key] = error
    for error in by_place.values():
        extra = _missing(error) if error.validator == "required" else ""
        keyword = "propertyNames" if _is_key_error(error) else str(error.validator)
        yield SchemaError(
            tuple(error.absolute_path),
            keyword,
            error.validator_value,
            error.schema if isinstance(error.schema, dict) else {},
            error.instance,
            titles[id(error)],
            extra,
        )


def _validator(schema: dict[str, Any]) -> Any:
    """
    Return the library's judge of *schema*, which goes into those members alone that do not fit.

    A stranger's file may hold ten thousand good values beside a bad one, and the library takes
    a hundred times as long as `fits` for each of the good ones.
    """
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import ValidationError
    from jsonschema.validators import extend

    def pattern(_: Any, wanted: str, instance: Any, __: Any) -> Iterator[ValidationError]:
        # ECMA 262, which JSON Schema's patterns follow, lets $ match at the very end alone;
        # Python's lets a line feed slip through behind it.
        if isinstance(instance, str) and not ecma(wanted).search(instance):
            yield ValidationError(f"{instance!r} does not match {wanted!r}")

    def items(judge: Any, wanted: Any, instance: Any, _: Any) -> Iterator[ValidationError]:
        for at, one in enumerate(instance if isinstance(instance, list) else ()):
            if not fits(wanted, one, schema):
                yield from judge.descend(one, wanted, path=at)

    def properties(judge: Any, wanted: Any, instance: Any, _: Any) -> Iterator[ValidationError]:
        for name, part in wanted.items() if isinstance(instance, dict) else ():
            if name in instance and not fits(part, instance[name], schema):
                yield from judge.descend(instance[name], part, path=name, schema_path=name)

    theirs: Any = Draft202012Validator.VALIDATORS["additionalProperties"]

    def others(judge: Any, wanted: Any, instance: Any, own: Any) -> Iterator[ValidationError]:
        if isinstance(wanted, bool) or not isinstance(instance, dict):
            yield from theirs(judge, wanted, instance, own)
            return
        # In the order of the file, where the library's order is that of a set.
        patterns = [ecma(one) for one in own.get("patternProperties", ())]
        for name, one in instance.items():
            known = name in own.get("properties", ()) or any(p.search(name) for p in patterns)
            if not known and not fits(wanted, one, schema):
                yield from judge.descend(one, wanted, path=name)

    extended: Callable[..., Any] = extend
    rules = {
        "pattern": pattern,
        "items": items,
        "properties": properties,
        "additionalProperties": others,
    }
    return extended(Draft202012Validator, rules)(schema)


def ecma(pattern: str) -> re.Pattern[str]:
    """Return *pattern* with ``$`` meaning the very end, as in ECMA 262."""
    return re.compile(pattern.replace("$", r"\Z"))


def _is_key_error(error: Any) -> bool:
    return "propertyNames" in error.absolute_schema_path


def _missing(error: Any) -> str:
    return next(
        (name for name in error.validator_value if f"{name!r} is a required" in error.message), ""
    )


def _opened(error: Any, title: str | None) -> Iterator[tuple[Any, str | None]]:
    """Yield the errors of the one alternative that *error*'s value was meant to be."""
    schema = error.schema if isinstance(error.schema, dict) else {}
    title = schema.get("title") or title
    if error.validator not in {"oneOf", "anyOf"} or not error.context:
        yield error, title
        return
    branches: dict[Any, list[Any]] = defaultdict(list)
    for inner in error.context:
        branches[inner.schema_path[0]].append(inner)
    meant = [inner for inner in branches.values() if not any(_is_other_kind(one) for one in inner)]
    if len(meant) == 1:
        for inner in meant[0]:
            yield from _opened(inner, title)
        return
    yield error, title


def _is_other_kind(error: Any) -> bool:
    """Whether *error* says that its value is of another kind altogether."""
    if error.path:
        return False
    if error.validator in {"oneOf", "anyOf"} and error.context:
        branches: dict[Any, list[Any]] = defaultdict(list)
        for inner in error.context:
            branches[inner.schema_path[0]].append(inner)
        return all(any(_is_other_kind(one) for one in inner) for inner in branches.values())
    return error.validator in {"type", "enum", "const"}


# -- wording ------------------------------------------------------------------------------------


def _findings(
    tree: Node, error: SchemaError, schema: dict[str, Any], handled: set[int]
) -> Iterator[Finding]:
    node = tree.at(error.path)
    key = str(error.path[-1]) if error.path and isinstance(error.path[-1], str) else None
    where = subject(error.path)
    match error.keyword:
        case "additionalProperties":
            yield from _unknown_keys(node, error, schema)
            return
        case "required":
            if not _misspelt(node, error):
                yield _lacks(node, error, where, schema)
            return
        case "propertyNames":
            name = str(error.instance)
            entry = node.entries.get(name)
            title = error.title or "a name"
            better = _as_name(name)
            good = isinstance(error.value, str) and ecma(error.value).search(better)
            yield finding(
                "schema",
                Severity.ERROR,
                f"{shown(name)} is no key for {inside(error.path)}",
                places=[(entry[0] if entry else node).origin],
                why=f"each key there is {title}",
                repair=[f"{better}: …"] if good else [],
            )
            return
        case "anyOf" | "oneOf" if all("required" in one for one in error.value):
            names = [name for one in error.value for name in one["required"]]
            yield finding(
                "schema",
                Severity.ERROR,
                f"{where} lacks {listed((shown(name) for name in names), 'or')}",
                places=[node.origin],
                repair=[f"{names[0]}: …"],
            )
            return
        case _:
            pass
    if node.kind == "scalar" and node.plain:
        handled.add(id(node))
        wants_text = error.keyword == "type" and "string" in _types(error.value)
        if node.is_empty or (node.value is None and not wants_text):
            yield _empty(node, error, where, key)
            return
        if node.ambiguity is not None or (wants_text and not isinstance(node.value, str)):
            yield scalar_ambiguity(
                node,
                key=key,
                accepts=lambda value: fits(error.schema, value, schema),
                want=_wanted(error),
            )
            return
    yield _wrong(node, error, where, key, schema)


def _wrong(
    node: Node, error: SchemaError, where: str, key: str | None, schema: dict[str, Any]
) -> Finding:
    prefix = f"{key}: " if key else ""
    got = _got(node)
    repair: list[str] = []
    why: list[str] = []
    match error.keyword:
        case "enum" | "const":
            options = [str(one) for one in _list(error.value)]
            want = listed((shown(one) for one in options), "or")
            near = find_nearest(node.raw, options) if node.kind == "scalar" else None
            repair = [prefix + (near or listed(options, "or"))]
        case "minimum" | "exclusiveMinimum":
            least = error.value
            want = f"more than {least}" if error.keyword.startswith("ex") else f"at least {least}"
            if error.title:
                why = [f"it is {error.title}"]
            if error.keyword == "minimum" and _is_quantity(error):
                repair = [f"{prefix}{least}"]
        case "maximum" | "exclusiveMaximum":
            want = f"at most {error.value}"
            if error.title:
                why = [f"it is {error.title}"]
            if error.keyword == "maximum" and _is_quantity(error):
                repair = [f"{prefix}{error.value}"]
        case "minItems" | "maxItems" if "title" in error.schema:
            want = _title(error)
            got = f"{len(error.instance)} of them"
        case "minItems" | "minProperties":
            want = f"{_title(error)} with at least {error.value} in it"
            got = f"{len(error.instance)} of them" if error.instance else "an empty one"
        case "maxItems" | "maxProperties":
            want = f"{_title(error)} with at most {error.value} in it"
            got = f"{len(error.instance)} of them"
        case "maxLength":
            want, got = f"no longer than {error.value} characters", f"{len(error.instance)}"
        case "minLength":
            want, got = _title(error), "empty"
        case "pattern":
            want = _title(error)
            better = _as_name(node.raw)
            if better and ecma(error.value).search(better):
                repair = [prefix + better]
        case _:
            want = _title(error)
            types = _types(error.value) if error.keyword == "type" else ()
            if node.kind == "scalar" and not node.plain and node.raw:
                value, ambiguity = plain_value(node.raw)
                if ambiguity is None and fits(error.schema, value, schema):
                    repair = [prefix + node.raw]
            if "array" in types and node.kind == "scalar" and node.raw:
                repair = [f"{prefix}[{_as_item(node.raw)}]"]
            if "string" in types and node.kind == "list" and node.flow and len(node.items) > 1:
                # Brackets that nobody needs, and a comma that ended an item.
                whole = ",".join(item.raw for item in node.items if item.kind == "scalar")
                if whole and fits(error.schema, whole, schema):
                    repair = [f'{prefix}"{whole}"']
    return finding(
        "schema",
        Severity.ERROR,
        f"{where} must be {want}, not {got}",
        places=[node.origin],
        why=why,
        repair=repair,
    )


def _is_quantity(error: SchemaError) -> bool:
    """Whether the nearest allowed number is a fair guess; no line or address is one."""
    return str(error.title).startswith("a whole number")


def _empty(node: Node, error: SchemaError, where: str, key: str | None) -> Finding:
    types = _types(error.value) if error.keyword == "type" else ()
    filler = "[]" if "array" in types else "{}" if "object" in types else "…"
    return finding(
        "schema",
        Severity.ERROR,
        f"{where} has no value and must be {_title(error)}",
        places=[node.origin],
        repair=[f"{key}: {filler}, or remove the line"] if key else ["remove the empty item"],
    )


def _lacks(node: Node, error: SchemaError, where: str, schema: dict[str, Any]) -> Finding:
    name = error.extra
    wanted = error.schema.get("properties", {}).get(name, {})
    definition = str(wanted.get("$ref", "")).rpartition("/")[2]
    wanted = {**schema.get("$defs", {}).get(definition, {}), **wanted}
    example = next(iter(wanted.get("examples", ())), None)
    if example is None and "enum" in wanted:
        example = wanted["enum"][0]
    value = "…" if example is None else example
    if isinstance(value, str) and re.fullmatch(r"[0-9.]+|.*,.*", value):
        value = f'"{value}"'
    return finding(
        "schema",
        Severity.ERROR,
        f"{where} lacks {shown(name)}",
        places=[node.origin],
        why=_clause(str(wanted.get("description", ""))) or (),
        repair=[f"{name}: {value}"],
    )


def _misspelt(node: Node, error: SchemaError) -> bool:
    """Whether the key that lacks is there, only spelt another way: that is told by itself."""
    known = list(error.schema.get("properties", ()))
    return error.extra in known and any(
        find_nearest(name, known) == error.extra
        for name in list(node.entries)[:MAX_ALIKE]
        if name not in known and not name.startswith("x-")
    )


def _clause(description: str) -> str:
    """Return a schema's description as findings write: one sentence, no capital, no stop."""
    first = description.partition(". ")[0].rstrip(".")
    return first[:1].lower() + first[1:] if first[1:2].islower() else first


def _unknown_keys(node: Node, error: SchemaError, schema: dict[str, Any]) -> Iterator[Finding]:
    known = list(error.schema.get("properties", ()))
    homes = _homes(schema)
    where = inside(error.path)
    told = 0
    for name, (key, value) in node.entries.items():
        if name in known or name.startswith("x-"):
            continue
        told += 1
        # Looking for neighbours of thousands of keys takes seconds; nobody reads them.
        near = find_nearest(name, known) if told <= MAX_ALIKE else None
        written = f"{shown_value(value)}"
        if near:
            repair = [f"{near}:   in place of {name}:" if written == "…" else f"{near}: {written}"]
        elif home := homes.get(name):
            inside_it = f"indent {name}: and the lines below it, so that they stand inside {home}:"
            repair = [inside_it if written == "…" else f"{home}: {{{name}: {written}}}"]
        else:
            repair = [f"x-{name}: {written}, where it is for yourself", f"remove {name}"]
        yield finding(
            "unknown-key",
            Severity.ERROR,
            f"key {shown(name)} is not known in {where}" + (f"; {shown(near)} is" if near else ""),
            places=[key.origin],
            why=() if near else f"known there: {', '.join(known)}",
            repair=repair,
        )


def _homes(schema: dict[str, Any]) -> dict[str, str]:
    """Return key -> the section at the top that knows it, for keys written one level too high."""
    homes: dict[str, str] = {}
    definitions = schema.get("$defs", {})
    for section, part in schema.get("properties", {}).items():
        name = str(part.get("$ref", "")).rpartition("/")[2]
        for key in definitions.get(name, part).get("properties", {}):
            homes.setdefault(key, section)
    return homes


def _ambiguities(tree: Node) -> list[tuple[Node, str | None]]:
    """Return each scalar with a ambiguity in it, and its key."""
    found: dict[int, tuple[Node, str | None]] = {}
    if not tree.odd:
        return []
    for path, node in tree.walk(own=False):
        if node.ambiguity is None:
            continue
        key = path[-1] if path and isinstance(path[-1], str) else None
        found.setdefault(id(node), (node, key))
        if len(found) >= _MAX_SURPRISES:
            break
    return list(found.values())


def subject(path: Path) -> str:
    """Return the words for the value at *path*: "`pull` of `hardware.signals.leak`"."""
    if not path:
        return "the file"
    *parents, last = path
    if isinstance(last, int):
        return f"item {last + 1} of {shown(dotted(parents))}"
    return f"{shown(last)} of {shown(dotted(parents))}" if parents else shown(last)


def inside(path: Path) -> str:
    """Return the words for the map at *path*."""
    return shown(dotted(path)) if path else "this file"


def dotted(path: Iterable[str | int]) -> str:
    """Return *path* with dots, items counted from 1 in brackets."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step + 1}]"
        else:
            text += f".{step}" if text else step
    return text


def shown_value(node: Node) -> str:
    """Return a value as a repair repeats it: what is short as written, the rest as an ellipsis."""
    if node.flow and node.kind != "scalar":
        parts = [shown_value(one) for one in node.items[: _MAX_ITEMS + 1]]
        pairs = list(node.entries.items())[: _MAX_ITEMS + 1]
        parts += [
            f"{name}: {shown_value(value)}" if re.fullmatch(r"[\w.-]+", name) else "…"
            for name, (_, value) in pairs
        ]
        text = f"[{', '.join(parts)}]" if node.kind == "list" else f"{{{', '.join(parts)}}}"
        return "…" if "…" in text or len(parts) > _MAX_ITEMS or len(text) > _MAX_TEXT else text
    if node.kind != "scalar" or not node.raw or len(node.raw) > 40 or not node.raw.isprintable():
        return "…"
    return node.raw if node.plain else f'"{node.raw}"'


_MAX_ITEMS = 4
"""So many items of a list or a map are repeated."""
_MAX_TEXT = 60
_KINDS = {
    "object": "a map",
    "array": "a list",
    "string": "a text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "null": "nothing",
}


def _wanted(error: SchemaError) -> str:
    if error.keyword in {"enum", "const"}:
        return listed((shown(str(one)) for one in _list(error.value)), "or")
    return _title(error)


def _title(error: SchemaError) -> str:
    kind = error.schema.get("type")
    if kind == "array" and "title" in error.schema:
        return str(error.schema["title"])
    if isinstance(kind, str) and kind in {"object", "array"}:
        return _KINDS[kind]
    if error.keyword == "type":
        types = _types(error.value)
        if types[0] in {"object", "array"}:
            return _KINDS[types[0]]
        return str(error.title or listed((_KINDS[one] for one in types), "or"))
    return str(error.title or "of another form")


def _got(node: Node) -> str:
    if node.kind == "map":
        return "a map"
    if node.kind == "list":
        return "a list"
    if node.plain:
        return shown(node.raw)
    return f"the text {shown(node.raw)}" if node.raw else "an empty text"


def _types(value: Any) -> tuple[str, ...]:
    return tuple(_list(value))


def _list(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list) else [value]


def _as_name(text: str) -> str:
    if re.search(r"[^A-Za-z0-9_ .-]", text):
        return ""
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "-", text.strip()[:100])
    return re.sub(r"[^a-z0-9]+", "-", spaced.lower()).strip("-")


def _as_item(raw: str) -> str:
    return raw if re.fullmatch(r"[A-Za-z0-9_.-]+", raw) else f'"{raw}"'


# -- leaving only what is right -----------------------------------------------------------------


def _repaired(tree: Node, errors: list[SchemaError]) -> bool:
    """Take what is wrong out of *tree*; say whether anything changed."""
    changed = False
    removed: set[Path] = set()
    # Deeper and later ones first, so that positions in lists hold while items go.
    for error in sorted(errors, key=lambda one: _order(one.path), reverse=True):
        node = tree.at(error.path)
        if error.keyword == "additionalProperties":
            known = error.schema.get("properties", {})
            for name in [n for n in node.entries if n not in known and not n.startswith("x-")]:
                del node.entries[name]
                changed = True
        elif error.keyword == "propertyNames":
            changed |= node.entries.pop(str(error.instance), None) is not None
        elif error.keyword == "type" and isinstance(node, Scalar) and _reads_as_text(node, error):
            node.value, node.ambiguity, changed = node.raw, None, True
        elif error.path and error.path not in removed:
            removed.add(error.path)
            parent = tree.at(error.path[:-1])
            last = error.path[-1]
            if isinstance(last, str):
                changed |= parent.entries.pop(last, None) is not None
            elif parent.kind == "list" and last < len(parent.items):
                del parent.items[last]
                changed = True
    return changed


def _reads_as_text(node: Scalar, error: SchemaError) -> bool:
    return (
        "string" in _types(error.value)
        and node.plain
        and not isinstance(node.value, str)
        and node.value is not None
    )


def _order(path: Path) -> tuple[int, tuple[tuple[int, str], ...]]:
    return len(path), tuple((step, "") if isinstance(step, int) else (-1, step) for step in path)
