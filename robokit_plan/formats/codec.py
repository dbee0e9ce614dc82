"""
One statement per key of a file: reader, writer and JSON Schema follow from it.

A `Record` lists the `Key` values of a table and the class that holds them. Each key says what
stands behind it (a `Shape`), which attribute holds it and what its absence means; where it does
not say the last two, they are the key's own name and the class's own default.

    Record("load", Load, (Key("claim", Text(NAME)), Key("peak-ma", Count("mA"), attribute="peak")))

Reading raises `WrongValue` for the first value that is not what it should be. A shape does not
know where it stands: each level adds its own step to the path while the error rises.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from enum import Enum
from functools import partial
from math import isfinite
from typing import Any, Final, Generic, TypeVar, overload

from robokit_plan.model import Alphabet, dataclass, field_defaults

from .toml import Hex, Section, Sections

T = TypeVar("T")
U = TypeVar("U")
Step = str | int
Schema = dict[str, Any]

MOST: Final = 10**15
"""The largest count: the arithmetic of every shell and the numbers of JSON hold it exactly."""


class WrongValue(Exception):  # noqa: N818  the name says what happened
    """A value at `path` (keys and positions) is not what it should be."""

    def __init__(self, message: str, *path: Step, rule: str = "") -> None:
        self.message = message
        self.path = path
        self.rule = rule
        super().__init__(message)

    def within(self, *steps: Step) -> WrongValue:
        """Return the same, *steps* further down from who reads it."""
        self.path = (*steps, *self.path)
        return self


def path_text(path: Iterable[Step]) -> str:
    """
    Return *path* as people write it.

    >>> path_text(("assignments", 1, "address"))
    'assignments[1].address'
    """
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f"{'.' if text else ''}{step}"
    return text


class Definitions:
    """The named parts of a schema, each once."""

    def __init__(self) -> None:
        self.found: dict[str, Schema] = {}

    def refer(self, name: str, make: Callable[[], Schema]) -> Schema:
        """Return a reference to the part *name*, which *make* makes where it is new."""
        if name not in self.found:
            self.found[name] = {}  # it may refer to itself
            self.found[name] = make()
        return {"$ref": f"#/$defs/{name}"}


class Shape(Generic[T]):
    """What may stand behind a key."""

    __slots__ = ()

    def read(self, raw: object) -> T:
        """
        Return the value of *raw*, as a parser of TOML or JSON gives it.

        Raises:
            WrongValue: It is another thing.
        """
        raise NotImplementedError

    def write(self, value: T) -> object:
        """Return what `read` reads as *value*."""
        raise NotImplementedError

    def schema(self, definitions: Definitions) -> Schema:
        """Return the JSON Schema (2020-12) of all that `read` reads."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Text(Shape[str]):
    """A string of *alphabet*, called *words* where it fits none; no alphabet: any text."""

    alphabet: Alphabet | None = None
    words: str = ""

    def read(self, raw: object) -> str:
        """Return the string."""
        if not isinstance(raw, str):
            raise WrongValue("must be text")
        if self.alphabet is not None and not self.alphabet.fits(raw):
            raise WrongValue(f"{raw!r} is not {self.words or self.alphabet.words}")
        return raw

    def write(self, value: str) -> str:
        """Return the string."""
        return value

    def schema(self, definitions: Definitions) -> Schema:
        """Return the alphabet's pattern."""
        alphabet = self.alphabet
        if alphabet is None:
            return {"type": "string"}
        return definitions.refer(
            alphabet.name,
            lambda: {
                "description": alphabet.words[:1].upper() + alphabet.words[1:],
                "type": "string",
                "pattern": alphabet.anchored,
            },
        )


