"""Python facts of the package as typed values; the data files are the truth."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any, TypeVar

from robokit_plan.model import (
    BuildEffort,
    CarriedFacts,
    CollisionFact,
    ConstraintFact,
    DebianName,
    DistributionName,
    InterfaceFact,
    LicenseFacts,
    MachineFact,
    MistakenNameFact,
    ModuleFact,
    NativeFact,
    PythonFacts,
    ReleaseFact,
    SdistFact,
    SharedNameFact,
    StandardModules,
)

from ._cached_yaml import DATA, read_data_file

FOLDER = DATA / "python"

_T = TypeVar("_T", NativeFact, SdistFact, ConstraintFact)


@cache
def read_python_facts() -> PythonFacts:
    """
    Return all of them.

    Raises:
        KeyError, TypeError, ValueError: A data file of ours lacks a key; the package is broken.
    """
    targets = read_data_file(FOLDER / "targets.yaml")
    native = read_data_file(FOLDER / "native_needs.yaml")
    names = read_data_file(FOLDER / "import_names.yaml")
    licenses = read_data_file(FOLDER / "licenses.yaml")
    return PythonFacts(
        releases={name: _release(name, row) for name, row in targets["releases"].items()},
        machines={name: _machine(name, row) for name, row in targets["machines"].items()},
        native=_grouped(_native(row) for row in native["native-needs"]),
        sdists=_grouped(
            _sdist(row) for row in read_data_file(FOLDER / "sdist_metadata.yaml")["sdists"]
        ),
        collisions=tuple(_collision(row) for row in names["collisions"]),
        shared=tuple(_shared(row) for row in names["no-collisions"]),
        modules={row["module"]: _module(row) for row in names["modules"]},
        mistaken={_name(row["name"]): _mistaken(row) for row in names["mistaken-names"]},
        constraints=_grouped(
            _constraint(row) for row in read_data_file(FOLDER / "constraints.yaml")["constraints"]
        ),
        standard=_standard(read_data_file(FOLDER / "standard_modules.yaml")),
        build_default=_by_release(native["build-default"]["packages"]),
        build_default_source=native["build-default"]["source"],
        licenses=LicenseFacts(
            classifiers=licenses["classifiers"]["licenses"], words=licenses["words"]["licenses"]
        ),
    )


@cache
def read_carried_facts(release: str) -> CarriedFacts:
    """Return what is known of the packages of *release* that bring Python modules."""
    found = read_data_file(DATA / "debian" / "python_modules.yaml")
    other = found["releases"].get(release, {})
    distributions = {**found["distributions"], **other.get("distributions", {})}
    apart = {*found["version-apart"], *other.get("version-apart", ())}
    return CarriedFacts(
        distributions={
            DebianName(package): tuple(DistributionName(name) for name in names)
            for package, names in distributions.items()
        },
        modules={DebianName(package): tuple(names) for package, names in found["modules"].items()},
        unknown_modules=frozenset(map(DebianName, found["modules-unknown"])),
        version_apart=frozenset(map(DebianName, apart)),
        nothing=tuple(found["nothing"]),
        interfaces={
            DebianName(row["name"]): InterfaceFact(
                name=DebianName(row["name"]),
                distribution=_name(row["distribution"]),
                versions=row["versions"],
                source=row["source"],
            )
            for row in found["interfaces"]
        },
    )


def _name(text: str) -> DistributionName:
    """Return *text* normalised as in PEP 503."""
    return DistributionName(re.sub(r"[-_.]+", "-", text).lower())


def _names(row: Mapping[str, Any], key: str) -> tuple[DistributionName, ...]:
    return tuple(_name(one) for one in row.get(key, ()))


def _debian(row: Mapping[str, Any], key: str) -> tuple[DebianName, ...]:
    return tuple(DebianName(one) for one in row.get(key, ()))


def _by_release(found: Mapping[str, Iterable[str]] | None) -> dict[str, tuple[DebianName, ...]]:
    return {
        release: tuple(DebianName(name) for name in names)
        for release, names in (found or {}).items()
    }


def _grouped(rows: Iterable[_T]) -> dict[DistributionName, tuple[_T, ...]]:
    found: dict[DistributionName, list[_T]] = {}
    for row in rows:
        found.setdefault(row.distribution, []).append(row)
    return {name: tuple(found[name]) for name in sorted(found)}


def _pair(text: str) -> tuple[int, int]:
    major, minor = text.split(".")
    return int(major), int(minor)


def _release(name: str, row: Mapping[str, Any]) -> ReleaseFact:
    return ReleaseFact(
        release=name, python=row["python"], glibc=_pair(row["glibc"]), source=row["source"]
    )


def _machine(name: str, row: Mapping[str, Any]) -> MachineFact:
    return MachineFact(
        architecture=name,
        machine=row["machine"],
        oldest_glibc=_pair(row["oldest-glibc"]),
        legacy={_pair(glibc): alias for glibc, alias in row["legacy"].items()},
        source=row["source"],
    )


def _native(row: Mapping[str, Any]) -> NativeFact:
    effort = row.get("effort")
    return NativeFact(
        distribution=_name(row["distribution"]),
        versions=row.get("versions", ""),
        build=_by_release(row.get("build")),
        run=_by_release(row.get("run")),
        run_built=_by_release(row.get("run-built")),
        environment=tuple(sorted(row.get("environment", {}).items())),
        pure=row.get("pure", False),
        instead={key: DebianName(value) for key, value in row.get("instead", {}).items()},
        unbuildable=row.get("unbuildable", ""),
        effort=None
        if effort is None
        else BuildEffort(
            minutes=effort["minutes"],
            memory_mb=effort["memory-mb"],
            disk_mb=effort["disk-mb"],
            source=effort["source"],
        ),
        note=row.get("note", ""),
        source=row["source"],
    )


def _sdist(row: Mapping[str, Any]) -> SdistFact:
    build = row.get("build-requires")
    return SdistFact(
        distribution=_name(row["distribution"]),
        versions=row["versions"],
        requires_dist=tuple(row["requires-dist"]),
        requires_python=row.get("requires-python"),
        build_requires=None if build is None else tuple(build),
        source=row["source"],
    )


def _collision(row: Mapping[str, Any]) -> CollisionFact:
    return CollisionFact(
        distributions=_names(row, "distributions"),
        debian=_debian(row, "debian"),
        module=row["module"],
        kind=row["kind"],
        confirmed=row["confirmed"],
        note=row.get("note", ""),
        source=row["source"],
    )


def _shared(row: Mapping[str, Any]) -> SharedNameFact:
    return SharedNameFact(
        distributions=_names(row, "distributions"),
        modules=tuple(row.get("modules", ())),
        reason=row["reason"],
        source=row["source"],
    )


def _module(row: Mapping[str, Any]) -> ModuleFact:
    return ModuleFact(
        module=row["module"],
        distributions=_names(row, "distributions"),
        debian=_debian(row, "debian"),
        source=row["source"],
    )


def _mistaken(row: Mapping[str, Any]) -> MistakenNameFact:
    return MistakenNameFact(
        name=_name(row["name"]),
        meant=_name(row["meant"]),
        module=row["module"],
        exists=row["exists"],
        source=row["source"],
    )


def _constraint(row: Mapping[str, Any]) -> ConstraintFact:
    return ConstraintFact(
        distribution=_name(row["distribution"]),
        versions=row.get("versions", ""),
        requires=tuple(row.get("requires", ())),
        avoid=row.get("avoid", False),
        reason=row["reason"],
        source=row["source"],
    )


def _standard(data: Mapping[str, Any]) -> dict[str, StandardModules]:
    """Build each Python's modules from those of the oldest and the changes since."""
    modules = frozenset(data["oldest"]["modules"])
    removed: dict[str, str] = {}
    found = {}
    for python in data["pythons"]:
        gone = python.get("removed", {})
        modules = (modules - frozenset(gone)) | frozenset(python.get("added", ()))
        removed = {**removed, **gone}
        found[python["python"]] = StandardModules(
            python=python["python"], modules=modules, removed=removed, source=python["source"]
        )
    return found
