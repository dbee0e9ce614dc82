"""A map of a YAML file whose shape was checked, read key by key into plain values."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import ROUND_HALF_UP, Decimal
from enum import Enum
from typing import TypeVar

from robokit_plan.model import Choice, Origin, SettingValue, Text

from .tree import Node

_Kind = TypeVar("_Kind", bound=Enum)


class TypedMap:
    """
    One map, or nothing where the key was absent.

    Relies on `check_shape`: what is there is of the kind that the schema asks for.

    Args:
        node: The map.
        at: Where it is named, or what stands there.
    """

    __slots__ = ("_at", "node")

    def __init__(self, node: Node | None, at: Node | Origin) -> None:
        self.node = node
        self._at = at

    @property
    def origin(self) -> Origin:
        """Where it is named; made when somebody asks, which of most maps nobody does."""
        at = self._at
        return at.origin if isinstance(at, Node) else at

    def __contains__(self, key: str) -> bool:
        return self.node is not None and key in self.node.entries

    def child(self, key: str) -> Node | None:
        """Return the value under *key*."""
        entry = None if self.node is None else self.node.entries.get(key)
        return None if entry is None else entry[1]

    def place(self, key: str) -> Origin:
        """Return where *key* stands; where it does not, where the map begins."""
        entry = None if self.node is None else self.node.entries.get(key)
        return self.origin if entry is None else entry[0].origin

    def view(self, key: str) -> TypedMap:
        """Return the map under *key*."""
        entry = None if self.node is None else self.node.entries.get(key)
        if entry is None:
            return TypedMap(None, self._at)
        name, child = entry
        return TypedMap(child if child.kind == "map" else None, name)

    def views(self, key: str) -> Iterator[TypedMap]:
        """Yield the maps of the list under *key*."""
        child = self.child(key)
        for item in child.items if child else ():
            yield TypedMap(item, item)

    def named(self, key: str) -> Iterator[tuple[str, TypedMap]]:
        """Yield name and map of each entry of the map under *key*, in the file's order."""
        child = self.child(key)
        for name, (name_node, value) in child.entries.items() if child else ():
            if not name.startswith("x-"):
                yield name, TypedMap(value, name_node)

    def string(self, key: str) -> str | None:
        """Return the text under *key*."""
        child = self.child(key)
        return None if child is None else scalar_text(child)

    def text(self, key: str) -> Text | None:
        """Return the text under *key* with its place."""
        child = self.child(key)
        return None if child is None else Text(text=scalar_text(child), origin=child.origin)

    def texts(self, key: str) -> tuple[Text, ...]:
        """Return the texts of the list, or of the single text, under *key*."""
        child = self.child(key)
        if child is None:
            return ()
        items = child.items if child.kind == "list" else [child]
        return tuple([Text(text=scalar_text(item), origin=item.origin) for item in items])

    def strings(self, key: str) -> tuple[str, ...]:
        """Return the texts under *key* without their places."""
        child = self.child(key)
        if child is None:
            return ()
        items = child.items if child.kind == "list" else [child]
        return tuple([scalar_text(item) for item in items])

    def integer(self, key: str) -> int | None:
        """Return the whole number under *key*."""
        child = self.child(key)
        return None if child is None else whole(child.value)

    def integers(self, key: str) -> tuple[int, ...]:
        """Return the whole numbers of the list, or of the single number, under *key*."""
        child = self.child(key)
        if child is None:
            return ()
        items = child.items if child.kind == "list" else [child]
        return tuple(whole(item.value) for item in items)

    def scaled(self, key: str, factor: int) -> int | None:
        """Return the number under *key* times *factor*, rounded: volts become millivolts."""
        child = self.child(key)
        return None if child is None else scaled(child.value, factor)

    def flag(self, key: str) -> bool:
        """Return the truth value under *key*; absent is false."""
        child = self.child(key)
        return child is not None and child.value is True

    def member(self, key: str, kind: type[_Kind], default: _Kind) -> _Kind:
        """Return the member of *kind* that the word under *key* names."""
        child = self.child(key)
        return default if child is None else kind(child.raw)

    def choice(self, key: str, *, absent_is_any: bool = False) -> Choice:
        """Return which instances the value under *key* allows."""
        child = self.child(key)
        if child is None:
            return Choice(any=absent_is_any)
        words = self.strings(key)
        if "any" in words:
            return Choice(any=True)
        return Choice(options=words)


def scalar_text(node: Node) -> str:
    """Return a scalar as text: a whole number in digits (``-0`` is 0), else as written."""
    value = node.value
    if isinstance(value, str):
        return value
    if not isinstance(value, bool) and isinstance(value, (int, float)) and value == value // 1:
        return str(int(value))
    return node.raw


def whole(value: SettingValue) -> int:
    """Return a number that the schema knows to be whole."""
    return int(value) if isinstance(value, (int, float)) else 0


def scaled(value: SettingValue, factor: int) -> int:
    """
    Return *value* times *factor* as a whole number, halves up; decimal, so 5.1 V is 5100 mV.

    >>> scaled(5.1, 1000), scaled(0.35, 100)
    (5100, 35)
    """
    number = Decimal(str(value)) if isinstance(value, (int, float)) else Decimal(0)
    return int((number * factor).to_integral_value(ROUND_HALF_UP))
