"""A second look at every choice, by an engine that is not ours: does it hold together?"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

from resolvelib import AbstractProvider, BaseReporter, ResolutionImpossible, ResolutionTooDeep
from resolvelib.resolvers import Resolution

from ._parsing import allows
from ._world import PYTHON, Ask, Candidate, World

_MOST = 200
"""Names. The engine copies its state at each one and grows with the square; 0.2 s for these."""


class DisagreementError(Exception):
    """What was chosen does not hold together: a fault of the search, never of the user's files."""


def confirm(world: World, asks: Iterable[Ask], chosen: Mapping[str, Candidate]) -> None:
    """
    Have `resolvelib` resolve *asks* with nothing to choose from but *chosen*.

    No lock file rests on the word of our own search alone. More than a few hundred names are
    taken without.

    Raises:
        DisagreementError: Something is asked for that is not there, or is there and not let in, or
            is there and nobody asks for it.
    """
    if len(chosen) > _MOST:
        return
    ordered = list(asks)
    resolution: Resolution[Ask, Candidate, str] = Resolution(
        _Chosen(world, chosen), BaseReporter[Ask, Candidate, str]()
    )
    try:
        # One round for each name, and one for Python itself.
        state = resolution.resolve(ordered, max_rounds=len(chosen) + 2)
    except ResolutionImpossible as error:
        clash = ", ".join(sorted({one.requirement.text for one in error.causes}))
        raise DisagreementError(f"the choice does not meet {clash}") from error
    except ResolutionTooDeep as error:
        raise DisagreementError("the choice is none for what was asked") from error
    extra = chosen.keys() - state.mapping.keys()
    if extra:
        raise DisagreementError(f"nothing asks for {', '.join(sorted(extra))}")


class _Chosen(AbstractProvider[Ask, Candidate, str]):
    """Offers for each name the one release that was chosen."""

    def __init__(self, world: World, chosen: Mapping[str, Candidate]) -> None:
        self._world = world
        self._chosen = {PYTHON: Candidate(PYTHON, PYTHON, "", None), **chosen}

    def identify(self, requirement_or_candidate: Ask | Candidate) -> str:
        return requirement_or_candidate.identifier

    def get_preference(self, identifier: str, *_: Any, **__: Any) -> str:
        return identifier

    def find_matches(
        self,
        identifier: str,
        requirements: Mapping[str, Iterator[Ask]],
        incompatibilities: Mapping[str, Iterator[Candidate]],
    ) -> Collection[Candidate]:
        one = self._chosen.get(identifier)
        if one is None or any(one is other for other in incompatibilities[identifier]):
            return ()
        fits = all(self.is_satisfied_by(ask, one) for ask in requirements[identifier])
        return (one,) if fits else ()

    def is_satisfied_by(self, requirement: Ask, candidate: Candidate) -> bool:
        release = candidate.release
        version = self._world.python_version if release is None else release.version
        return allows(requirement.specifier, version)

    def get_dependencies(self, candidate: Candidate) -> Iterable[Ask]:
        release = candidate.release
        return () if release is None else self._world.asks(release, candidate.extra) or ()