@dataclass(frozen=True, slots=True)
class Count(Shape[int]):
    """A whole number of *unit* from *least* to *most*; *base* 16: people write it so."""

    unit: str = ""
    least: int = 0
    most: int = MOST
    base: int = 10

    def read(self, raw: object) -> int:
        """Return the number."""
        if not isinstance(raw, int) or isinstance(raw, bool):
            raise WrongValue("must be a whole number")
        if raw < 0 <= self.least:
            raise WrongValue(f"{raw} is negative")
        if raw < self.least:
            raise WrongValue(f"{raw} is less than {self.least}")
        if raw > self.most:
            raise WrongValue(f"{_short(raw)} is more than {self.most}")
        return raw

    def write(self, value: int) -> object:
        """Return the number."""
        return value if self.base == 10 else Hex(value)

    def schema(self, definitions: Definitions) -> Schema:  # noqa: ARG002
        """Return type and bounds."""
        return {"type": "integer", "minimum": self.least, "maximum": self.most}


def _short(number: int) -> str:
    # Python refuses to write out numbers of thousands of digits.
    return str(number) if number.bit_length() < 200 else "a number of many digits"


@dataclass(frozen=True, slots=True)
class Flag(Shape[bool]):
    """True or false."""

    def read(self, raw: object) -> bool:
        """Return it."""
        if not isinstance(raw, bool):
            raise WrongValue("must be true or false")
        return raw

    def write(self, value: bool) -> bool:
        """Return it."""
        return value

    def schema(self, definitions: Definitions) -> Schema:  # noqa: ARG002
        """Return the type."""
        return {"type": "boolean"}


@dataclass(frozen=True, slots=True)
class Word(Shape[str]):
    """One of a few *words*."""

    words: tuple[str, ...]

    def read(self, raw: object) -> str:
        """Return it."""
        if not isinstance(raw, str):
            raise WrongValue("must be text")
        if raw not in self.words:
            raise WrongValue(f"{raw!r} is not {_choice(self.words)}")
        return raw

    def write(self, value: str) -> str:
        """Return it."""
        return value

    def schema(self, definitions: Definitions) -> Schema:  # noqa: ARG002
        """Return the words."""
        return {"enum": list(self.words)}


def _choice(words: Sequence[str]) -> str:
    *first, last = words
    return f"{', '.join(first)} or {last}" if len(first) < 4 else f"one of {', '.join(words)}"


_Member = TypeVar("_Member", bound=Enum)


@dataclass(frozen=True, slots=True)
class Member(Shape[_Member]):
    """One of a closed set."""

    of: type[_Member]

    def read(self, raw: object) -> _Member:
        """Return the member."""
        return self.of(self._word().read(raw))

    def write(self, value: _Member) -> object:
        """Return its word."""
        return value.value

    def schema(self, definitions: Definitions) -> Schema:
        """Return the words."""
        return self._word().schema(definitions)

    def _word(self) -> Word:
        return Word(tuple(one.value for one in self.of))


@dataclass(frozen=True, slots=True)
class Scalar(Shape[str | int | float | bool]):
    """Text, a number, true or false."""

    def read(self, raw: object) -> str | int | float | bool:
        """Return it."""
        if not isinstance(raw, str | int | float | bool):
            raise WrongValue("must be text, a number, true or false")
        if isinstance(raw, float) and not isfinite(raw):
            raise WrongValue("must be a finite number")
        # A zero below zero is zero, here as in a robot file.
        return 0.0 if isinstance(raw, float) and not raw else raw

    def write(self, value: str | float | bool) -> object:
        """Return it."""
        return value

    def schema(self, definitions: Definitions) -> Schema:  # noqa: ARG002
        """Return the types."""
        return {"type": ["string", "number", "boolean"]}


@dataclass(frozen=True, slots=True)
class Time(Shape[str | None]):
    """A date and time of TOML; the value is its text in UTC (RFC 3339), None where it has none."""

    def read(self, raw: object) -> str | None:
        """Return the text; a time without a zone is one of UTC."""
        if not isinstance(raw, datetime):
            raise WrongValue("must be a date and time")
        try:
            fixed = raw.replace(tzinfo=UTC) if raw.tzinfo is None else raw.astimezone(UTC)
        except OverflowError as error:
            raise WrongValue("is no time of this calendar") from error
        return fixed.isoformat().replace("+00:00", "Z")

    def write(self, value: str | None) -> datetime | None:
        """Return the time; None where an index sent something else."""
        try:
            read = datetime.fromisoformat(value or "")
            return (read if read.tzinfo else read.replace(tzinfo=UTC)).astimezone(UTC)
        except (ValueError, OverflowError):
            return None

    def schema(self, definitions: Definitions) -> Schema:  # noqa: ARG002
        """Return the form that converters from TOML to JSON give it."""
        return {"type": "string", "format": "date-time"}


