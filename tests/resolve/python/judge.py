"""Whether requirements can hold together, by CP-SAT over index rows; shares no code with the search."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from ortools.sat.python import cp_model
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import (
    canonicalize_name,
    parse_sdist_filename,
    parse_wheel_filename,
)
from packaging.version import Version

from robokit_plan.model import Target

Rows = Mapping[str, Iterable[Mapping[str, Any]]]
"""Project -> rows as tests/casebook.py has them."""


class Judge:
    """
    One model over all rows: a Boolean a release, at most one release a project.

    Source:
        PEP 440 (what a specifier lets in; pre-releases count, so that "impossible" is never said
        because of them), PEP 425 (tags), PEP 508 (markers, extras), PEP 345 (Requires-Python).
    """

    def __init__(self, rows: Rows, target: Target) -> None:
        self._target = target
        self._model = cp_model.CpModel()
        self._releases: dict[str, dict[Version, Any]] = {}
        requires: list[tuple[Any, Requirement, str]] = []
        for project, files in rows.items():
            name = canonicalize_name(project)
            found = self._releases.setdefault(name, {})
            for row in files:
                version = self._usable(row)
                if version is None or version in found:
                    continue
                chosen = found[version] = self._model.new_bool_var(f"{name} {version}")
                requires += [(chosen, Requirement(line), "") for line in row.get("requires") or ()]
            self._model.add_at_most_one(found.values())
        self._rows = {
            (canonicalize_name(project), version): row
            for project, files in rows.items()
            for row in files
            if (version := self._usable(row)) is not None
        }
        for chosen, requirement, extra in requires:
            if self._applies(requirement, extra):
                self._ask([chosen], requirement)
        self._roots: dict[str, Any] = {}

    def holds(self, asked: Iterable[str], bounds: Iterable[str] = ()) -> bool:
        """Return whether all of *asked* can be met at once, with no release outside *bounds*."""
        model = self._model.clone()
        releases, self._model = self._model, model
        try:
            for text in asked:
                self._ask([], Requirement(text))
            for bound in map(Requirement, bounds):
                for version, chosen in self._releases.get(
                    canonicalize_name(bound.name), {}
                ).items():
                    if not bound.specifier.contains(version, prereleases=True):
                        model.add(chosen == 0)
            status = cp_model.CpSolver().solve(model)
        finally:
            self._model = releases
        assert status in {cp_model.OPTIMAL, cp_model.FEASIBLE, cp_model.INFEASIBLE}, status
        return status != cp_model.INFEASIBLE

    def _ask(self, owners: list[Any], requirement: Requirement) -> None:
        """Let some release that *requirement* allows be there, and its extras, if *owners* are."""
        name = canonicalize_name(requirement.name)
        allowed = [
            (version, chosen)
            for version, chosen in self._releases.get(name, {}).items()
            if requirement.specifier.contains(version, prereleases=True)
        ]
        self._model.add_bool_or([*(one.negated() for one in owners), *(one for _, one in allowed)])
        for extra in sorted(requirement.extras):
            for version, chosen in allowed:
                for line in self._rows[name, version].get("requires") or ():
                    inner = Requirement(line)
                    if not self._applies(inner, "") and self._applies(inner, extra):
                        self._ask([*owners, chosen], inner)

    def _applies(self, requirement: Requirement, extra: str) -> bool:
        marker = requirement.marker
        return marker is None or marker.evaluate({**self._target.markers, "extra": extra})

    def _usable(self, row: Mapping[str, Any]) -> Version | None:
        """Return the version of a file that the target can use."""
        file = row["file"]
        if not SpecifierSet(row.get("python") or "").contains(
            self._target.markers["python_full_version"], prereleases=True
        ):
            return None
        if not file.endswith(".whl"):
            return parse_sdist_filename(file)[1]
        _, version, _, tags = parse_wheel_filename(file)
        return version if {str(tag) for tag in tags} & set(self._target.tags) else None
