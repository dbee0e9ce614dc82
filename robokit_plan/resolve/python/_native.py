"""Debian packages that the chosen distributions need, and what building on the board means."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.model import DebianName, Finding, NativeFact, PythonPin, Severity, span_text

from ._fixes import packages_fix, requires_fixes, without_version
from ._native_facts import find_native_fact
from ._pins import Installed
from ._problem import NativeNeed
from ._world import World


def native_needs(
    world: World, chosen: Installed, build: Sequence[PythonPin]
) -> tuple[NativeNeed, ...]:
    """Return what Debian must add for *chosen* and for the *build* set, sorted by name."""
    found = []
    for pin in chosen.pins:
        need = _need(world, chosen, pin)
        if need is not None:
            found.append(need)
    # Of what only builds need, nothing stays on the robot: all of it counts as build.
    known = {one.distribution for one in found}
    for pin in build:
        if pin.is_wheel or pin.name in known:
            continue
        packages = world.facts.build_default.get(world.target.release, ())
        found.append(
            NativeNeed(
                distribution=pin.name,
                build=packages,
                wanted_by=pin.wanted_by,
                source=world.facts.build_default_source,
            )
        )
    return tuple(sorted(found, key=lambda one: one.distribution))


def fact_about(world: World, chosen: Installed, pin: PythonPin) -> NativeFact | None:
    """Return what is known about this version of *pin*."""
    return find_native_fact(pin.name, chosen.releases[pin.name].version, world.facts)


def _need(world: World, chosen: Installed, pin: PythonPin) -> NativeNeed | None:
    fact = fact_about(world, chosen, pin)
    release = world.target.release
    build: Iterable[DebianName] = ()
    run: set[DebianName] = set()
    if fact is not None:
        run.update(fact.run.get(release, ()))
    if not pin.is_wheel:
        if fact is not None and (fact.build or fact.pure):
            build = fact.build.get(release, ())
            run.update(fact.run_built.get(release, ()))
        else:
            build = world.facts.build_default.get(release, ())
    if not build and not run:
        return None
    return NativeNeed(
        distribution=pin.name,
        build=tuple(sorted(build)),
        run=tuple(sorted(run)),
        environment=() if pin.is_wheel or fact is None else fact.environment,
        effort=None if pin.is_wheel or fact is None else fact.effort,
        wanted_by=pin.wanted_by,
        source=world.facts.build_default_source if fact is None else fact.source,
    )


def check_sdists(world: World, chosen: Installed) -> list[Finding]:
    """Return what a builder should know about source archives and unread files in *chosen*."""
    found = []
    for pin in chosen.pins:
        found += _unknown_metadata(world, chosen, pin)
        if pin.is_wheel:
            continue
        fact = fact_about(world, chosen, pin)
        if fact is not None and fact.unbuildable:
            found.append(_unbuildable(world, chosen, pin, fact))
        elif fact is None or not fact.pure:
            found.append(_compiled(world, chosen, pin, fact))
    return found


def _unknown_metadata(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    release = chosen.releases[pin.name]
    if world.requires_dist(release) is not None:
        return []
    metadata = world.metadata(release)
    reason = "" if metadata is None else metadata.reason
    if pin.is_wheel:
        return [
            chosen.about(
                "metadata-unknown",
                Severity.ERROR,
                f"what {pin.name} {pin.version} needs could not be read from its wheel",
                pin.name,
                why=reason or f"{pin.file.filename} holds no readable metadata",
                repair=requires_fixes(
                    chosen.direct_lines(pin.name),
                    lambda line: without_version(line, pin.name, pin.version),
                ),
            )
        ]
    return [
        chosen.about(
            "metadata-unknown",
            Severity.ERROR,
            f"what {pin.name} {pin.version} needs is not known: it is a source archive that does "
            "not say",
            pin.name,
            why=[*([reason] if reason else []), "learning it means running its build code"],
            repair=["robokit-plan lock --build-metadata", *_instead(world, chosen, pin)],
        )
    ]


def _instead(world: World, chosen: Installed, pin: PythonPin) -> list[str]:
    for fact in world.facts.native.get(pin.name, ()):
        package = fact.instead.get(world.target.release)
        if package is not None:
            return [packages_fix(package, chosen.lines[pin.name], f", in place of {pin.name}")]
    return []


def _unbuildable(world: World, chosen: Installed, pin: PythonPin, fact: NativeFact) -> Finding:
    return chosen.about(
        "sdist-unbuildable",
        Severity.ERROR,
        f"{pin.name} {pin.version} is a source archive that no longer builds",
        pin.name,
        why=[fact.unbuildable, fact.source],
        repair=_instead(world, chosen, pin) or [f"robokit-plan disable {' '.join(pin.wanted_by)}"],
    )


def _compiled(world: World, chosen: Installed, pin: PythonPin, fact: NativeFact | None) -> Finding:
    machine = world.target.markers["platform_machine"]
    why = [f"no wheel for Python {world.target.python} on {machine} fits what is asked"]
    if pin.name in world.problem.sdists:
        why = ["robot.yaml lists it under `sdists` of `system`"]
    known = fact is not None and bool(fact.build)
    packages = (
        fact.build.get(world.target.release, ())
        if fact is not None and fact.build
        else world.facts.build_default.get(world.target.release, ())
    )
    if packages:
        why.append(f"the build takes {', '.join(packages)}")
    if not known:
        why.append("whether more is needed is not known")
    effort = None if fact is None else fact.effort
    if effort is not None:
        why.append(
            f"on a small board that takes about {span_text(effort.minutes)}, {effort.memory_mb} MB "
            f"of memory and {effort.disk_mb} MB of the card ({effort.source})"
        )
    if fact is not None and fact.note:
        why.append(fact.note)
    return chosen.about(
        "sdist-build",
        Severity.NOTE if known and effort is None else Severity.WARNING,
        f"{pin.name} {pin.version} is compiled on the board",
        pin.name,
        why=why,
        repair=_instead(world, chosen, pin)
        or ([] if known and effort is None else _helps(world, pin)),
    )


def _helps(world: World, pin: PythonPin) -> list[str]:
    """Say what spares the board a build, where no package is known to carry the module."""
    found = []
    if pin.name in world.problem.sdists:
        found.append(f"take {pin.name} out of `sdists`   in robot.yaml, where a wheel will do")
    # Debian Python Policy, 3.3: the package of a module foo is python3-foo.
    found.append(f"apt-cache search --names-only python3-{pin.name}   tells whether Debian has it")
    return found