@dataclass(frozen=True, slots=True)
class Rows(Shape[tuple[T, ...]]):
    """A list of *item*, at most *most* of them."""

    item: Shape[T]
    least: int = 0
    most: int | None = None

    def read(self, raw: object) -> tuple[T, ...]:
        """Return the values in their order."""
        if not isinstance(raw, list):
            raise WrongValue("must be a list")
        if len(raw) < self.least or (self.most is not None and len(raw) > self.most):
            bound = f"{self.least}" if self.least == self.most else f"at least {self.least}"
            raise WrongValue(f"must have {bound}, has {len(raw)}")
        read = self.item.read
        found: list[T] = []
        try:
            for one in raw:
                found.append(read(one))  # noqa: PERF401  its length is the position of an error
        except WrongValue as wrong:
            raise wrong.within(len(found)) from None
        return tuple(found)

    def write(self, value: tuple[T, ...]) -> object:
        """Return the list."""
        return [self.item.write(one) for one in value]

    def schema(self, definitions: Definitions) -> Schema:
        """Return the item's."""
        bounds = {"minItems": self.least or None, "maxItems": self.most}
        return {
            "type": "array",
            "items": self.item.schema(definitions),
            **{name: one for name, one in bounds.items() if one is not None},
        }


@dataclass(frozen=True, slots=True)
class Named(Shape[Mapping[str, T]]):
    """A table whose keys are names; read and written in their order."""

    name: Text | Word
    item: Shape[T]

    def read(self, raw: object) -> Mapping[str, T]:
        """Return the values by name."""
        table = _table(raw)
        found: dict[str, T] = {}
        for key in sorted(table):
            try:
                self.name.read(key)
                found[key] = self.item.read(table[key])
            except WrongValue as wrong:
                raise wrong.within(key) from None
        return found

    def write(self, value: Mapping[str, T]) -> object:
        """Return the table."""
        return {name: self.item.write(value[name]) for name in sorted(value)}

    def schema(self, definitions: Definitions) -> Schema:
        """Return those of names and values."""
        names = self.name.schema(definitions)
        return {
            "type": "object",
            **({} if names == {"type": "string"} else {"propertyNames": names}),
            "additionalProperties": self.item.schema(definitions),
        }


@dataclass(frozen=True, slots=True)
class As(Shape[U], Generic[T, U]):
    """A *shape* whose value the model holds in another form."""

    shape: Shape[T]
    lift: Callable[[T], U]
    lower: Callable[[U], T]

    def read(self, raw: object) -> U:
        """Return the model's form."""
        return self.lift(self.shape.read(raw))

    def write(self, value: U) -> object:
        """Return what the shape writes."""
        return self.shape.write(self.lower(value))

    def schema(self, definitions: Definitions) -> Schema:
        """Return the shape's."""
        return self.shape.schema(definitions)


def _table(raw: object) -> dict[str, object]:
    if not isinstance(raw, dict):
        raise WrongValue("must be a table")
    return raw


# --- tables ---------------------------------------------------------------------------------


class _Unsaid(Enum):
    UNSAID = 0


_UNSAID: Final = _Unsaid.UNSAID
REQUIRED: Final = object()
"""As `absent`: the key must be there, whatever the class has for a default."""


@dataclass(frozen=True, slots=True)
class Key:
    """
    One key of a table.

    Args:
        key: The word in the file.
        shape: What stands behind it.
        about: What it says, for the schema.
        attribute: Where the class has it; "": the key with underscores.
        absent: The value where the key is not there; unsaid: the class's own default, and the key
            must be there where it has none.
        always: Written even where the value is what absence means.
        section: A table, or an array of tables, with a header of its own.
        get: What writing asks for the value, in place of the attribute.
        derived: It follows from the rest: checked and forgotten while reading.
    """

    key: str
    shape: Shape[Any]
    about: str = ""
    attribute: str = ""
    absent: object = _UNSAID
    always: bool = False
    section: bool = False
    get: Callable[[Any], object] | None = None
    derived: bool = False

    @property
    def name(self) -> str:
        """The attribute's name."""
        return self.attribute or self.key.replace("-", "_")


