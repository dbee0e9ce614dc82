"""What would mend a conflict: each repair was tried by searching again with it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.model import DistributionName, IndexFile, Need, dataclass, replace

from ._fixes import asked_anew, moved_bounds, requires_fixes
from ._offers import Lack, refusal_of
from ._search import Found, Stuck, search
from ._units import Unit, asks_in, least_conflict
from ._world import Ask, World

_MOST_EASED = 2
_MOST_DISABLED = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class Mended:
    """
    Repairs as they are typed, what keeps most first: what goes back fewest releases.

    `without`: the unit to leave out so that the rest can still be planned.
    """

    eased: tuple[str, ...]
    disabled: tuple[str, ...]
    without: Unit


def repairs_of(world: World, units: Sequence[Unit], least: Sequence[Unit]) -> Mended | Need:
    """Return what mends the conflict *least* within *units*."""
    others = _beside(world, units, least)
    if isinstance(others, Need):
        return others
    tries = _Tries(world)
    eased: list[tuple[int, str]] = []
    spared: list[Unit] = []
    for unit in least:
        rest = [*others, *(one for one in least if one is not unit)]
        if isinstance(tries.found(asks_in(rest)), Found):
            spared.append(unit)
        opened = _opened(unit)
        if opened:
            found = tries.found((*asks_in(rest), *opened))
            if isinstance(found, Found):
                eased.extend(_eased(tries, unit, asks_in(rest), found))
    if tries.lacks:
        return tries.need()
    spared.sort(key=lambda unit: (len(unit.instances), unit.text))
    disabled = dict.fromkeys(
        "robokit-plan disable " + " ".join(unit.instances) for unit in spared or least
    )
    return Mended(
        eased=tuple(text for _, text in sorted(eased))[:_MOST_EASED],
        disabled=tuple(disabled)[:_MOST_DISABLED],
        without=(spared or list(least))[-1],
    )


def _beside(world: World, units: Sequence[Unit], least: Sequence[Unit]) -> list[Unit] | Need:
    """
    Return what a repair of *least* must get along with: the other units that hold together.

    Another conflict among them is a finding of its own; where it shares a unit with *least*, a
    repair is tried on *least* alone.
    """
    rest = [unit for unit in units if unit not in least]
    while rest:
        found = search(world, asks_in(rest), budget=world.budget)
        if isinstance(found, Need):
            return found
        if isinstance(found, Found):
            break
        if found.too_deep:
            return []
        other = least_conflict(world, rest, found)
        if isinstance(other, Need):
            return other
        rest = [unit for unit in rest if unit not in other]
    for unit in least:
        found = search(
            world, asks_in([*rest, *(one for one in least if one is not unit)]), budget=world.budget
        )
        if not isinstance(found, Stuck):
            return found if isinstance(found, Need) else rest
    return []


class _Tries:
    """Searches whose gaps are gathered, so that one question asks for all of them."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._pages: set[DistributionName] = set()
        self._files: dict[str, IndexFile] = {}

    @property
    def lacks(self) -> bool:
        """Whether some search met a gap."""
        return bool(self._pages or self._files)

    def found(self, asks: Iterable[Ask]) -> Found | None:
        """Return what was found for *asks*; None where nothing was, or not yet."""
        answer = search(self.world, asks, budget=self.world.budget)
        if isinstance(answer, Need):
            self._pages.update(answer.pages)
            self._files.update({file.key: file for file in answer.metadata})
        return answer if isinstance(answer, Found) else None

    def need(self) -> Need:
        """Return all that the searches lacked."""
        return Need(
            pages=tuple(sorted(self._pages)),
            metadata=tuple(
                sorted(self._files.values(), key=lambda file: (file.filename, file.key))
            ),
        )


def _opened(unit: Unit) -> tuple[Ask, ...]:
    """Return the asks of *unit* with any version allowed; () where it allows all already."""
    return _asking(unit, "") if unit.ask.specifier else ()


def _asking(unit: Unit, specifier: str) -> tuple[Ask, ...]:
    shown = unit.text.removesuffix(unit.ask.specifier)
    return tuple(replace(ask, specifier=specifier, text=f"{shown}{specifier}") for ask in unit.asks)


def _eased(
    tries: _Tries, unit: Unit, rest: Iterable[Ask], found: Found
) -> Iterable[tuple[int, str]]:
    """Yield how many releases *unit* must go back for *found*, and how far it must open up."""
    world = tries.world
    release = found.chosen[unit.ask.name].release
    project = world.project(unit.ask.name)
    if release is None or project is None:
        return
    before = [one.version for one in world.matches(project, [unit.ask.specifier])]
    if not before:
        refusal = refusal_of(world, project, unit.ask.specifier)
        if refusal.lack in {Lack.PYTHON, Lack.WHEEL, Lack.SDIST}:
            # Newer ones stay for other machines, and a range that lets them in would say nothing.
            before = [one.version for one in refusal.matching]
    newest = max(before, default=release.version)
    older = release.version < newest
    specifier = moved_bounds(unit.ask.specifier, release.version, older=older)
    # What is typed is a range: it has to lead to a choice as well.
    if tries.found((*rest, *_asking(unit, specifier))) is not None:
        given_up = {
            one.version
            for one in world.pool(project)
            if release.version < one.version <= newest and not one.version.is_prerelease
        }
        name = unit.ask.name
        for text in requires_fixes(unit.lines, lambda line: asked_anew(line, name, specifier)):
            yield len(given_up), text
