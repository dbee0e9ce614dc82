"""The question that the planner asks about Python, and its answer."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from robokit_plan.model import (
    BuildEffort,
    Carried,
    CarriedPin,
    DebianName,
    DistributionName,
    Finding,
    IndexFile,
    InstanceName,
    Origin,
    PluginName,
    PythonFacts,
    PythonPin,
    Target,
    dataclass,
    field,
)


@dataclass(frozen=True, kw_only=True, slots=True)
class PythonRequirement:
    """
    One line of one enabled plugin: a requirement (PEP 508), a specifier, an import name or a Debian
    relation.

    `text` is as written in the manifest; `instance` the use of `plugin` that brings it.
    """

    text: str
    origin: Origin
    instance: InstanceName
    plugin: PluginName

    @property
    def debian_names(self) -> tuple[DebianName, ...]:
        """The packages that a Debian relation names, its alternatives among them."""
        return tuple(
            DebianName(part.split("(")[0].split(":")[0].strip()) for part in self.text.split("|")
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class PythonIndex:
    """
    One index as the resolver sees it.

    A distribution under `only` comes from this index and no other; an index with `only` serves
    nothing else. `origin` is None for what pip is configured for.
    """

    name: str
    only: tuple[DistributionName, ...] = ()
    origin: Origin | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class PythonProblem:
    """
    Everything that the Python part depends on besides the indices.

    Shape:
        `requirements`, `requires_python` and `modules` in any order, the answer does not depend
        on it; `locked` distribution -> version, kept where still allowed unless under `upgrade`
        or `upgrade_all`, `locked_files` the files of them, `locked_build` likewise for what builds
        need; `as_of` lets no file
        count that was uploaded after that day (UTC); `sdists` are taken as source archive;
        `own_modules` import names that plugins bring themselves; `debian` packages that plugins
        ask for, as far as they carry modules, `debian_lines` where they do; `carried` what all
        packages bring to an environment that sees them; `robot` is the robot file, where a
        finding can be about nothing narrower.
    """

    requirements: tuple[PythonRequirement, ...]
    target: Target
    requires_python: tuple[PythonRequirement, ...] = ()
    modules: tuple[PythonRequirement, ...] = ()
    own_modules: tuple[str, ...] = ()
    debian: tuple[DebianName, ...] = ()
    debian_lines: tuple[PythonRequirement, ...] = ()
    carried: Carried = Carried()
    indexes: tuple[PythonIndex, ...] = ()
    locked: Mapping[DistributionName, str] = field(default_factory=dict)
    locked_files: Mapping[DistributionName, IndexFile] = field(default_factory=dict)
    locked_build: Mapping[DistributionName, str] = field(default_factory=dict)
    upgrade: frozenset[DistributionName] = frozenset()
    upgrade_all: bool = False
    as_of: date | None = None
    sdists: frozenset[DistributionName] = frozenset()
    facts: PythonFacts = PythonFacts()
    robot: Origin | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class NativeNeed:
    """
    Debian packages that one distribution of the answer needs.

    `build` is empty for a wheel. `environment`: variables that its build must see; `effort` what
    that takes, None where it is not known. `source` says who knows; `wanted_by` as in `PythonPin`.
    """

    distribution: DistributionName
    build: tuple[DebianName, ...] = ()
    run: tuple[DebianName, ...] = ()
    environment: tuple[tuple[str, str], ...] = ()
    effort: BuildEffort | None = None
    wanted_by: tuple[InstanceName, ...] = ()
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PythonAnswer:
    """
    What to install, or why it cannot be.

    Shape:
        `pins`, `build` and `native` sorted by name; `build` is a set of its own, installed only
        while sdists are compiled; `carried` what Debian packages bring of what is asked for, so
        that no file of an index is installed; with an error among `findings`, `pins` hold what
        remains possible without the requirements that cannot be met.
    """

    pins: tuple[PythonPin, ...] = ()
    carried: tuple[CarriedPin, ...] = ()
    build: tuple[PythonPin, ...] = ()
    native: tuple[NativeNeed, ...] = ()
    findings: tuple[Finding, ...] = ()
