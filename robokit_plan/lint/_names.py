"""Rules about names that an index or an archive lacks, or has for something else."""

from __future__ import annotations

import re
from collections.abc import Iterator

from packaging.utils import canonicalize_name

from robokit_plan.model import (
    AbsentNames,
    DebianName,
    DistributionName,
    Finding,
    Manifest,
    PythonFacts,
    Severity,
    Text,
    finding,
    listed,
)

from ._requirements import find_requirement


def check_names(manifest: Manifest, facts: PythonFacts, absent: AbsentNames) -> Iterator[Finding]:
    """What is asked for is there, as far as facts and kept rows tell; nobody is asked."""
    for needs in (manifest.base, *(variant.needs for variant in manifest.variants)):
        for text in needs.python.requires:
            name = distribution_of(text)
            if name is not None:
                yield from _python(manifest, text, name, facts, absent)
        for text in needs.debian:
            names = debian_names(text)
            if names and absent.debian.keys() >= set(names):
                yield _debian(manifest, text, names, absent)


def distribution_of(text: Text) -> DistributionName | None:
    """Return the distribution that a requirement asks an index for; None: none, or no such text."""
    requirement = find_requirement(text.text)
    if requirement is None or requirement.url is not None:
        return None
    return DistributionName(canonicalize_name(requirement.name))


def debian_names(text: Text) -> tuple[DebianName, ...]:
    """Return the packages of a relation, any of which would do (Debian Policy 7.1)."""
    found = (re.match(r"\s*([a-z0-9][a-z0-9+.-]+)", one) for one in text.text.split("|"))
    return tuple(DebianName(one[1]) for one in found if one)


def _python(
    manifest: Manifest,
    text: Text,
    name: DistributionName,
    facts: PythonFacts,
    absent: AbsentNames,
) -> Iterator[Finding]:
    mistaken = facts.mistaken.get(name)
    module = facts.modules.get(name)
    if mistaken is not None and mistaken.exists and name not in absent.python:
        yield finding(
            "distribution-mistaken",
            Severity.WARNING,
            f"{name} on the index is probably not what is meant",
            places=[text.origin],
            why=[f"the module {mistaken.module} comes from {mistaken.meant}", mistaken.source],
            repair=_requires(manifest, mistaken.meant, name),
            plugins=[manifest.plugin],
            resource=name,
        )
    elif mistaken is not None or name in absent.python:
        meant, brings = [], ""
        if mistaken is not None:
            meant, brings = [mistaken.meant], mistaken.module
        elif module is not None and module.distributions:
            meant, brings = list(module.distributions[:1]), module.module
        yield finding(
            "distribution-missing",
            Severity.WARNING,
            f"no Python index has {name}"
            + (", as it was read last" if name in absent.python else ", as far as is known"),
            places=[text.origin],
            why=f"the module {brings} comes from {meant[0]}"
            if meant
            else "names on the index and names to import differ: check the spelling",
            repair=[_requires(manifest, one, name) for one in meant]
            or "robokit-plan check   asks the index again",
            plugins=[manifest.plugin],
            resource=name,
        )


def _requires(manifest: Manifest, meant: str, name: str) -> str:
    return (
        f'python: {{requires: ["{meant}"]}}   in the manifest of {manifest.plugin}, '
        f"in place of {name}"
    )


def _debian(
    manifest: Manifest, text: Text, names: tuple[DebianName, ...], absent: AbsentNames
) -> Finding:
    near = dict.fromkeys(one for name in names for one in absent.debian[name])
    return finding(
        "debian-package-missing",
        Severity.WARNING,
        f"{' | '.join(names)} is not in {listed(absent.systems, 'or')}, as it was read last",
        places=[text.origin],
        why="no package of that name and none that provides it",
        repair=[f'"{one}" in place of "{names[0]}"' for one in near]
        or "robokit-plan check   asks the archive again",
        plugins=[manifest.plugin],
        resource=text.text,
    )
