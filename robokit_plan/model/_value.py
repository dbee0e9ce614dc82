"""
Values: what `dataclasses` makes of ``(frozen=True, kw_only=True, slots=True)``, but sooner.

`dataclasses` brings `inspect` with it, and writes six functions for each class as text and compiles
them while the module is imported; with the two hundred classes of a plan that took a fifth of a
whole `check`, and most of those functions are never called. Here a class gets its slots, and shares
all functions with the others. Only the constructor, whose signature is the class's own, is
compiled, and not before a class has proved to have many values: most have a few.

`dataclasses.fields`, `replace`, `asdict` and pickling find what they look for: the fields as that
module knows them are made when somebody asks. The engines' own records, which nobody compares, or
which change, or which are made by position, are values with ``eq=False``, without `frozen`, without
`kw_only`.
"""

from __future__ import annotations

from functools import partial
from operator import attrgetter
from types import FunctionType
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass", "field", "field_defaults", "field_names", "replace"]

_FEW = 24
"""Values of a class before its constructor is worth compiling (measured: 0.15 ms against 5 µs)."""


class _Default:
    """What stands for a default in a class: a value, or what makes one."""

    __slots__ = ("compare", "factory", "repr", "value")

    def __init__(self, value: object, factory: Any, *, compare: bool, repr: bool) -> None:  # noqa: A002  as `dataclasses.field` calls it
        self.value = value
        self.factory = factory
        self.compare = compare
        self.repr = repr


_set = object.__setattr__
_ABSENT = object()

if TYPE_CHECKING:
    from collections.abc import Callable

    # A type checker has rules for these by their names, and they hold for ours.
    from dataclasses import dataclass, field, replace
else:

    def dataclass(
        *, slots: bool, frozen: bool = False, kw_only: bool = False, eq: bool = True
    ) -> Callable[[type], type]:
        """Return the decorator that makes a class of annotated fields a value."""
        if not slots:
            raise TypeError("a value has slots")
        lent = {
            name: one
            for name, one in _SHARED.items()
            if (frozen or name not in _REFUSALS) and (eq or name not in _COMPARISONS)
        }
        if eq and not frozen:
            lent["__hash__"] = None  # it would change with the value
        return lambda plain: _made(plain, lent, kw_only)

    def field(
        *,
        default: object = _ABSENT,
        default_factory: Callable[[], object] | None = None,
        compare: bool = True,
        repr: bool = True,  # noqa: A002  as `dataclasses.field` calls it
    ) -> _Default:
        """Return what says more of a field than its default."""
        return _Default(default, default_factory, compare=compare, repr=repr)

    def replace(value: Any, /, **changes: Any) -> Any:
        """
        Return *value* with some of its fields changed.

        Raises:
            TypeError: It has no such field.
        """
        cls = value.__class__
        names = getattr(cls, "_names", None)
        if names is None:
            import dataclasses

            return dataclasses.replace(value, **changes)
        for name in names:
            if name not in changes:
                changes[name] = getattr(value, name)
        return cls(**changes)


def field_names(cls: type) -> tuple[str, ...] | None:
    """Return the names of the fields of *cls*, in order; None where it is no class of values."""
    names: tuple[str, ...] | None = getattr(cls, "_names", None)
    return names


def field_defaults(cls: Any) -> dict[str, Callable[[], object]]:
    """Return what makes the default of each field of the class of values *cls* that has one."""
    return {
        name: one.factory or partial(_given, one.value)
        for name, one in cls._defaults.items()
        if not _is_required(one)
    }


def _given(value: object) -> object:
    return value


class _Fields:
    """The fields as `dataclasses` knows them, made when somebody asks."""

    def __get__(self, value: object, cls: Any) -> dict[str, Any]:
        import dataclasses

        found = {}
        for name, default in cls._defaults.items():
            asked: dict[str, Any] = {"compare": default.compare, "repr": default.repr}
            if default.factory is not None:
                asked["default_factory"] = default.factory
            elif default.value is not _ABSENT:
                asked["default"] = default.value
            found[name] = (cls._annotated[name], dataclasses.field(**asked))
        # Keywords need no order; what is made by position has its own.
        plain = dataclasses.make_dataclass(
            cls.__name__,
            [(name, *rest) for name, rest in found.items()],
            kw_only=not cls.__match_args__,
        )
        made: dict[str, Any] = plain.__dataclass_fields__  # type: ignore[attr-defined]
        cls.__dataclass_fields__ = made
        return made


