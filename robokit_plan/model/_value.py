"""
Frozen values: what `dataclasses` makes of ``(frozen=True, kw_only=True, slots=True)``, but sooner.

`dataclasses` writes six functions for each class as text and compiles them while the module is
imported; with the two hundred classes of a plan that took a fifth of a whole `check`, and most of
those functions are never called. Here the constructor alone is compiled, since its signature is
the class's own, and not before the first value is made: most runs make values of half the
classes. Comparing, hashing, showing and refusing changes are functions that all share.
`fields`, `replace`, `asdict` and pickling find what they look for.
"""

from __future__ import annotations

import dataclasses
from operator import attrgetter
from types import FunctionType
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass"]

if TYPE_CHECKING:
    from collections.abc import Callable

    # A type checker has rules for this decorator by its name, and they hold for ours.
    from dataclasses import dataclass
else:

    def dataclass(*, frozen: bool, kw_only: bool, slots: bool) -> Callable[[type], type]:
        """Return the decorator that makes a class of annotated fields a frozen value."""
        if not (frozen and kw_only and slots):
            raise TypeError("a value is frozen, has keywords only, and slots")
        return _made


_set = object.__setattr__
_ABSENT = object()


def _made(plain: type) -> type:
    # Makes the fields and the slots, and not one function.
    cls: Any = dataclasses.dataclass(init=False, repr=False, eq=False, kw_only=True, slots=True)(
        plain
    )
    fields = dataclasses.fields(cls)
    cls.__dataclass_params__.frozen = True
    cls.__init__ = _first_constructor(cls, fields)
    compared = [one.name for one in fields if one.compare]
    # With one name, `attrgetter` gives the value itself, which compares and hashes as well.
    cls._compared = staticmethod(attrgetter(*compared) if compared else _nothing)
    for name, function in _SHARED.items():
        if name not in plain.__dict__:
            setattr(cls, name, function)
    made: type = cls
    return made


def _first_constructor(cls: Any, fields: tuple[dataclasses.Field[Any], ...]) -> Any:
    """Return a constructor that makes the real one, puts it in its own place, and calls it."""

    def first(self: Any, **values: Any) -> None:
        cls.__init__ = made = _constructor(cls, fields)
        made(self, **values)

    return first


def _constructor(cls: Any, fields: tuple[dataclasses.Field[Any], ...]) -> Any:
    names: dict[str, Any] = {"_ABSENT": _ABSENT}
    parameters, body = ["self"], []
    for one in fields:
        name, parameter, value = one.name, one.name, one.name
        if one.default is not dataclasses.MISSING:
            names[f"_{name}"] = one.default
            parameter = f"{name}=_{name}"
        elif one.default_factory is not dataclasses.MISSING:
            names[f"_{name}"] = one.default_factory
            parameter, value = f"{name}=_ABSENT", f"_{name}() if {name} is _ABSENT else {name}"
        parameters += [parameter] if len(parameters) > 1 else ["*", parameter]
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

    def __eq__(self, other: object) -> bool:
        if other.__class__ is not self.__class__:
            return NotImplemented
        return bool(self._compared(self) == self._compared(other))

    def __hash__(self) -> int:
        return hash(self._compared(self))

    def __repr__(self) -> str:
        shown = (f"{one.name}={getattr(self, one.name)!r}" for one in _fields(self) if one.repr)
        return f"{self.__class__.__qualname__}({', '.join(shown)})"

    def __setattr__(self, name: str, value: object) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")

    def __delattr__(self, name: str) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")

    def __getstate__(self) -> list[Any]:
        return [getattr(self, one.name) for one in _fields(self)]

    def __setstate__(self, state: list[Any]) -> None:
        for one, value in zip(_fields(self), state, strict=True):
            _set(self, one.name, value)


_SHARED = {name: one for name, one in vars(_Value).items() if isinstance(one, FunctionType)}


def _fields(value: Any) -> tuple[dataclasses.Field[Any], ...]:
    return dataclasses.fields(value)
