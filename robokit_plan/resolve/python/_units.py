"""What must hold together, without repeats: the units in which a conflict is told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.model import InstanceName, Need, dataclass

from ._problem import PythonRequirement
from ._search import Found, Stuck, search
from ._world import Ask, World


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Unit:
    """One requirement and every line that makes it."""

    asks: tuple[Ask, ...]
    lines: tuple[PythonRequirement, ...]

    @property
    def ask(self) -> Ask:
        """The ask for the distribution itself."""
        return self.asks[0]

    @property
    def text(self) -> str:
        """The requirement as people read it."""
        return self.ask.text

    @property
    def instances(self) -> tuple[InstanceName, ...]:
        """All that ask for it, sorted."""
        return tuple(sorted({line.instance for line in self.lines}))


def units_of(groups: Iterable[tuple[PythonRequirement, tuple[Ask, ...]]]) -> tuple[Unit, ...]:
    """Return one unit per distinct requirement, sorted by text."""
    found: dict[str, list[tuple[PythonRequirement, tuple[Ask, ...]]]] = {}
    for line, asks in groups:
        found.setdefault(asks[0].text, []).append((line, asks))
    units = []
    for text in sorted(found):
        ordered = sorted(
            found[text], key=lambda one: (one[0].instance, one[0].origin, one[0].plugin)
        )
        units.append(Unit(asks=ordered[0][1], lines=tuple(line for line, _ in ordered)))
    return tuple(units)


def asks_in(units: Iterable[Unit]) -> tuple[Ask, ...]:
    """Return the asks of all *units*."""
    return tuple(ask for unit in units for ask in unit.asks)


class _Missing(Exception):  # noqa: N818  carries a question, not an error
    def __init__(self, need: Need) -> None:
        self.need = need
        super().__init__()


def least_conflict(world: World, units: Sequence[Unit], stuck: Stuck) -> tuple[Unit, ...] | Need:
    """
    Return a set of *units* that cannot hold together although each smaller one can.

    *stuck* is what the search over all of them ended with.

    Source:
        U. Junker, QuickXplain: Preferred Explanations and Relaxations for Over-Constrained
        Problems, AAAI 2004, algorithm 1.
    """

    def tried(part: Sequence[Unit]) -> Found | Stuck:
        answer = search(world, asks_in(part), budget=world.budget)
        if isinstance(answer, Need):
            raise _Missing(answer)
        return answer

    def holds_not(part: Sequence[Unit]) -> bool:
        answer = tried(part)
        # A search cut short proves nothing.
        return isinstance(answer, Stuck) and not answer.too_deep

    def explain(
        background: tuple[Unit, ...], last: tuple[Unit, ...], rest: tuple[Unit, ...]
    ) -> tuple[Unit, ...]:
        if last and holds_not(background):
            return ()
        if len(rest) == 1:
            return rest
        half = len(rest) // 2
        first, second = rest[:half], rest[half:]
        of_second = explain((*background, *first), first, second)
        of_first = explain((*background, *of_second), of_second, first)
        return (*of_first, *of_second)

    try:
        near = _near(units, stuck)
        if isinstance(tried(near), Found):
            near = tuple(units)
        found = explain((), (), near)
        # A search that was cut off can have kept too many: each one is tried without.
        for unit in found:
            rest = tuple(one for one in found if one is not unit)
            if rest and holds_not(rest):
                found = rest
    except _Missing as missing:
        return missing.need
    return tuple(sorted(found, key=lambda unit: unit.text))


def _near(units: Sequence[Unit], stuck: Stuck) -> tuple[Unit, ...]:
    """Return the units that the search's own proof rests on."""
    core = set(stuck.core)
    return tuple(unit for unit in units if not core.isdisjoint(unit.asks))
