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
    One model over all rows: a Boolean a release, at most one release a project, a Boolean an extra.

    What asks for an extra makes its Boolean true, and what the extra brings is asked for by the two
    together: so extras may name each other, and themselves, in circles.

    Source:
        PEP 440 (what a specifier lets in; pre-releases count, so that "impossible" is never said
        because of them), PEP 425 (tags), PEP 508 (markers, extras), PEP 345 (Requires-Python).
    """

    def __init__(self, rows: Rows, target: Target) -> None:
        self._target = target
        self._model = cp_model.CpModel()
        self._releases: dict[str, dict[Version, Any]] = {}
        self._extras: dict[tuple[str, str], Any] = {}
        requires: list[tuple[str, Any, Requirement]] = []
        extras: set[tuple[str, str]] = set()
        for project, files in rows.items():
            name = canonicalize_name(project)
            found = self._releases.setdefault(name, {})
            for row in files:
                version = self._usable(row)
                if version is None or version in found:
                    continue
                chosen = found[version] = self._model.new_bool_var(f"{name} {version}")
                lines = [Requirement(line) for line in row.get("requires") or ()]
                requires += [(name, chosen, line) for line in lines]
                extras |= {
                    (canonicalize_name(line.name), canonicalize_name(extra))
                    for line in lines
                    for extra in line.extras
                }
            self._model.add_at_most_one(found.values())
        self._requires = requires
        for project, extra in sorted(extras):
            self._extras[project, extra] = self._model.new_bool_var(f"{project}[{extra}]")
        for _, chosen, requirement in requires:
            if self._applies(requirement, ""):
                self._ask([chosen], requirement)
        for project, extra in sorted(extras):
            self._bring(project, extra)

    def holds(self, asked: Iterable[str], bounds: Iterable[str] = ()) -> bool:
        """Return whether all of *asked* can be met at once, with no release outside *bounds*."""
        model, extras = self._model, dict(self._extras)
        self._model = model.clone()
        try:
            for requirement in map(Requirement, asked):
                for extra in map(canonicalize_name, requirement.extras):
                    name = canonicalize_name(requirement.name)
                    if (name, extra) not in self._extras:
                        self._extras[name, extra] = self._model.new_bool_var(f"{name}[{extra}]")
                        self._bring(name, extra)
                self._ask([], requirement)
            for bound in map(Requirement, bounds):
                for version, chosen in self._releases.get(
                    canonicalize_name(bound.name), {}
                ).items():
                    if not bound.specifier.contains(version, prereleases=True):
                        self._model.add(chosen == 0)
            solver = cp_model.CpSolver()
            solver.parameters.num_workers = 1
            status = solver.solve(self._model)
        finally:
            self._model, self._extras = model, extras
        assert status in {cp_model.OPTIMAL, cp_model.FEASIBLE, cp_model.INFEASIBLE}, status
        return status != cp_model.INFEASIBLE

    def _bring(self, name: str, extra: str) -> None:
        """Let whatever release of *name* is there ask for what *extra* adds, if that is wanted."""
        for project, chosen, requirement in self._requires:
            if project != name or self._applies(requirement, ""):
                continue
            if self._applies(requirement, extra):
                self._ask([chosen, self._extras[name, extra]], requirement)

    def _ask(self, owners: list[Any], requirement: Requirement) -> None:
        """Let some release that *requirement* allows be there, and its extras, if *owners* are."""
        name = canonicalize_name(requirement.name)
        allowed = [
            chosen
            for version, chosen in self._releases.get(name, {}).items()
            if requirement.specifier.contains(version, prereleases=True)
        ]
        unless = [one.negated() for one in owners]
        self._model.add_bool_or([*unless, *allowed])
        for extra in map(canonicalize_name, requirement.extras):
            self._model.add_bool_or([*unless, self._extras[name, extra]])

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
