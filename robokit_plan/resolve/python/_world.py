"""What a snapshot says about one target, and what it does not say yet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from collections.abc import Set as AbstractSet
from functools import lru_cache

from packaging.version import Version

from robokit_plan.model import (
    Bound,
    DistributionMetadata,
    DistributionName,
    IndexFile,
    ProjectPage,
    PythonFacts,
    Snapshot,
    Target,
    dataclass,
)

from ._parsing import (
    Environment,
    Line,
    allows,
    find_requirement,
    find_specifier,
    find_version,
    marker_holds,
    normal_name,
    python_allows,
    specifier_text,
)
from ._problem import PythonIndex, PythonProblem, PythonRequirement
from ._releases import Project, Release, View, covers, is_too_late

PYTHON = DistributionName("<python>")
"""Stands for the target's Python itself, as what a Requires-Python asks for."""
METADATA = DistributionName("<metadata>")
"""Stands for metadata that can be used, as what a release whose own cannot asks for in vain."""

EXPLAINING_STEPS = 10_000_000
"""
For all the searches that explanations make, some two seconds; beyond it parts stay in unlooked at.
Recorded conflicts took under 1,000, sixty requirements that only all together exclude each other a
million.
"""

_NO_VERSION = Version("0")


@dataclass(frozen=True, eq=False, slots=True)
class Ask:
    """
    One thing that a plugin or a release asks of one distribution.

    `identifier` is the name, or ``name[extra]``. `text`: for people, without marker. `root`:
    the plugin's line, None where a release asks. `added`: the fact's reason where the plan
    added it.
    """

    identifier: str
    name: DistributionName
    extra: str
    specifier: str
    text: str
    root: PythonRequirement | None = None
    added: str = ""


@dataclass(frozen=True, eq=False, slots=True)
class Candidate:
    """
    One release that the search may take, with at most one extra; held once each.

    `release` None: the page has not been read; it is taken to fit until it is.
    """

    identifier: str
    name: DistributionName
    extra: str
    release: Release | None


def asks_of(line: Line, root: PythonRequirement | None = None, added: str = "") -> tuple[Ask, ...]:
    """Return *line* as one ask for the distribution and one for each extra, sorted."""
    name, extras = line.name, line.extras
    shown = f"{name}[{','.join(extras)}]" if extras else name
    text = f"{shown}{line.specifier}"
    base = Ask(name, name, "", line.specifier, text, root, added)
    return (
        base,
        *(
            Ask(f"{name}[{extra}]", name, extra, line.specifier, text, root, added)
            for extra in extras
        ),
    )


class Budget:
    """Steps that all searches of explanations together may take."""

    __slots__ = ("left",)

    def __init__(self, steps: int) -> None:
        self.left = steps


