"""What a set of Debian packages brings to a Python that sees system packages."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from robokit_plan.model import (
    Bound,
    Carried,
    CarriedFacts,
    Carrier,
    DebianName,
    DebianPackage,
    DebianPin,
    DistributionName,
    InstanceName,
)

from ._problem import DebianAnswer
from ._relation import index_relations

_PREFIX = "python3-"
_REPACKED = re.compile(r"[+.~](dfsg|ds|repack|git|hg|svn|bzr|debian)[\d.+]*.*$")
"""What Debian adds where the upstream archive was changed or is a snapshot (Policy 3.2.2)."""


def carried_by(answer: DebianAnswer, architecture: str, facts: CarriedFacts) -> Carried:
    """
    Return what the packages of *answer* bring, those of the base card among them.

    A package is named after the module that it carries (Debian Python Policy 3.3), which mostly
    is the distribution's name too; *facts* hold what differs.
    """
    pins = {pin.name: pin for pin in answer.pins}
    chains = _chains(pins)
    carriers = []
    bounds: list[Bound] = []
    for name, package in sorted({**answer.base, **answer.added}.items()):
        if not name.startswith(_PREFIX) or name in answer.removed:
            continue
        who = pins[name].wanted_by if name in pins else ()
        chain = chains.get(name, (name,))
        if facts.brings(name):
            carriers.append(_carrier(package, who, chain, facts))
        bounds += _bounds(package, architecture, who, chain, facts)
    return Carried(carriers=tuple(carriers), bounds=tuple(bounds))


def _chains(pins: Mapping[DebianName, DebianPin]) -> dict[DebianName, tuple[DebianName, ...]]:
    """Return the shortest way to each pin from one that is asked for."""
    found: dict[DebianName, tuple[DebianName, ...]] = {
        name: (name,) for name in sorted(pins) if pins[name].direct
    }
    ring = list(found)
    while ring:
        after = []
        for name in ring:
            for other in pins[name].requires:
                if other in pins and other not in found:
                    found[other] = (*found[name], other)
                    after.append(other)
        ring = after
    return found


def _carrier(
    package: DebianPackage,
    who: tuple[InstanceName, ...],
    chain: tuple[DebianName, ...],
    facts: CarriedFacts,
) -> Carrier:
    name = package.name
    bare = name.removeprefix(_PREFIX)
    distributions = facts.distributions.get(name)
    if distributions is None:
        distributions = (DistributionName(re.sub(r"[-_.]+", "-", bare).lower()),)
    return Carrier(
        package=name,
        package_version=package.version,
        distributions=distributions,
        version=None if name in facts.version_apart else upstream_version(package.version),
        modules=None
        if name in facts.unknown_modules
        else facts.modules.get(name, (re.sub(r"[-.]", "_", bare),)),
        wanted_by=who,
        chain=chain,
    )


def _bounds(
    package: DebianPackage,
    architecture: str,
    who: tuple[InstanceName, ...],
    chain: tuple[DebianName, ...],
    facts: CarriedFacts,
) -> Iterable[Bound]:
    for group in index_relations(package.depends, architecture):
        known = [facts.interfaces[one.name] for one in group if one.name in facts.interfaces]
        # Where some alternative is no interface, the package says that it can do without.
        if not known or len(known) < len(group):
            continue
        yield Bound(
            package=package.name,
            distribution=known[0].distribution,
            versions=tuple(one.versions for one in known),
            interfaces=tuple(one.name for one in known),
            wanted_by=who,
            chain=chain,
        )


def upstream_version(text: str) -> str | None:
    """
    Return the upstream part of a Debian version as PEP 440 writes it; None where it is not one.

    Source:
        Debian Policy 5.6.12 (epoch and revision); deb-version(7) for the tilde.
    """
    from packaging.version import Version

    upstream = text.partition(":")[2] or text
    upstream = upstream.rpartition("-")[0] or upstream
    if "really" in upstream:
        return None
    try:
        return str(Version(_REPACKED.sub("", upstream).replace("~", "")))
    except ValueError:  # InvalidVersion, or of a number in it
        return None
