"""
Plugins that may stand for each other: searching one of their many orders tells about all.

Two plugins are alike where their manifests say the same, apart from their own names, and nobody
names either of them. Whatever holds of a set then holds of it with one in the other's place.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import Enum
from itertools import combinations, islice, pairwise, product
from math import comb, prod

from robokit_plan.model import EnabledPlugin, InstanceName, Manifest, Origin
from robokit_plan.planner import Problem

_OWN = frozenset(
    {"plugin", "version", "summary", "license", "behaviour", "folder", "digest", "values", "places"}
)
"""What a manifest says of its own plugin and of nothing else."""
_WORD = re.compile(r"[a-z0-9][a-z0-9-]*")


class Alike:
    """Groups of members, as masks over a pool."""

    def __init__(self, groups: Iterable[Sequence[int]] = ()) -> None:
        """*groups*: places in the pool, each group sorted and of more than one."""
        self.groups = tuple(tuple(one) for one in groups)
        self._masks = tuple(sum(1 << at for at in group) for group in self.groups)

    def orders(self) -> Iterator[tuple[int, int]]:
        """Yield a rule a pair: a member comes only with the one before it."""
        for group in self.groups:
            for first, second in pairwise(group):
                yield 1 << second, 1 << first

    def first(self, members: int) -> int:
        """Return *members* with the first ones of each group in place of others."""
        for group, mask in zip(self.groups, self._masks, strict=True):
            count = (members & mask).bit_count()
            members = members & ~mask | sum(1 << at for at in group[:count])
        return members

    def all_of(self, members: int) -> int:
        """Return *members* with everyone who is like one of them."""
        for mask in self._masks:
            if members & mask:
                members |= mask
        return members

    def stand_ins(self, members: int, others: int) -> Iterator[tuple[int, int]]:
        """Yield, for two sets of which each stands for the other, who stands for whom."""
        for group in self.groups:
            yield from zip(
                (at for at in group if members >> at & 1),
                (at for at in group if others >> at & 1),
                strict=True,
            )

    def count(self, members: int) -> int:
        """Return how many sets *members* stands for."""
        return prod(
            comb(len(group), (members & mask).bit_count())
            for group, mask in zip(self.groups, self._masks, strict=True)
        )

    def every(self, members: int, limit: int) -> Iterator[int]:
        """Yield the sets that *members* stands for, at most *limit*, the first by place first."""
        rest = members
        for mask in self._masks:
            rest &= ~mask
        choices = [
            list(islice(combinations(group, (members & mask).bit_count()), limit))
            for group, mask in zip(self.groups, self._masks, strict=True)
        ]
        for picked in islice(product(*choices), limit):
            yield rest | sum(1 << at for group in picked for at in group)


def alike_in(
    problem: Problem, pool: Sequence[EnabledPlugin], apart: Iterable[InstanceName]
) -> Alike:
    """Return the groups of *pool* that may stand for each other; *apart* are in none."""
    named = _named(problem)
    alone = set(apart)
    groups: dict[str, list[int]] = {}
    for at, one in enumerate(pool):
        manifest = problem.manifests[one.plugin]
        if one.instance in alone or {one.instance, one.plugin} & named:
            continue
        face = _face(manifest), _face(one.settings), _module(manifest)
        groups.setdefault(repr(face), []).append(at)
    return Alike(group for group in groups.values() if len(group) > 1)


def _named(problem: Problem) -> set[str]:
    """Return every word that the robot file or a manifest may name a plugin by."""
    robot = problem.robot
    said: list[object] = [
        robot.wiring, robot.variants, robot.choose, robot.roles, robot.controllers, robot.ports,
        robot.supplies, robot.add_ons,
    ]  # fmt: skip
    said += [_face(one) for one in problem.manifests.values()]
    return {word for one in said for text in _texts(_face(one)) for word in _WORD.findall(text)}


def _module(manifest: Manifest) -> str | None:
    """Return the module of the plugin's code where it is not named like the plugin."""
    module = (manifest.behaviour or "").split(":")[0].split(".")[0]
    return None if module == manifest.plugin.replace("-", "_") else module


def _face(value: object) -> object:
    """Return *value* without places, as something that can be compared."""
    if isinstance(value, Enum):
        return value.value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return (
            type(value).__name__,
            *(
                (field.name, _face(item))
                for field in dataclasses.fields(value)
                if not (isinstance(value, Manifest) and field.name in _OWN)
                and not isinstance(item := getattr(value, field.name), Origin)
            ),
        )
    if isinstance(value, Mapping):
        if all(isinstance(item, Origin) for item in value.values()):
            return ()
        return tuple(sorted((str(name), repr(_face(item))) for name, item in value.items()))
    if isinstance(value, (tuple, list)):
        return tuple(_face(item) for item in value)
    if isinstance(value, (set, frozenset)):
        return tuple(sorted(repr(_face(item)) for item in value))
    return value


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, tuple):
        for item in value:
            yield from _texts(item)