@dataclass(frozen=True, slots=True)
class Group:
    """A table in the file whose values the class has beside its others."""

    key: str
    keys: tuple[Key | Group, ...]
    about: str = ""
    section: bool = False
    is_open: bool = False


@dataclass(frozen=True, slots=True)
class OneOf:
    """Exactly one of *keys* must be there."""

    keys: tuple[str, ...]
    words: str

    def check(self, table: Mapping[str, object]) -> None:
        """Raise `WrongValue` where none is, or several are."""
        if sum(key in table for key in self.keys) != 1:
            raise WrongValue(self.words)

    def schema(self, definitions: Definitions) -> Schema:  # noqa: ARG002
        """Return the alternatives."""
        return {"oneOf": [{"required": [key]} for key in self.keys]}


@dataclass(frozen=True, slots=True)
class Where:
    """Where *key* is there and fits *condition*, the value of *then* must fit *shape* too."""

    key: str
    condition: Text | Word
    then: str
    shape: Text

    def check(self, table: Mapping[str, object]) -> None:
        """Raise `WrongValue` where it does not."""
        if self.key not in table or self.then not in table:
            return
        try:
            self.condition.read(table[self.key])
        except WrongValue:
            return
        try:
            self.shape.read(table[self.then])
        except WrongValue as wrong:
            raise wrong.within(self.then) from None

    def schema(self, definitions: Definitions) -> Schema:
        """Return condition and consequence."""
        condition = self.condition.schema(definitions)
        return {
            "if": {"required": [self.key], "properties": {self.key: condition}},
            "then": {"properties": {self.then: self.shape.schema(definitions)}},
        }


class Record(Shape[T]):
    """
    A table that a class holds.

    Args:
        name: Of its part of the schema.
        of: The class, whose defaults hold.
        keys: In the order of writing.
        rules: What must hold between keys.
        make: Makes the value of what was read, by keywords; absent: the class does.
        is_open: Keys of others are left alone.
    """

    __slots__ = ("_level", "_make", "_name", "_open", "_rules")

    @overload
    def __init__(
        self,
        name: str,
        of: type[T],
        keys: Sequence[Key | Group],
        *,
        rules: Sequence[OneOf | Where] = (),
        is_open: bool = False,
    ) -> None: ...
    @overload
    def __init__(
        self,
        name: str,
        of: type[Any],
        keys: Sequence[Key | Group],
        make: Callable[..., T],
        *,
        rules: Sequence[OneOf | Where] = (),
        is_open: bool = False,
    ) -> None: ...
    def __init__(
        self,
        name: str,
        of: type[Any],
        keys: Sequence[Key | Group],
        make: Callable[..., T] | None = None,
        *,
        rules: Sequence[OneOf | Where] = (),
        is_open: bool = False,
    ) -> None:
        self._name = name
        self._make = make or of
        self._level = _Level(keys, field_defaults(of))
        self._rules = tuple(rules)
        self._open = is_open

    def read(self, raw: object) -> T:
        """Return the value."""
        table = _table(raw)
        values: dict[str, object] = {}
        self._level.read(table, values, is_open=self._open)
        for rule in self._rules:
            rule.check(table)
        return self._make(**values)

    def write(self, value: T) -> dict[str, object]:
        """Return the table; keys whose value is what absence means are left out."""
        return self._level.write(value)

    def schema(self, definitions: Definitions) -> Schema:
        """Return a reference to the record's part."""
        return definitions.refer(self._name, lambda: self.own_schema(definitions))

    def own_schema(self, definitions: Definitions) -> Schema:
        """Return the record's part itself."""
        made = self._level.schema(definitions, is_open=self._open)
        rules = [rule.schema(definitions) for rule in self._rules]
        return {**made, **({"allOf": rules} if rules else {})}