def _made(plain: type, lent: dict[str, Any], kw_only: bool) -> type:
    # Makes the slots, and not one function.
    body = dict(plain.__dict__)
    inherited = {name for base in plain.__mro__[1:] for name in base.__dict__.get("_own", ())}
    own = {
        name: kind
        for name, kind in body.get("__annotations__", {}).items()
        if not str(kind).startswith("ClassVar")
    }
    annotated: dict[str, Any] = {}
    defaults: dict[str, _Default] = {}
    for base in reversed(plain.__mro__[1:]):
        annotated |= base.__dict__.get("_own", {})
        defaults |= base.__dict__.get("_defaults", {})
    for name, kind in own.items():
        default = body.pop(name, _ABSENT)
        annotated[name] = kind
        if type(default).__module__ == "dataclasses":
            raise TypeError(f"{plain.__name__}.{name}: its `field` is that of another decorator")
        if not isinstance(default, _Default):
            default = _Default(default, None, compare=True, repr=True)
        defaults[name] = default
    for name in ("__dict__", "__weakref__"):
        body.pop(name, None)
    body["__slots__"] = tuple(name for name in own if name not in inherited)
    body["__match_args__"] = () if kw_only else tuple(defaults)
    compared = [name for name, one in defaults.items() if one.compare]
    # With one name, `attrgetter` gives the value itself, which compares and hashes as well.
    body["_compared"] = staticmethod(attrgetter(*compared) if compared else _nothing)
    body["_names"] = tuple(defaults)
    body["_own"], body["_annotated"], body["_defaults"] = own, annotated, defaults
    body["__dataclass_fields__"] = _FIELDS
    for name, function in lent.items():
        body.setdefault(name, function)
    cls: Any = type(plain)(plain.__name__, plain.__bases__, body)
    cls.__qualname__ = plain.__qualname__
    cls.__init__ = _first_constructor(cls, defaults, kw_only)
    made: type = cls
    return made


def _first_constructor(cls: Any, defaults: dict[str, _Default], kw_only: bool) -> Any:
    """
    Return the constructor of the first values.

    It compiles the real one, and puts it in its own place, where it was called often, or with what
    only the real one can refuse.
    """
    required = [name for name, one in defaults.items() if _is_required(one)]
    rest = [(name, one) for name, one in defaults.items() if not _is_required(one)]
    left = _FEW

    def first(self: Any, *given: Any, **values: Any) -> None:
        nonlocal left
        left -= 1
        taken = 0
        if left > 0 and not given:
            for name in required:
                if name not in values:
                    break
                _set(self, name, values[name])
                taken += 1
            else:
                for name, one in rest:
                    if name in values:
                        _set(self, name, values[name])
                        taken += 1
                    elif one.factory is not None:
                        _set(self, name, one.factory())
                    else:
                        _set(self, name, one.value)
                if taken == len(values):
                    return
        cls.__init__ = made = _constructor(cls, defaults, kw_only)
        made(self, *given, **values)

    return first


def _is_required(one: _Default) -> bool:
    return one.value is _ABSENT and one.factory is None


def _constructor(cls: Any, defaults: dict[str, _Default], kw_only: bool) -> Any:
    names: dict[str, Any] = {"_ABSENT": _ABSENT}
    parameters, body = ["self"], []
    for name, one in defaults.items():
        parameter, value = name, name
        if one.factory is not None:
            names[f"_{name}"] = one.factory
            parameter, value = f"{name}=_ABSENT", f"_{name}() if {name} is _ABSENT else {name}"
        elif one.value is not _ABSENT:
            names[f"_{name}"] = one.value
            parameter = f"{name}=_{name}"
        parameters += ["*", parameter] if kw_only and len(parameters) == 1 else [parameter]
        # The slot's own function: a fifth of the time of `object.__setattr__` is looking it up.
        names[f"_set_{name}"] = getattr(cls, name).__set__
        body.append(f"    _set_{name}(self, {value})\n")
    text = f"def __init__({', '.join(parameters)}):\n{''.join(body) or '    pass'}"
    exec(text, names)  # noqa: S102  names of fields, which are identifiers of our own code
    made = names["__init__"]
    made.__qualname__ = f"{cls.__qualname__}.__init__"
    return made


def _nothing(_: object) -> tuple[()]:
    return ()


class _Value:
    """Holds what all values do alike; its functions are lent to each class."""

    __slots__ = ()
    _compared: Callable[[object], object]
    _names: tuple[str, ...]
    _defaults: dict[str, _Default]

    def __eq__(self, other: object) -> bool:
        if other.__class__ is not self.__class__:
            return NotImplemented
        return bool(self._compared(self) == self._compared(other))

    def __hash__(self) -> int:
        return hash(self._compared(self))

    def __repr__(self) -> str:
        shown = (
            f"{name}={getattr(self, name)!r}" for name, one in self._defaults.items() if one.repr
        )
        return f"{self.__class__.__qualname__}({', '.join(shown)})"

    def __setattr__(self, name: str, value: object) -> None:
        raise _frozen(f"cannot assign to field {name!r}")

    def __delattr__(self, name: str) -> None:
        raise _frozen(f"cannot delete field {name!r}")

    def __getstate__(self) -> list[Any]:
        return [getattr(self, name) for name in self._names]

    def __setstate__(self, state: list[Any]) -> None:
        for name, value in zip(self._names, state, strict=True):
            _set(self, name, value)


def _frozen(why: str) -> Exception:
    from dataclasses import FrozenInstanceError

    return FrozenInstanceError(why)


_FIELDS = _Fields()
_REFUSALS = frozenset({"__setattr__", "__delattr__"})
_COMPARISONS = frozenset({"__eq__", "__hash__"})
_SHARED = {name: one for name, one in vars(_Value).items() if isinstance(one, FunctionType)}