class World:
    """
    A snapshot seen from one target: releases, dependencies, and which rows are missing.

    Nothing here changes what a row says; everything worked out is kept for the next question.

    Args:
        problem: What is asked.
        snapshot: What is known.
        bounded: Let in only what Debian's compiled modules run beside.
        wheels_only: Let in no source archives of these.
        budget: What explanations may still take; a whole one where none is given.
    """

    def __init__(
        self,
        problem: PythonProblem,
        snapshot: Snapshot,
        *,
        bounded: bool = False,
        wheels_only: frozenset[DistributionName] = frozenset(),
        budget: Budget | None = None,
    ) -> None:
        self.budget = budget or Budget(EXPLAINING_STEPS)
        self._bounded = bounded
        self.wheels_only = wheels_only
        self.snapshot = snapshot
        self.target: Target = problem.target
        self.facts: PythonFacts = problem.facts
        self.environment: Environment = tuple(sorted(problem.target.markers.items()))
        self.python = problem.target.markers["python_full_version"]
        self.python_version = find_version(self.python) or _NO_VERSION
        self.problem = problem
        self._ranks = _rank_table(problem.target.tags)
        self._only = _only_table(problem.indexes)
        self._reserved = frozenset(index.name for index in problem.indexes if index.only)
        self._projects: dict[DistributionName, Project] = {}
        self._candidates: dict[tuple[str, Release], Candidate] = {}
        self._dependencies: dict[tuple[Release, str], tuple[Ask, ...]] = {}
        self._markers: dict[tuple[str, str], bool] = {}
        self._carried = _carried_releases(problem)
        self._bounds: dict[DistributionName, list[Bound]] = {}
        for bound in problem.carried.bounds if bounded else ():
            self._bounds.setdefault(bound.distribution, []).append(bound)
        self._locked: Mapping[DistributionName, str] = (
            {}
            if problem.upgrade_all
            else {
                name: version
                for name, version in problem.locked.items()
                if name not in problem.upgrade
            }
        )

    def without_archives(self, names: AbstractSet[DistributionName]) -> World:
        """Return this world without the source archives of *names*."""
        wheels_only = self.wheels_only | names
        return World(
            self.problem,
            self.snapshot,
            bounded=self._bounded,
            wheels_only=wheels_only,
            budget=self.budget,
        )

    def locked(self, name: DistributionName) -> str | None:
        """Return the version of *name* to keep where it still fits."""
        return self._locked.get(name)

    def project(self, name: DistributionName) -> Project | None:
        """Return what *name* offers to the target; None where its page has not been read."""
        found = self._projects.get(name)
        if found is None:
            pages = self.snapshot.pages.get(name)
            if pages is None:
                return None
            found = self._projects[name] = _project(
                name, self._allowed(name, pages), self._view(name)
            )
        return found

    def matches(self, project: Project, specifiers: Iterable[str]) -> tuple[Release, ...]:
        """
        Return the releases of *project* that all *specifiers* let in, in order of choice.

        What a Debian package carries comes first: pip, too, leaves alone what is there and fits.
        """
        name = project.name
        asked = tuple(specifiers)
        found = project.matches(asked, self.locked(name), self._avoided(name))
        found = self._let_in(name, found)
        carried = self.carried(name, asked)
        return found if carried is None else (carried, *found)

    def pool(self, project: Project) -> tuple[Release, ...]:
        """
        Return every release of *project* that some asks would let in, in order of choice.

        Which of them given asks do, `matches` says.
        """
        name = project.name
        found = project.pool(self.locked(name), self._avoided(name))
        found = self._let_in(name, found)
        carried = self.carried(name, ())
        return found if carried is None else (carried, *found)

    def _let_in(self, name: DistributionName, releases: tuple[Release, ...]) -> tuple[Release, ...]:
        bounds = self._bounds.get(name)
        if bounds:
            releases = tuple(one for one in releases if all(suits(bound, one) for bound in bounds))
        if name in self.wheels_only:
            releases = tuple(one for one in releases if one.is_wheel)
        return releases

    def carried(self, name: DistributionName, specifiers: Iterable[str]) -> Release | None:
        """Return what a Debian package carries of *name*, where all *specifiers* let it in."""
        found = self._carried.get(name)
        if found is None or not all(allows(one, found.version) for one in specifiers):
            return None
        return found

    def _avoided(self, name: DistributionName) -> tuple[str, ...]:
        return tuple(fact.versions for fact in self.facts.constraints.get(name, ()) if fact.avoid)

    def _allowed(
        self, name: DistributionName, pages: tuple[ProjectPage, ...]
    ) -> tuple[ProjectPage, ...]:
        own = self._only.get(name)
        if own is not None:
            return tuple(page for page in pages if page.index in own)
        return tuple(page for page in pages if page.index not in self._reserved)

    def _view(self, name: DistributionName) -> View:
        return View(
            ranks=self._ranks,
            python=self.python,
            as_of=self.problem.as_of,
            sdist_only=name in self.problem.sdists,
        )

    def marker_holds(self, marker: str, extra: str = "") -> bool:
        """Return whether *marker* ("" for none) is true on the target, with *extra*."""
        if not marker:
            return True
        found = self._markers.get((marker, extra))
        if found is None:
            found = marker_holds(marker, self.environment, extra)
            self._markers[marker, extra] = found
        return found

    def metadata(self, release: Release) -> DistributionMetadata | None:
        """Return the core metadata of what gets installed; None where it has not been read."""
        if release.carrier is not None:
            # What it needs in turn, Debian installs with it.
            return DistributionMetadata(
                name=release.name,
                version=str(release.version),
                requires_dist=(),
                modules=release.carrier.modules,
                source="debian",
            )
        return self.snapshot.metadata.get(release.file.key)

    def invalid(self, release: Release) -> str:
        """Return why the metadata of *release* cannot be so; "" where it can, or is not read."""
        metadata = self.metadata(release)
        return metadata.reason if metadata is not None and metadata.invalid else ""

    def has_extra(self, release: Release, extra: str) -> bool:
        """
        Return whether *release* declares *extra* ("" for none), as far as it is known.

        What stands under one that it does not declare comes with nothing, as with pip.
        """
        metadata = self.metadata(release)
        if not extra or metadata is None or metadata.requires_dist is None:
            return True
        return extra in {normal_name(one) for one in metadata.provides_extra}

    def requires_dist(self, release: Release) -> tuple[str, ...] | None:
        """Return its requirements from its own metadata, else from the facts; None: unknown."""
        metadata = self.metadata(release)
        if metadata is None or metadata.requires_dist is not None:
            return None if metadata is None else metadata.requires_dist
        for fact in self.facts.sdists.get(release.name, ()):
            if covers(fact.versions, release):
                return fact.requires_dist
        return None

    def build_requires(self, release: Release) -> tuple[str, ...] | None:
        """Return what building *release* asks for, from its own files, else from the facts."""
        metadata = self.metadata(release)
        if metadata is not None and metadata.build_requires is not None:
            return metadata.build_requires
        for fact in self.facts.sdists.get(release.name, ()):
            if fact.build_requires is not None and covers(fact.versions, release):
                return fact.build_requires
        return None

    def is_too_late(self, file: IndexFile) -> bool:
        """Return whether *file* came after the day of the plan."""
        return is_too_late(file, self.problem.as_of)

    def python_lets_in(self, file: IndexFile) -> bool:
        """Return whether *file* is meant for the target's Python, as far as the index says."""
        return not file.requires_python or python_allows(file.requires_python, self.python)

    def leads(self) -> Mapping[DistributionName, AbstractSet[DistributionName]]:
        """Return for each name what its releases, as far as met, ask for."""
        after: dict[DistributionName, set[DistributionName]] = {}
        for (release, _), asks in self._dependencies.items():
            after.setdefault(release.name, set()).update(ask.name for ask in asks)
        return after

    def only_index(self, name: DistributionName) -> str:
        """Return the one index that may serve *name*; "" where none is set apart for it."""
        return next(iter(self._only.get(name, ())), "")

    def known_names(self) -> frozenset[DistributionName]:
        """Return distributions that the facts speak of."""
        facts = self.facts
        named = {one for fact in facts.modules.values() for one in fact.distributions}
        return frozenset(named | set(facts.native) | set(facts.sdists))

    def elsewhere(self, target: Target, name: DistributionName) -> Project:
        """Return what the pages of *name*, which have been read, offer to another *target*."""
        view = View(
            ranks=_rank_table(target.tags),
            python=target.markers["python_full_version"],
            as_of=self.problem.as_of,
            sdist_only=False,
        )
        return _project(name, self._allowed(name, self.snapshot.pages[name]), view)

    def candidate(self, identifier: str, extra: str, release: Release) -> Candidate:
        """Return the one candidate for *release* under *identifier*."""
        found = self._candidates.get((identifier, release))
        if found is None:
            found = Candidate(identifier, release.name, extra, release)
            self._candidates[identifier, release] = found
        return found

    def asks(self, release: Release, extra: str) -> tuple[Ask, ...] | None:
        """
        Return what *release* with *extra* asks for on the target; None: metadata not read.

        With an extra, the release itself comes first, at exactly this version.
        """
        key = (release, extra)
        found = self._dependencies.get(key)
        if found is None:
            metadata = self.metadata(release)
            if metadata is None:
                return None
            found = self._dependencies[key] = tuple(self._read_asks(release, extra, metadata))
        return found

    def _read_asks(
        self, release: Release, extra: str, metadata: DistributionMetadata
    ) -> Iterable[Ask]:
        if metadata.invalid:
            yield Ask(METADATA, METADATA, "", "", metadata.reason)
            return
        if extra:
            yield pin_of(release)
        elif metadata.requires_python:
            specifier = find_specifier(metadata.requires_python)
            if specifier is not None:
                text = specifier_text(specifier)
                yield Ask(PYTHON, PYTHON, "", text, f"Python {text}")
        if release.carrier is not None or not self.has_extra(release, extra):
            return
        lines = [(line, "") for line in self.requires_dist(release) or ()]
        lines += [
            (line, fact.reason)
            for fact in self.facts.constraints.get(release.name, ())
            if not fact.avoid and covers(fact.versions, release)
            for line in fact.requires
        ]
        for line, added in lines:
            requirement = find_requirement(line)
            if requirement is None:
                continue
            if not self.marker_holds(requirement.marker, extra):
                continue
            if extra and not requirement.marker:
                continue  # the release without the extra asks for it already
            yield from asks_of(requirement, added=added)


