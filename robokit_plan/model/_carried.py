"""Python modules that Debian packages bring, as an environment with system packages sees them."""

from __future__ import annotations

from collections.abc import Mapping

from ._ids import DebianName, DistributionName, InstanceName
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class InterfaceFact:
    """A virtual package that stands for a binary interface, which `versions` (PEP 440) have."""

    name: DebianName
    distribution: DistributionName
    versions: str
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CarriedFacts:
    """
    What ``python3-NAME`` brings, where it is not the distribution NAME, imported as NAME.

    Shape:
        `distributions` package -> names in its metadata, () for none; `modules` package ->
        import names; `unknown_modules` packages whose import names are not known;
        `version_apart` packages whose metadata states another version than the package;
        `interfaces` by name; `nothing` ends of names that bring nothing where no table lists them.
    """

    distributions: Mapping[DebianName, tuple[DistributionName, ...]] = field(default_factory=dict)
    modules: Mapping[DebianName, tuple[str, ...]] = field(default_factory=dict)
    unknown_modules: frozenset[DebianName] = frozenset()
    version_apart: frozenset[DebianName] = frozenset()
    interfaces: Mapping[DebianName, InterfaceFact] = field(default_factory=dict)
    nothing: tuple[str, ...] = ()

    def brings(self, name: DebianName) -> bool:
        """Return whether the package *name* is not known to bring nothing at all."""
        distributions, modules = self.distributions.get(name), self.modules.get(name)
        if distributions is None and modules is None:
            return not name.endswith(self.nothing)
        return distributions != () or modules != ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Carrier:
    """
    A Debian package that brings Python modules.

    `version`: of its distributions, PEP 440; None where the package's own version does not tell
    it. `modules` None: not known. `chain`: packages from one that a plugin asks for down to this
    one; only itself where it is on the base card.
    """

    package: DebianName
    package_version: str
    distributions: tuple[DistributionName, ...] = ()
    version: str | None = None
    modules: tuple[str, ...] | None = None
    wanted_by: tuple[InstanceName, ...] = ()
    chain: tuple[DebianName, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Bound:
    """
    A Debian package compiled for binary interfaces of one distribution.

    It runs beside what one of `versions` (PEP 440) lets in. `interfaces`: their virtual names.
    `wanted_by` and `chain` as in `Carrier`.
    """

    package: DebianName
    distribution: DistributionName
    versions: tuple[str, ...]
    interfaces: tuple[DebianName, ...]
    wanted_by: tuple[InstanceName, ...] = ()
    chain: tuple[DebianName, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Carried:
    """All of them, sorted by package."""

    carriers: tuple[Carrier, ...] = ()
    bounds: tuple[Bound, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class CarriedPin:
    """A distribution of the install set that a Debian package brings: pip installs nothing."""

    name: DistributionName
    version: str
    package: DebianName
    wanted_by: tuple[InstanceName, ...] = ()
