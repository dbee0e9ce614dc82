"""A choice of releases by resolvelib's engine, over plain rows; shares no code with ours."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from packaging.requirements import Requirement
from packaging.version import Version
from resolvelib import AbstractProvider, BaseReporter, ResolutionImpossible, ResolutionTooDeep
from resolvelib.resolvers import Resolution

Rows = Mapping[str, Mapping[str, Sequence[str]]]
"""Distribution -> version -> requirements, without markers, extras and pre-releases."""
Pin = tuple[str, Version]


class _Provider(AbstractProvider[Requirement, Pin, str]):
    """Newest first, names in order."""

    def __init__(self, rows: Rows) -> None:
        self._rows = rows

    def identify(self, requirement_or_candidate: Requirement | Pin) -> str:
        one = requirement_or_candidate
        return one.name if isinstance(one, Requirement) else one[0]

    def get_preference(self, identifier: str, *_: Any, **__: Any) -> str:
        return identifier

    def find_matches(
        self,
        identifier: str,
        requirements: Mapping[str, Iterator[Requirement]],
        incompatibilities: Mapping[str, Iterator[Pin]],
    ) -> list[Pin]:
        asked, refused = list(requirements[identifier]), set(incompatibilities[identifier])
        versions = sorted(map(Version, self._rows.get(identifier, ())), reverse=True)
        return [
            (identifier, version)
            for version in versions
            if (identifier, version) not in refused
            and all(one.specifier.contains(version) for one in asked)
        ]

    def is_satisfied_by(self, requirement: Requirement, candidate: Pin) -> bool:
        return requirement.specifier.contains(candidate[1])

    def get_dependencies(self, candidate: Pin) -> Iterable[Requirement]:
        name, version = candidate
        return map(Requirement, self._rows[name][str(version)])


class _Steps(BaseReporter[Requirement, Pin, str]):
    """Notes whether anything was taken back."""

    def __init__(self) -> None:
        self.back = False
        self._taken: set[str] = set()

    def rejecting_candidate(self, criterion: object, candidate: Pin) -> None:  # noqa: ARG002
        self.back = True

    def pinning(self, candidate: Pin) -> None:
        self.back = self.back or candidate[0] in self._taken
        self._taken.add(candidate[0])


def chosen(rows: Rows, asked_texts: Iterable[str]) -> tuple[dict[str, str] | None, bool] | None:
    """
    Return what is chosen, None where nothing can be, and whether that went without stepping back.

    None alone: given up.
    """
    provider, steps = _Provider(rows), _Steps()
    asked = list(map(Requirement, asked_texts))
    try:
        # `Resolver` would walk to the roots in a way that never ends where left-overs ask for each other
        # in a circle (resolvelib 1.2.1, `_has_route_to_root`).
        state = Resolution(provider, steps).resolve(asked, max_rounds=2_000)
    except ResolutionImpossible:
        return None, not steps.back
    except ResolutionTooDeep:
        return None
    found: dict[str, str] = {}
    left = [one.name for one in asked]
    while left:
        name = left.pop()
        if name not in found:
            found[name] = str(state.mapping[name][1])
            left += [one.name for one in provider.get_dependencies(state.mapping[name])]
    return found, not steps.back