def suits(bound: Bound, release: Release) -> bool:
    """Return whether what *bound* speaks of runs beside *release*."""
    return any(allows(versions, release.version) for versions in bound.versions)


def _carried_releases(problem: PythonProblem) -> dict[DistributionName, Release]:
    """Return what Debian packages carry; not what the robot file wants compiled."""
    found = {}
    for carrier in problem.carried.carriers:
        version = None if carrier.version is None else find_version(carrier.version)
        if version is None:
            continue
        for name in carrier.distributions:
            if name not in problem.sdists:
                found[name] = Release(
                    name=name,
                    version=version,
                    files=(),
                    is_wheel=True,
                    yanked=None,
                    carrier=carrier,
                )
    return found


def pin_of(release: Release) -> Ask:
    """Return the ask for exactly *release*."""
    exact = f"=={release.version}"
    return Ask(release.name, release.name, "", exact, f"{release.name}{exact}")


@lru_cache(maxsize=16)
def _rank_table(tags: tuple[str, ...]) -> Mapping[str, int]:
    return {tag: rank for rank, tag in reversed(list(enumerate(tags)))}


def _only_table(indexes: tuple[PythonIndex, ...]) -> dict[DistributionName, frozenset[str]]:
    found: dict[DistributionName, frozenset[str]] = {}
    for index in indexes:
        for name in index.only:
            found.setdefault(name, frozenset({index.name}))
    return found


_PROJECTS: dict[tuple[object, ...], Project] = {}


def _project(name: DistributionName, pages: tuple[ProjectPage, ...], view: View) -> Project:
    """
    Return the project of *pages*, kept between the rounds of one planning.

    Pages are compared by identity: comparing thousands of files costs as much as reading them.
    """
    # What is kept holds on to the pages and the ranks, so no other value can take their ids.
    key = (
        name,
        tuple(map(id, pages)),
        id(view.ranks),
        view.python,
        view.as_of,
        view.sdist_only,
    )
    kept = _PROJECTS.get(key)
    if kept is None:
        if len(_PROJECTS) >= 512:
            _PROJECTS.clear()
        kept = _PROJECTS[key] = Project(name, pages, view)
    return kept
