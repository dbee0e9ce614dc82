"""Where a conflict shows first: one distribution, and the chains of asks that meet there."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from robokit_plan.model import DistributionName, Need, dataclass, listed, replace

from ._parsing import allows
from ._releases import Release
from ._search import Stuck
from ._units import Unit
from ._world import METADATA, PYTHON, Ask, Candidate, World

_PASSES = 24
_LONGEST = 3
"""Releases in a trail that only narrows a choice; a longer one explains nothing."""
_HEAD, _TAIL = 5, 5
"""Releases at the two ends of a longer trail that are told."""


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Trail:
    """
    How a unit comes to ask something: by the ask of a release, to which another trail leads.

    Trails share what is before them, so that many long ones cost no more than their ends. `length`:
    releases between.
    """

    unit: Unit
    before: Trail | None = None
    release: Release | None = None
    asked: Ask | None = None
    length: int = 0

    def onward(self, release: Release, ask: Ask) -> Trail:
        """Return this trail with what *release*, which it leads to, asks in turn."""
        return Trail(
            unit=self.unit, before=self, release=release, asked=ask, length=self.length + 1
        )

    @property
    def ask(self) -> Ask:
        """What is asked at the end."""
        return self.unit.ask if self.asked is None else self.asked

    @property
    def text(self) -> str:
        """The whole chain in words; of a long one its two ends."""
        trails = list(self._chain())
        steps = [trail.step for trail in reversed(trails)]
        between = len(steps) - _HEAD - _TAIL
        if between > 1:
            steps[_HEAD:-_TAIL] = [f"... {between} more releases, one after the other"]
        who = listed(self.unit.instances)
        verb = "asks" if len(self.unit.instances) == 1 else "ask"
        return "; ".join([f"{who} {verb} for {self.unit.text}", *steps])

    def _chain(self) -> Iterator[Trail]:
        """Yield this trail and those before it that go through a release, the last first."""
        trail = self
        while trail.before is not None:
            yield trail
            trail = trail.before

    @property
    def releases(self) -> Iterator[Release]:
        """The releases between, the last first."""
        return (trail.release for trail in self._chain() if trail.release is not None)

    @property
    def step(self) -> str:
        """Its last step in words; "" where it ends at the unit's own ask."""
        release, ask = self.release, self.ask
        if release is None:
            return ""
        if ask.name == METADATA:
            return f"{release.name} {release.version} cannot be taken: {ask.text}"
        added = f" (not in its metadata: {ask.added})" if ask.added else ""
        needs = "needs" if ask.name == PYTHON else "asks for"
        return f"{release.name} {release.version} {needs} {ask.text}{added}"


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
            last = max(found.trails, key=lambda trail: trail.length)
            if last.release is None:
                break
            passed_over.add(last.release)
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
    on = {release.name for trail in clash.trails for release in trail.releases}
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
    queue, seen = deque([Trail(unit=unit)]), {unit.ask.name}
    while queue:
        trail = queue.popleft()
        if trail.ask.name in names:
            return trail
        if trail.ask.name in {PYTHON, METADATA} or trail.length == _LONGEST:
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

    Each distribution, each extra of it and each bound on it are followed once, by whoever came
    first: as long as what is there, however many ways lead through it.

    Return True where a choice had to change, with the ask that changed it in *hints*.

    Raises:
        _Met: Asks that nothing satisfies.
    """
    trails: dict[DistributionName, dict[str, Trail]] = {}
    chosen: dict[DistributionName, Release] = {}
    fits: dict[DistributionName, Release] = {}
    pages: set[DistributionName] = set()
    unread: dict[Release, None] = {}
    queue = deque(Trail(unit=unit) for unit in units)
    extras = deque((trail, ask) for trail in queue for ask in trail.unit.asks[1:])
    opened: set[str] = set()
    changed = False
    met: Iterable[Trail] = ()
    while queue or extras:
        if not queue:
            trail, ask = extras.popleft()
            if ask.identifier not in opened:
                opened.add(ask.identifier)
                queue.extend(_onward(world, chosen.get(ask.name), ask.extra, trail, unread))
            continue
        trail = queue.popleft()
        ask = trail.ask
        name = ask.name
        if ask.extra:
            extras.append((trail, ask))
            continue
        here = trails.setdefault(name, {})
        if ask.specifier in here:
            continue
        here[ask.specifier] = trail
        if name == METADATA:
            met = here.values()
            break
        if name == PYTHON:
            if not allows(ask.specifier, world.python_version):
                met = here.values()
                break
            continue
        project = world.project(name)
        if project is None:
            pages.add(name)
            continue
        # What fits all and is let in by one more does still fit: all are seldom looked at again.
        if name not in fits or not allows(ask.specifier, fits[name].version):
            matches = world.matches(project, here)
            if not matches:
                met = here.values()
                break
            fits[name] = matches[0]
        taken = chosen.get(name)
        if taken is not None:
            if not allows(ask.specifier, taken.version):
                hints.setdefault(name, []).append(ask)
                changed = True
            continue
        hinted = [one.specifier for one in hints.get(name, ())]
        matches = world.matches(project, [*here, *hinted]) or world.matches(project, here)
        open_ = (one for one in matches if one not in passed_over and not world.invalid(one))
        first = next(open_, matches[0])
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
        found = tuple(met)
        raise _Met(found[0].ask.name, found)
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
        trail.onward(release, ask)
        for ask in asks
        # A release that asks for an extra of its own is there; it may still not be what it asks.
        if ask.name != release.name or ask.extra or not allows(ask.specifier, release.version)
    )


def _least(world: World, name: DistributionName, trails: Sequence[Trail]) -> Clash:
    """Return *trails* without those that the clash does not need; the shortest are kept."""
    kept = sorted(trails, key=lambda trail: (trail.length, trail.text))
    for trail in sorted(kept, key=lambda one: (-one.length, one.text)):
        rest = [one for one in kept if one is not trail]
        if rest and not _satisfiable(world, name, rest):
            kept = rest
    return Clash(name=name, trails=tuple(kept))


def _satisfiable(world: World, name: DistributionName, trails: Iterable[Trail]) -> bool:
    specifiers = [trail.ask.specifier for trail in trails]
    if name == METADATA:
        return False
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
    sources = _sources(world, units)
    for ask, parent in by_name.get(name, ()):
        if parent is None or parent.release is None:
            trails.extend(Trail(unit=one) for one in units if ask in one.asks)
            continue
        source = sources.get(parent.name, units[0])
        trails.append(Trail(unit=source).onward(parent.release, ask))
    if not trails:
        trails = [Trail(unit=one) for one in units]
    return Clash(name=name, trails=tuple(sorted(trails, key=lambda one: (one.length, one.text))))


def _sources(world: World, units: Iterable[Unit]) -> Mapping[DistributionName, Unit]:
    """Return for each name that *units* lead to, by whatever releases, the first that does."""
    after = world.leads()
    found: dict[DistributionName, Unit] = {}
    for unit in units:
        left = [unit.ask.name]
        while left:
            name = left.pop()
            if name not in found:
                found[name] = unit
                left += after.get(name, ())
    return found
