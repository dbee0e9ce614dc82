"""Rows of package indices, and the questions that are still open."""

from __future__ import annotations

from collections.abc import Mapping

from ._ids import DebianName, DistributionName
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class IndexFile:
    """
    One file of a Python project page (Simple API, PEP 503/691/700/714).

    `index` is the name of the index in the robot file, or ``default``. `metadata_sha256` is set
    only where the index advertises core metadata; "" means advertised without a hash.
    """

    filename: str
    url: str
    sha256: str | None
    size: int | None = None
    requires_python: str | None = None
    yanked: str | None = None
    """Reason; "" where none was given; None: not yanked."""
    upload_time: str | None = None
    """RFC 3339, UTC."""
    metadata_sha256: str | None = None
    index: str = "default"

    @property
    def key(self) -> str:
        """What names the bytes: the hash, else the address."""
        return self.sha256 or self.url


@dataclass(frozen=True, kw_only=True, slots=True)
class ProjectPage:
    """All files of one project on one index; no files: the index does not have it."""

    name: DistributionName
    index: str
    files: tuple[IndexFile, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class DistributionMetadata:
    """
    Core metadata of one file.

    `requires_dist` None: unknown without running a build back end (`reason` says why).
    `source`: where it was read (``wheel``, ``pkg-info``, ``pyproject``, ``table``, ``build``).
    `invalid`: it cannot be so, as `reason` says: of another project or version than its file, or
    with a requirement that is none (PEP 508); installers pass such a release over.
    `top_level` and `build_requires` where they were read.
    """

    name: DistributionName
    version: str
    requires_dist: tuple[str, ...] | None
    requires_python: str | None = None
    provides_extra: tuple[str, ...] = ()
    source: str = "wheel"
    reason: str = ""
    invalid: bool = False
    build_requires: tuple[str, ...] | None = None
    license: str | None = None
    """License-Expression, else a short License field, as its makers wrote it."""
    license_classifiers: tuple[str, ...] = ()
    modules: tuple[str, ...] | None = None
    """Top-level import names, from the wheel's own file list; None: not read."""
    owned: tuple[str, ...] | None = None
    """Those of `modules` whose own file it holds; the others are namespaces (PEP 420)."""
    installed_size: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class DebianPackage:
    """
    One binary package of one suite (Debian Policy 5.3, repository format).

    Relations are the fields' own text, "" where absent. `installed_size` in bytes.
    """

    name: DebianName
    version: str
    architecture: str
    suite: str
    component: str
    source: str = ""
    """Name of the declared source; "" for the release's own mirror."""
    section: str = ""
    priority: str = "optional"
    essential: bool = False
    protected: bool = False
    multi_arch: str = "no"
    pre_depends: str = ""
    depends: str = ""
    recommends: str = ""
    conflicts: str = ""
    breaks: str = ""
    replaces: str = ""
    provides: str = ""
    filename: str = ""
    size: int = 0
    installed_size: int = 0
    sha256: str = ""
    pin: int = 500
    """Priority of its suite in apt's sense (apt_preferences): 500, lower for backports."""
    status: str = ""
    """Of a package of the base: dpkg's three words (dpkg-query(1)); "" where plainly installed."""

    @property
    def held(self) -> bool:
        """Whether somebody said that this package of the base shall stay as it is (apt-mark(8))."""
        return self.status.startswith("hold ")


@dataclass(frozen=True, kw_only=True, slots=True)
class DebianRow:
    """
    Answer to one name: packages that bear it and packages that provide it, all suites.

    Shape:
        `packages` in suite order; `providers` in the order in which their names are first
        mentioned in the indices, since apt breaks ties by it; `near` known names like this one,
        only where nothing bears or provides it.
    """

    name: DebianName
    packages: tuple[DebianPackage, ...]
    providers: tuple[DebianPackage, ...]
    near: tuple[DebianName, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class DebianNameFact:
    """
    What is known about a name that builders write and an archive lacks or treats differently.

    `kind`: ``renamed`` (same thing, `instead`), ``gone`` (left the release; `instead` where
    something replaces it) or ``vendor`` (only in a board vendor's own archive). Empty `releases`
    or `architectures`: all.
    """

    name: DebianName
    kind: str
    releases: tuple[str, ...] = ()
    architectures: tuple[str, ...] = ()
    instead: tuple[str, ...] = ()
    note: str = ""
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DebianArchive:
    """
    The Debian side of a snapshot.

    `base` is what a fresh card carries: rows of a status file, or, where `base_complete` is
    False, only the packages that every card is made from, and their dependencies are still to be
    added; `base_foreign` what it carries of other architectures alone. `suites` in order. `digest`
    of their Release files, `as_of` their newest date.
    `name_facts` name -> what is known of it, for the words of a finding.
    """

    rows: Mapping[DebianName, DebianRow]
    base: Mapping[DebianName, DebianPackage]
    suites: tuple[str, ...]
    as_of: str = ""
    digest: str = ""
    base_complete: bool = True
    base_foreign: frozenset[DebianName] = frozenset()
    name_facts: Mapping[DebianName, tuple[DebianNameFact, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Snapshot:
    """
    What is known of the indices: an immutable map that only ever grows.

    Shape:
        `pages` project -> its page on each index asked, in index order; `metadata`
        `IndexFile.key` -> core metadata; `debian` None: neither apt nor the robot file names a
        mirror, `debian_reason` says so.
    """

    pages: Mapping[DistributionName, tuple[ProjectPage, ...]] = field(default_factory=dict)
    metadata: Mapping[str, DistributionMetadata] = field(default_factory=dict)
    debian: DebianArchive | None = None
    debian_reason: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Need:
    """
    What resolving must know before it can go on; all sorted, never all empty.

    The edge fetches everything and asks again with the greater snapshot.
    """

    pages: tuple[DistributionName, ...] = ()
    metadata: tuple[IndexFile, ...] = ()
    debian: tuple[DebianName, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.pages or self.metadata or self.debian)
