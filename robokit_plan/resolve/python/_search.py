"""The search for a consistent choice, and the rows that it found missing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from robokit_plan.model import IndexFile, Need, dataclass

from ._choosing import Choosing, Gaps
from ._clauses import ImpossibleError, TooLongError
from ._releases import Release
from ._world import Ask, Budget, Candidate, World

STEPS = 40_000_000
"""
Clauses looked at: some ten seconds. Real sets took 500 to 111,000, and one that goes through each
of 1,300 releases of boto3 and of what they ask for six million.
"""

_MOST_WITH_GAPS = 100
"""Contradictions. A search that met a gap will be repeated, so it need not be thorough."""

_MOST_AHEAD = 256
"""How many further releases' metadata one round may ask for; doubled up to here."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """
    A consistent set: identifier -> what was taken; only what the asks reach.

    `invalid`: releases that were looked at first, and whose metadata cannot be so.
    """

    chosen: Mapping[str, Candidate]
    invalid: tuple[Release, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Stuck:
    """
    No consistent set exists.

    `core`: asks that exclude each other, mostly not the fewest; `causes`: what met in the last
    contradiction, each with who asks. `too_deep` True: the search was cut off, so none was
    found but one may exist.
    """

    core: tuple[Ask, ...] = ()
    causes: tuple[tuple[Ask, Candidate | None], ...] = ()
    too_deep: bool = False


def search(
    world: World, asks: Iterable[Ask], *, budget: Budget | None = None
) -> Found | Stuck | Need:
    """
    Return a consistent choice for *asks*, the fact that there is none, or what to read first.

    Where a row is missing the search goes on as if it allowed everything, so that one round
    names all that is open. A search that met a gap never decides: the answer is always that
    of a search in which every row met was there, as over the whole index. *budget*: what an
    explanation may still take, of which this search takes its part; `STEPS` for the choice itself.
    """
    # Sorted, so that the order of plugins in a robot file cannot matter.
    ordered = sorted(asks, key=lambda ask: (ask.identifier, ask.text, _place(ask)))
    steps = STEPS if budget is None else budget.left
    choosing = Choosing(world, ordered, steps=steps, most_with_gaps=_MOST_WITH_GAPS)
    found: Found | Stuck
    try:
        chosen = choosing.chosen()
        found = Found(chosen=chosen, invalid=tuple(choosing.gaps.invalid))
    except ImpossibleError as error:
        found = Stuck(core=choosing.core(error), causes=choosing.causes(error))
    except TooLongError:
        found = Stuck(too_deep=True)
    if budget is not None:
        budget.left = choosing.steps_left
    return _need(world, choosing.gaps, found) if choosing.gaps else found


def _place(ask: Ask) -> tuple[str, ...]:
    root = ask.root
    return () if root is None else (root.instance, root.plugin, str(root.origin), root.text)


def _need(world: World, gaps: Gaps, found: Found | Stuck) -> Need:
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
        for one in (release, *_likely_after(world, release, gaps.visits[release.name] - 1)):
            files.setdefault(one.file.key, one.file)
    return Need(
        pages=tuple(sorted(pages)),
        metadata=tuple(sorted(files.values(), key=lambda file: (file.filename, file.key))),
    )


def _likely_after(world: World, release: Release, tried: int) -> Iterator[Release]:
    """Yield unread releases that come next, as many as were *tried* before: the number doubles."""
    project = world.project(release.name)
    if project is None or tried <= 0 or not release.is_wheel:
        return
    left = min(tried, _MOST_AHEAD)
    after = project.releases[project.releases.index(release) + 1 :]
    for one in after:
        if not left or not one.is_wheel:
            return  # an sdist is a whole download, so none is read ahead
        if one.yanked is None and not one.version.is_prerelease and world.metadata(one) is None:
            left -= 1
            yield one