@dataclass(frozen=True, slots=True)
class _Bound:
    """A key with what it takes from its class."""

    key: Key
    name: str
    default: Callable[[], object] | None
    """Makes the value that absence means; None: the key must be there."""


class _Level:
    """The keys of one table of the file."""

    __slots__ = ("_bound", "_groups", "_known", "_order")

    def __init__(
        self,
        keys: Sequence[Key | Group],
        defaults: Mapping[str, Callable[[], object]],
    ) -> None:
        self._order: list[_Bound | tuple[Group, _Level]] = []
        for one in keys:
            if isinstance(one, Group):
                self._order.append((one, _Level(one.keys, defaults)))
                continue
            default = defaults.get(one.name)
            if one.absent is REQUIRED:
                default = None
            elif one.absent is not _UNSAID:
                default = partial(_same, one.absent)
            self._order.append(_Bound(one, one.name, default))
        self._bound = tuple(one for one in self._order if isinstance(one, _Bound))
        self._groups = tuple(one for one in self._order if isinstance(one, tuple))
        self._known = frozenset(one.key for one in keys)

    def read(self, table: dict[str, object], values: dict[str, object], *, is_open: bool) -> None:
        """Put what *table* says into *values*, by attribute."""
        if not is_open and not self._known.issuperset(table):
            key = next(key for key in table if key not in self._known)
            raise WrongValue("this key is not known", key)
        for one in self._bound:
            key = one.key.key
            if key in table:
                try:
                    value = one.key.shape.read(table[key])
                except WrongValue as wrong:
                    raise wrong.within(key) from None
                if not one.key.derived:
                    values[one.name] = value
            elif one.default is None:
                raise WrongValue(f"{key} is missing")
            elif not one.key.derived:
                values[one.name] = one.default()
        for group, level in self._groups:
            try:
                level.read(_table(table.get(group.key, {})), values, is_open=group.is_open)
            except WrongValue as wrong:
                raise wrong.within(group.key) from None

    def write(self, value: object) -> dict[str, object]:
        """Return the table of *value*."""
        found: dict[str, object] = {}
        for one in self._order:
            if isinstance(one, tuple):
                group, level = one
                inner = level.write(value)
                if inner:
                    found[group.key] = Section(inner) if group.section else inner
                continue
            item = getattr(value, one.name) if one.key.get is None else one.key.get(value)
            if item is None or (
                not one.key.always and one.default is not None and item == one.default()
            ):
                continue
            written = one.key.shape.write(item)
            if written is None:
                continue
            if one.key.section and written:
                written = Sections(written) if isinstance(written, list) else Section(written)  # type: ignore[call-overload]
            found[one.key.key] = written
        return found

    def schema(self, definitions: Definitions, *, is_open: bool) -> Schema:
        """Return the table's."""
        properties: dict[str, Schema] = {}
        required: list[str] = []
        for one in self._order:
            if isinstance(one, tuple):
                group, level = one
                inner = level.schema(definitions, is_open=group.is_open)
                properties[group.key] = {**_about(group.about), **inner}
                if "required" in inner:
                    required.append(group.key)
                continue
            about = ", ".join(part for part in (one.key.about, _unit_words(one.key.shape)) if part)
            properties[one.key.key] = {
                **_about(about),
                **one.key.shape.schema(definitions),
                **self._default_of(one),
            }
            if one.default is None:
                required.append(one.key.key)
        return {
            "type": "object",
            **({} if is_open else {"additionalProperties": False}),
            **({"required": required} if required else {}),
            "properties": properties,
        }

    @staticmethod
    def _default_of(one: _Bound) -> Schema:
        default = None if one.default is None else one.default()
        return {} if default is None else {"default": one.key.shape.write(default)}


def _same(value: object) -> object:
    return value


def _unit_words(shape: Shape[Any]) -> str:
    return f"in {shape.unit}" if isinstance(shape, Count) and shape.unit else ""


def _about(text: str) -> Schema:
    return {"description": text} if text else {}
