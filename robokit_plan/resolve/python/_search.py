"""The search: resolvelib's engine, our policy, and the rows that it found missing."""

# ruff: noqa: ARG002  the engine passes arguments by name, whether a policy uses them or not

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from resolvelib import AbstractProvider, BaseReporter, ResolutionImpossible, ResolutionTooDeep
from resolvelib.resolvers import RequirementInformation, Resolution

from robokit_plan.model import DistributionName, IndexFile, Need

from ._parsing import allows, is_exact
from ._releases import Release
from ._world import PYTHON, Ask, Candidate, World, pin_of

_ROUNDS = 5_000
"""Enough for sets that walk back through hundreds of releases; real ones take under 300."""

_ROUNDS_WITH_GAPS = 400
"""A search that met a gap will be repeated, so it need not be thorough."""

_MOST_AHEAD = 64
"""How many further releases' metadata one round may ask for; doubled up to here."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """A consistent set: identifier -> what was taken; only what the asks reach."""

    chosen: Mapping[str, Candidate]


@dataclass(frozen=True, kw_only=True, slots=True)
class Stuck:
    """
    No consistent set exists.

    `causes` are the last asks that clashed, each with who asked; `too_deep` True: the search
    was cut off, so none was found but one may exist.
    """

    causes: tuple[tuple[Ask, Candidate | None], ...] = ()
    too_deep: bool = False


@dataclass(kw_only=True, slots=True)
class _Gaps:
    """What one search met and could not read."""

    pages: set[DistributionName] = field(default_factory=set)
    releases: dict[Release, None] = field(default_factory=dict)
    tried: Counter[DistributionName] = field(default_factory=Counter)
    visits: Counter[str] = field(default_factory=Counter)


def search(world: World, asks: Iterable[Ask], *, rounds: int = _ROUNDS) -> Found | Stuck | Need:
    """
    Return a consistent choice for *asks*, the fact that there is none, or what to read first.

    Where a row is missing the search goes on as if it allowed everything, so that one round
    names all that is open. A search that met a gap never decides: the answer is always that
    of a search in which every row met was there, as over the whole index.

    A search that was cut off is done once more, settling what it came back to most often first:
    the engine steps back over all that was settled since, so that a name settled late drags
    every combination of what has nothing to do with its clash along.
    """
    # Sorted, so that the order of plugins in a robot file cannot matter.
    ordered = sorted(asks, key=lambda ask: (ask.identifier, ask.text, _place(ask)))
    found, visits = _search(world, ordered, rounds, {})
    if isinstance(found, Stuck) and found.too_deep:
        found, _ = _search(world, ordered, rounds, visits)
    return found


def _search(
    world: World, ordered: Sequence[Ask], rounds: int, first: Mapping[str, int]
) -> tuple[Found | Stuck | Need, Mapping[str, int]]:
    """Search once, the names of *first* before others; return how often each was visited, too."""
    gaps = _Gaps()
    provider = _Provider(world, gaps, first)
    resolution: Resolution[Ask, Candidate, str] = Resolution(provider, _Reporter(gaps))
    found: Found | Stuck
    try:
        state = resolution.resolve(ordered, max_rounds=rounds)
    except ResolutionImpossible as impossible:
        found = Stuck(causes=tuple((one.requirement, one.parent) for one in impossible.causes))
    except (ResolutionTooDeep, _GapsFirst):
        found = Stuck(too_deep=True)
    else:
        found = Found(chosen=_reached(provider, state.mapping, ordered))
    if not gaps.pages and not gaps.releases:
        return found, gaps.visits
    return _need(world, gaps, found), gaps.visits


def _reached(
    provider: _Provider, taken: Mapping[str, Candidate], asks: Iterable[Ask]
) -> Mapping[str, Candidate]:
    """
    Return what of *taken* the *asks* lead to; what releases given up later had asked for is not.

    The engine has a walk of its own for this, which never ends where such left-overs ask for
    each other in a circle (resolvelib 1.2.1, `_has_route_to_root`).
    """
    found: dict[str, Candidate] = {}
    left = [ask.identifier for ask in asks]
    while left:
        identifier = left.pop()
        if identifier not in found:
            found[identifier] = taken[identifier]
            left += [ask.identifier for ask in provider.get_dependencies(taken[identifier])]
    return {identifier: found[identifier] for identifier in sorted(found)}


def _place(ask: Ask) -> tuple[str, ...]:
    root = ask.root
    return () if root is None else (root.instance, root.plugin, str(root.origin), root.text)


def _need(world: World, gaps: _Gaps, found: Found | Stuck) -> Need:
    """Return the gaps that the choice stands on; all that were met where it stands on none."""
    pages, releases = gaps.pages, list(gaps.releases)
    if isinstance(found, Found):
        taken = {one.release for one in found.chosen.values()}
        open_pages = pages & {one.name for one in found.chosen.values() if one.release is None}
        open_releases = [one for one in releases if one in taken]
        if open_pages or open_releases:
            pages, releases = open_pages, open_releases
    files: dict[str, IndexFile] = {}
    for release in releases:
        for one in (release, *_likely_after(world, release, gaps.tried[release.name])):
            files.setdefault(one.file.key, one.file)
    return Need(
        pages=tuple(sorted(pages)),
        metadata=tuple(sorted(files.values(), key=lambda file: (file.filename, file.key))),
    )


def _likely_after(world: World, release: Release, tried: int) -> Iterator[Release]:
    """Yield unread releases that come next, as many as were tried: the number doubles."""
    project = world.project(release.name)
    if project is None or not tried or not release.is_wheel:
        return
    left = min(tried, _MOST_AHEAD)
    after = project.releases[project.releases.index(release) + 1 :]
    for one in after:
        if not left or not one.is_wheel:
            return  # an sdist is a whole download, so none is read ahead
        if one.yanked is None and not one.version.is_prerelease and world.metadata(one) is None:
            left -= 1
            yield one


class _GapsFirst(Exception):  # noqa: N818  ends a search, no error
    """Ends a search that has gone on for long although a gap will make it start anew."""


class _Reporter(BaseReporter[Ask, Candidate, str]):
    """Counts how often a name was settled, and given up."""

    def __init__(self, gaps: _Gaps) -> None:
        self._gaps = gaps

    def starting_round(self, index: int) -> None:
        """Stop what a gap has made pointless."""
        if index > _ROUNDS_WITH_GAPS and (self._gaps.pages or self._gaps.releases):
            raise _GapsFirst

    def rejecting_candidate(self, criterion: object, candidate: Candidate) -> None:
        """Count one release that did not work out."""
        self._gaps.tried[candidate.name] += 1
        self._gaps.visits[candidate.identifier] += 1

    def pinning(self, candidate: Candidate) -> None:
        """Count one release that was taken for now."""
        self._gaps.visits[candidate.identifier] += 1


class _Provider(AbstractProvider[Ask, Candidate, str]):
    """Answers the engine's questions from the world and notes what it could not answer."""

    def __init__(self, world: World, gaps: _Gaps, first: Mapping[str, int]) -> None:
        self._world = world
        self._gaps = gaps
        self._first = first
        self._stand_ins: dict[str, Candidate] = {}

    def identify(self, requirement_or_candidate: Ask | Candidate) -> str:
        """Return the name, with the extra if there is one."""
        return requirement_or_candidate.identifier

    def narrow_requirement_selection(
        self,
        identifiers: Iterable[str],
        resolutions: Mapping[str, Candidate],
        candidates: Mapping[str, Iterator[Candidate]],
        information: Mapping[str, Iterator[RequirementInformation[Ask, Candidate]]],
        backtrack_causes: Sequence[RequirementInformation[Ask, Candidate]],
    ) -> Iterable[str]:
        """Keep what clashed last: settling that first keeps the search short."""
        names = list(identifiers)
        if not backtrack_causes:
            return names
        clashed = {one.requirement.name for one in backtrack_causes}
        clashed.update(one.parent.name for one in backtrack_causes if one.parent is not None)
        kept = [name for name in names if name.split("[", 1)[0] in clashed]
        return kept or names

    def get_preference(
        self,
        identifier: str,
        resolutions: Mapping[str, Candidate],
        candidates: Mapping[str, Iterator[Candidate]],
        information: Mapping[str, Iterator[RequirementInformation[Ask, Candidate]]],
        backtrack_causes: Sequence[RequirementInformation[Ask, Candidate]],
    ) -> tuple[int, bool, bool, bool, str]:
        """
        Sort exact asks first, then what plugins ask, then bounded asks, then by name.

        Before all that comes what a search that was cut off visited most often.
        """
        exact = direct = bounded = False
        for one in information[identifier]:
            specifier = one.requirement.specifier
            bounded = bounded or bool(specifier)
            exact = exact or is_exact(specifier)
            direct = direct or one.parent is None
        return (-self._first.get(identifier, 0), not exact, not direct, not bounded, identifier)

    def find_matches(
        self,
        identifier: str,
        requirements: Mapping[str, Iterator[Ask]],
        incompatibilities: Mapping[str, Iterator[Candidate]],
    ) -> Collection[Candidate]:
        """Return what fits all asks, in order of choice; a stand-in where no page was read."""
        asks = list(requirements[identifier])
        if identifier == PYTHON:
            return self._pythons(asks)
        # After a release was given up, the engine may ask about a name that nobody asks for.
        base, _, rest = identifier.partition("[")
        name, extra = DistributionName(base), rest.removesuffix("]")
        refused = set(map(id, incompatibilities[identifier]))
        project = self._world.project(name)
        if project is None and not extra:
            # It needs nothing in turn, so as long as it fits there is no reason to look further.
            carried = self._world.carried(name, (ask.specifier for ask in asks))
            if carried is not None:
                taken = self._world.candidate(identifier, extra, carried)
                if id(taken) not in refused:
                    return [taken]
        if project is None:
            self._gaps.pages.add(name)
            stand_in = self._stand_in(identifier, name, extra)
            return [] if id(stand_in) in refused else [stand_in]
        specifiers = [ask.specifier for ask in asks]
        if extra:
            # Asks for the distribution alone bind its extras as well.
            with suppress(KeyError):
                specifiers += [ask.specifier for ask in requirements[name]]
        releases = self._world.matches(project, specifiers)
        found = (
            self._world.candidate(identifier, extra, release)
            for release in releases
            # What an extra would bring besides, a Debian package does not say.
            if not extra or release.carrier is None
        )
        return [one for one in found if id(one) not in refused]

    def _pythons(self, asks: list[Ask]) -> list[Candidate]:
        version = self._world.python_version
        if all(allows(ask.specifier, version) for ask in asks):
            return [self._stand_in(PYTHON, PYTHON, "")]
        return []

    def _stand_in(self, identifier: str, name: DistributionName, extra: str) -> Candidate:
        found = self._stand_ins.get(identifier)
        if found is None:
            found = self._stand_ins[identifier] = Candidate(identifier, name, extra, None)
        return found

    def is_satisfied_by(self, requirement: Ask, candidate: Candidate) -> bool:
        """Return whether *candidate* is let in; a stand-in always is."""
        release = candidate.release
        return release is None or allows(requirement.specifier, release.version)

    def get_dependencies(self, candidate: Candidate) -> Iterable[Ask]:
        """Return what *candidate* asks for; nothing where that has not been read."""
        release = candidate.release
        if release is None:
            if not candidate.extra:
                return ()
            name = candidate.name
            return (Ask(name, name, "", "", name),)
        asks = self._world.asks(release, candidate.extra)
        if asks is None:
            self._gaps.releases[release] = None
            return (pin_of(release),) if candidate.extra else ()
        return asks
