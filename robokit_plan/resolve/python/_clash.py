"""Where a conflict shows first: one distribution, and the chains of asks that meet there."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from robokit_plan.model import DistributionName, Need, dataclass, listed, replace

from ._parsing import allows
from ._releases import Release
from ._search import Stuck
from ._units import Unit
from ._world import PYTHON, Ask, Candidate, World

_PASSES = 24
_LONGEST = 3
"""Releases in a trail that only narrows a choice; a longer one explains nothing."""


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Trail:
    """How a unit comes to ask something: the releases between, and the ask at the end."""

    unit: Unit
    through: tuple[tuple[Release, Ask], ...] = ()

    @property
    def ask(self) -> Ask:
        """What is asked at the end."""
        return self.through[-1][1] if self.through else self.unit.ask

    @property
    def text(self) -> str:
        """The whole chain in words."""
        who = listed(self.unit.instances)
        verb = "asks" if len(self.unit.instances) == 1 else "ask"
        steps = [f"{who} {verb} for {self.unit.text}"]
        for release, ask in self.through:
            added = f" (not in its metadata: {ask.added})" if ask.added else ""
            needs = "needs" if ask.name == PYTHON else "asks for"
            steps.append(f"{release.name} {release.version} {needs} {ask.text}{added}")
        return "; ".join(steps)


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Clash:
    """
    Trails whose asks for one distribution nothing satisfies; each smaller set is.

    `whole` False: it rests on choices that could be made otherwise, only to fail elsewhere;
    `narrowing` are asks of further units that leave little choice among the releases in trails.
    """

    name: DistributionName
    trails: tuple[Trail, ...]
    whole: bool = True
    narrowing: tuple[Trail, ...] = ()


class _Met(Exception):  # noqa: N818  ends the walk, no error
    def __init__(self, name: DistributionName, trails: Sequence[Trail]) -> None:
        self.name = name
        self.trails = trails
        super().__init__()


def clash_of(world: World, units: Sequence[Unit], stuck: Stuck) -> Clash | Need:
    """
    Return where the least conflict *units* shows when each asker takes its first choice.

    First choices read better than what a search tried last, which tends to be a release from
    years ago. A choice that fails without all of *units* taking part does not explain them, so
    the next one is looked at. Where nothing clashes so, the last causes of *stuck* are told.
    """
    hints: dict[DistributionName, list[Ask]] = {}
    passed_over: set[Release] = set()
    partial: Clash | None = None
    for _ in range(_PASSES):
        try:
            again = _walk(world, units, hints, passed_over)
        except _Met as met:
            found = _least(world, met.name, met.trails)
            if {trail.unit for trail in found.trails} == set(units):
                return found
            partial = partial or found
            # The latest choice in the longest trail is the one to make otherwise.
            last = max(found.trails, key=lambda trail: len(trail.through))
            if not last.through:
                break
            passed_over.add(last.through[-1][0])
            continue
        if isinstance(again, Need):
            return again
        if not again:
            break
    causes = _from_causes(world, units, stuck)
    if {trail.unit for trail in causes.trails} == set(units):
        return causes
    return _with_narrowing(world, units, replace(partial or causes, whole=False))


def _with_narrowing(world: World, units: Sequence[Unit], clash: Clash) -> Clash | Need:
    """Return *clash* with how the units that have no part in it bear on releases in its trails."""
    parts = {trail.unit for trail in clash.trails}
    on = {release.name for trail in clash.trails for release, _ in trail.through}
    found = []
    for unit in units:
        if unit in parts:
            continue
        trail = _trail_to(world, unit, on)
        if isinstance(trail, Need):
            return trail
        if trail is not None:
            found.append(trail)
    return replace(clash, narrowing=tuple(found))


def _trail_to(world: World, unit: Unit, names: Collection[DistributionName]) -> Trail | Need | None:
    """Return the shortest way from *unit*, by first choices, to an ask for one of *names*."""
    queue, seen = [Trail(unit=unit)], {unit.ask.name}
    while queue:
        trail = queue.pop(0)
        if trail.ask.name in names:
            return trail
        if trail.ask.name == PYTHON or len(trail.through) == _LONGEST:
            continue
        project = world.project(trail.ask.name)
        if project is None:
            return Need(pages=(trail.ask.name,))
        matches = world.matches(project, [trail.ask.specifier])
        unread: dict[Release, None] = {}
        for one in _onward(world, matches[0] if matches else None, "", trail, unread):
            if one.ask.name not in seen or one.ask.name in names:
                seen.add(one.ask.name)
                queue.append(one)
        if unread:
            return Need(metadata=tuple(release.file for release in unread))
    return None


def _walk(
    world: World,
    units: Sequence[Unit],
    hints: dict[DistributionName, list[Ask]],
    passed_over: Collection[Release],
) -> bool | Need:
    """
    Follow all asks breadth first, each distribution at its first choice not *passed_over*.

    Return True where a choice had to change, with the ask that changed it in *hints*.

    Raises:
        _Met: Asks that nothing satisfies.
    """
    trails: dict[DistributionName, list[Trail]] = {}
    chosen: dict[DistributionName, Release] = {}
    pages: set[DistributionName] = set()
    unread: dict[Release, None] = {}
    queue = [Trail(unit=unit) for unit in units]
    extras = [(trail, ask) for trail in queue for ask in trail.unit.asks[1:]]
    changed = False
    met: list[Trail] = []
    while queue or extras:
        if not queue:
            trail, ask = extras.pop(0)
            queue.extend(_onward(world, chosen.get(ask.name), ask.extra, trail, unread))
            continue
        trail = queue.pop(0)
        ask = trail.ask
        name = ask.name
        if ask.extra:
            extras.append((trail, ask))
            continue
        here = trails.setdefault(name, [])
        if any(one.ask.specifier == ask.specifier for one in here):
            continue
        here.append(trail)
        if name == PYTHON:
            if not allows(ask.specifier, world.python_version):
                met = here
                break
            continue
        project = world.project(name)
        if project is None:
            pages.add(name)
            continue
        if not world.matches(project, [one.ask.specifier for one in here]):
            met = here
            break
        taken = chosen.get(name)
        if taken is not None:
            if not allows(ask.specifier, taken.version):
                hints.setdefault(name, []).append(ask)
                changed = True
            continue
        hinted = [one.specifier for one in hints.get(name, ())]
        known = [one.ask.specifier for one in here]
        matches = world.matches(project, known + hinted) or world.matches(project, known)
        first = next((one for one in matches if one not in passed_over), matches[0])
        chosen[name] = first
        queue.extend(_onward(world, first, "", trail, unread))
    if pages or unread:
        # What is not read yet might clash earlier: the first clash must not depend on gaps.
        return Need(
            pages=tuple(sorted(pages)),
            metadata=tuple(
                sorted((one.file for one in unread), key=lambda file: (file.filename, file.key))
            ),
        )
    if met:
        raise _Met(met[0].ask.name, met)
    return changed


def _onward(
    world: World, release: Release | None, extra: str, trail: Trail, unread: dict[Release, None]
) -> Iterable[Trail]:
    if release is None:
        return ()
    asks = world.asks(release, extra)
    if asks is None:
        unread[release] = None
        return ()
    return tuple(
        Trail(unit=trail.unit, through=(*trail.through, (release, ask)))
        for ask in asks
        if ask.name != release.name or ask.extra
    )


def _least(world: World, name: DistributionName, trails: Sequence[Trail]) -> Clash:
    """Return *trails* without those that the clash does not need; the shortest are kept."""
    kept = sorted(trails, key=lambda trail: (len(trail.through), trail.text))
    for trail in sorted(kept, key=lambda one: (-len(one.through), one.text)):
        rest = [one for one in kept if one is not trail]
        if rest and not _satisfiable(world, name, rest):
            kept = rest
    return Clash(name=name, trails=tuple(kept))


def _satisfiable(world: World, name: DistributionName, trails: Iterable[Trail]) -> bool:
    specifiers = [trail.ask.specifier for trail in trails]
    if name == PYTHON:
        return all(allows(one, world.python_version) for one in specifiers)
    project = world.project(name)
    return project is None or bool(world.matches(project, specifiers))


def _from_causes(world: World, units: Sequence[Unit], stuck: Stuck) -> Clash:
    """Return the clash in the search's own last causes, told from the nearest units."""
    by_name: dict[DistributionName, list[tuple[Ask, Candidate | None]]] = {}
    for ask, parent in stuck.causes:
        by_name.setdefault(ask.name, []).append((ask, parent))
    trails: list[Trail] = []
    name = min(by_name, key=lambda one: (-len(by_name[one]), one), default=units[0].ask.name)
    for ask, parent in by_name.get(name, ()):
        if parent is None or parent.release is None:
            trails.extend(Trail(unit=one) for one in units if ask in one.asks)
            continue
        source = next((one for one in units if parent.name in world.reach(one.ask.name)), units[0])
        trails.append(Trail(unit=source, through=((parent.release, ask),)))
    if not trails:
        trails = [Trail(unit=one) for one in units]
    return Clash(
        name=name, trails=tuple(sorted(trails, key=lambda one: (len(one.through), one.text)))
    )
