"""Sourced facts about Python distributions, Debian's Pythons and what builds need."""

from __future__ import annotations

from collections.abc import Mapping

from ._ids import DebianName, DistributionName
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class ReleaseFact:
    """
    What one Debian release brings.

    `python` is the full version of its interpreter, `glibc` major and minor.
    """

    release: str
    python: str
    glibc: tuple[int, int]
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineFact:
    """
    One Debian architecture as Python names it.

    `oldest_glibc`: the lowest glibc that has a manylinux tag for it (PEP 600). `legacy`
    glibc -> the alias tags of PEP 513, 571 and 599.
    """

    architecture: str
    machine: str
    oldest_glibc: tuple[int, int]
    legacy: Mapping[tuple[int, int], str]
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class BuildEffort:
    """What compiling one sdist takes of a small board: time, memory at the peak, room meanwhile."""

    minutes: int
    memory_mb: int
    disk_mb: int
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class NativeFact:
    """
    Debian packages that one distribution needs, by release.

    `versions` is a PEP 440 specifier, "" for all. `build` holds what compiling its sdist takes,
    `run` what it loads when it runs, whatever the form, `run_built` what it loads besides when
    it was compiled on the board. `environment`: variables that the build must see. `pure`:
    nothing is compiled. `instead` is the Debian package that carries the same module.
    `unbuildable` says why the sdist cannot be built, "" where it can.
    """

    distribution: DistributionName
    versions: str = ""
    build: Mapping[str, tuple[DebianName, ...]] = field(default_factory=dict)
    run: Mapping[str, tuple[DebianName, ...]] = field(default_factory=dict)
    run_built: Mapping[str, tuple[DebianName, ...]] = field(default_factory=dict)
    environment: tuple[tuple[str, str], ...] = ()
    pure: bool = False
    instead: Mapping[str, DebianName] = field(default_factory=dict)
    unbuildable: str = ""
    effort: BuildEffort | None = None
    """None: nothing worth a word is known."""
    note: str = ""
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SdistFact:
    """Core metadata of one sdist that its own files do not state (read from a build)."""

    distribution: DistributionName
    versions: str
    requires_dist: tuple[str, ...]
    requires_python: str | None = None
    build_requires: tuple[str, ...] | None = None
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CollisionFact:
    """
    Distributions that own the same import name; any two of them collide.

    `kind`: ``same files``, ``same import name``, ``shadows standard library``. `confirmed`
    False: the files were not compared.
    """

    distributions: tuple[DistributionName, ...]
    debian: tuple[DebianName, ...] = ()
    module: str
    kind: str
    confirmed: bool
    note: str = ""
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SharedNameFact:
    """Distributions that look as if they collided, and do not."""

    distributions: tuple[DistributionName, ...]
    modules: tuple[str, ...] = ()
    """Namespace packages that they share."""
    reason: str
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ModuleFact:
    """Which distributions and Debian packages provide one import name."""

    module: str
    distributions: tuple[DistributionName, ...] = ()
    debian: tuple[DebianName, ...] = ()
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class MistakenNameFact:
    """A name that people ask of the index and that is not what they mean."""

    name: DistributionName
    meant: DistributionName
    module: str
    exists: bool
    """Whether the index has a stranger under `name`."""
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ConstraintFact:
    """
    What the metadata of `distribution` fails to say.

    `versions` as in `NativeFact`; `requires` are PEP 508 requirements added to those of these
    versions; `avoid` True: these versions are of no use at all.
    """

    distribution: DistributionName
    versions: str = ""
    requires: tuple[str, ...] = ()
    avoid: bool = False
    reason: str
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class StandardModules:
    """Top-level modules of one Python's standard library; `removed` name -> what replaces it."""

    python: str
    modules: frozenset[str]
    removed: Mapping[str, str] = field(default_factory=dict)
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class LicenseFacts:
    """Classifier, or License field in lower case -> the one SPDX identifier that it can mean."""

    classifiers: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class PythonFacts:
    """
    All of them, as read from the data folder.

    Shape:
        mappings by release, architecture, distribution, module and mistaken name; tuples in
        the file's order; `standard` Python ``3.13`` -> its modules. `build_default` release ->
        what compiling takes where nothing is known about an sdist.
    """

    releases: Mapping[str, ReleaseFact] = field(default_factory=dict)
    machines: Mapping[str, MachineFact] = field(default_factory=dict)
    native: Mapping[DistributionName, tuple[NativeFact, ...]] = field(default_factory=dict)
    sdists: Mapping[DistributionName, tuple[SdistFact, ...]] = field(default_factory=dict)
    collisions: tuple[CollisionFact, ...] = ()
    shared: tuple[SharedNameFact, ...] = ()
    modules: Mapping[str, ModuleFact] = field(default_factory=dict)
    mistaken: Mapping[DistributionName, MistakenNameFact] = field(default_factory=dict)
    constraints: Mapping[DistributionName, tuple[ConstraintFact, ...]] = field(default_factory=dict)
    standard: Mapping[str, StandardModules] = field(default_factory=dict)
    build_default: Mapping[str, tuple[DebianName, ...]] = field(default_factory=dict)
    build_default_source: str = ""
    licenses: LicenseFacts = LicenseFacts()

    def python_of(self, release: str, wanted: str | None) -> str:
        """Return the target's version of Python, such as ``3.13``; "" where it is not known."""
        known = self.releases.get(release)
        own = "" if known is None else ".".join(known.python.split(".")[:2])
        return wanted or own

    def standard_of(self, release: str, wanted: str | None) -> frozenset[str]:
        """Return the standard modules of the target's Python; none where they are not known."""
        found = self.standard.get(self.python_of(release, wanted))
        return frozenset() if found is None else found.modules
