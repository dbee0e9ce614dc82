"""Import names: which collide, and which nothing provides."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from itertools import combinations

from robokit_plan.model import (
    Carrier,
    CollisionFact,
    DebianName,
    DistributionName,
    Finding,
    InstanceName,
    Place,
    PythonPin,
    Severity,
    finding,
    listed,
)

from ._fixes import packages_fix, requires_fix
from ._parsing import normal_name
from ._pins import Installed
from ._problem import PythonRequirement
from ._world import World


def check_collisions(world: World, chosen: Installed) -> list[Finding]:
    """Return a finding for each import name that two of *chosen* own."""
    names = {pin.name: pin for pin in chosen.pins}
    found = []
    told: set[tuple[DistributionName, ...]] = set()
    met: set[tuple[DistributionName, DebianName]] = set()
    for fact in world.facts.collisions:
        here = sorted(name for name in fact.distributions if name in names)
        if fact.kind == "shadows standard library":
            found += [_shadow(chosen, name, fact) for name in here]
            continue
        if len(here) > 1:
            told.update(combinations(here, 2))
            found.append(_collision(chosen, tuple(names[name] for name in here), fact))
        both = sorted(set(fact.debian) & set(world.problem.debian))
        if here and both:
            met.add((here[0], both[0]))
            found.append(_with_debian(world, chosen, here[0], both[0], fact.module, fact.note))
    found += _with_carriers(world, chosen, met)
    return found + list(_overlaps(world, chosen, told))


def _with_carriers(
    world: World, chosen: Installed, met: set[tuple[DistributionName, DebianName]]
) -> Iterator[Finding]:
    """Yield what wheels own that Debian packages own too, but for what *met* tells already."""
    shared = {module for fact in world.facts.shared for module in fact.modules}
    for pin in chosen.pins:
        modules = set(_modules(world, chosen, pin) or ()) - shared
        for carrier in world.problem.carried.carriers:
            both = sorted(modules.intersection(carrier.modules or ()))
            told = pin.name in carrier.distributions or (pin.name, carrier.package) in met
            if both and not told:
                yield _with_debian(world, chosen, pin.name, carrier.package, both[0])


def _collision(chosen: Installed, pins: tuple[PythonPin, ...], fact: CollisionFact) -> Finding:
    names = [pin.name for pin in pins]
    sure = fact.confirmed or fact.kind != "same files"
    effect = (
        "they install the same files: what comes last overwrites, and removing one breaks the other"
        if fact.kind == "same files"
        else "one hides the other"
    )
    return chosen.about(
        "import-collision",
        Severity.ERROR if sure else Severity.WARNING,
        f"{listed(names)} both own the import name {fact.module}"
        if len(names) == 2
        else f"{listed(names)} all own the import name {fact.module}",
        *names,
        why=[
            effect,
            *(f"{name}: {chosen.chain(name)}" for name in names),
        ],
        repair=_without_one(chosen, pins),
    )


def _without_one(chosen: Installed, pins: tuple[PythonPin, ...]) -> list[str]:
    """Say which of *pins* can be given up: one that only plugins ask for, else a plugin."""
    found = []
    for pin in pins:
        others = [one.name for one in pins if one is not pin]
        asked_by_pins = any(pin.name in one.requires for one in chosen.pins)
        if pin.direct and not asked_by_pins:
            lines = chosen.direct_lines(pin.name)
            found.append(requires_fix(others[0], lines, f", in place of {pin.name}"))
    fewest = min(pins, key=lambda pin: (len(pin.wanted_by), pin.name))
    found.append("robokit-plan disable " + " ".join(fewest.wanted_by))
    return found


def _with_debian(
    world: World,
    chosen: Installed,
    name: DistributionName,
    package: DebianName,
    module: str,
    note: str = "",
) -> Finding:
    roots = {
        carrier.chain[0]: carrier
        for carrier in world.problem.carried.carriers
        if carrier.package == package
    }
    ours = chosen.lines[name]
    theirs = [
        line
        for line in world.problem.debian_lines
        if package in line.debian_names or roots.keys() & set(line.debian_names)
    ]
    owners = sorted({line.instance for line in theirs})
    pin = next(pin for pin in chosen.pins if pin.name == name)
    return finding(
        "import-collision",
        Severity.WARNING,
        f"{name} and the Debian package {package} both own the import name {module}",
        places=[
            *(
                Place(origin=line.origin, label=f"{line.instance} asks for {line.text}")
                for line in ours
            ),
            *(
                Place(origin=line.origin, label=f"{line.instance} asks Debian for {line.text}")
                for line in theirs
            ),
        ],
        why=[
            "in an environment that sees Debian's Python modules, the one of the index hides the "
            "other",
            *(f"{one} comes in through {root}" for root, one in _through(roots)),
            *([note] if note else []),
        ],
        repair=[
            *(
                [packages_fix(package, chosen.direct_lines(name), f", in place of {name}")]
                if pin.direct
                else []
            ),
            f"robokit-plan disable {' '.join(pin.wanted_by)}",
            *([f"robokit-plan disable {' '.join(owners)}"] if owners else []),
        ],
        plugins=[*pin.wanted_by, *owners],
        resource=name,
    )


def _through(roots: Mapping[DebianName, Carrier]) -> Iterator[tuple[DebianName, DebianName]]:
    """Yield what plugins ask for and the package that it leads to, where they differ."""
    for root, carrier in roots.items():
        if root != carrier.package:
            yield root, carrier.package


def _shadow(chosen: Installed, name: DistributionName, fact: CollisionFact) -> Finding:
    return chosen.about(
        "import-collision",
        Severity.WARNING,
        f"{name} brings a module {fact.module}, which the standard library has",
        name,
        why=[chosen.chain(name), *([fact.note] if fact.note else [])],
        repair=f"leave {name} out: no Python of today needs it",
    )


def _overlaps(
    world: World, chosen: Installed, told: set[tuple[DistributionName, ...]]
) -> Iterator[Finding]:
    """
    Yield what there is to say of each top-level name that two wheels hold and no fact speaks about.

    Both hold its own file: they collide. None does: it is a namespace, which is harmless.
    """
    owners: dict[str, list[DistributionName]] = {}
    for pin in chosen.pins:
        for module in _modules(world, chosen, pin) or ():
            owners.setdefault(module, []).append(pin.name)
    shared = {module for fact in world.facts.shared for module in fact.modules}
    apart = [frozenset(fact.distributions) for fact in world.facts.shared]
    for module in sorted(owners):
        names = [
            name
            for name in owners[module]
            if not any(
                (a, b) in told or any({a, b} <= pair for pair in apart)
                for a, b in combinations(sorted(owners[module]), 2)
                if name in {a, b}
            )
        ]
        if len(names) < 2 or module in shared:
            continue
        owners_of_file = [name for name in names if module in (_owned(world, chosen, name) or ())]
        if len(owners_of_file) > 1:
            yield _collision(
                chosen,
                tuple(pin for pin in chosen.pins if pin.name in owners_of_file),
                CollisionFact(
                    distributions=tuple(owners_of_file),
                    module=module,
                    kind="same files",
                    confirmed=False,
                    source="the file lists of both wheels",
                ),
            )
        elif any(_owned(world, chosen, name) is None for name in names):
            yield chosen.about(
                "import-shared",
                Severity.NOTE,
                f"{listed(names)} share the top-level name {module}",
                *names,
                why="a namespace that several distributions fill is harmless, a common file is "
                "not; their files were not compared",
            )


def _owned(world: World, chosen: Installed, name: DistributionName) -> tuple[str, ...] | None:
    metadata = world.metadata(chosen.releases[name])
    return None if metadata is None else metadata.owned


def _modules(world: World, chosen: Installed, pin: PythonPin) -> tuple[str, ...] | None:
    metadata = world.metadata(chosen.releases[pin.name])
    return None if metadata is None else metadata.modules


def check_modules(
    world: World, chosen: Installed, blamed: AbstractSet[InstanceName] = frozenset()
) -> list[Finding]:
    """
    Return a finding for each module that a plugin imports and nothing provides.

    Args:
        world: The problem and what is known.
        chosen: What gets installed.
        blamed: Instances that an error already names; nothing is said about them.
    """
    provided: dict[str, str] = {
        module: carrier.package
        for carrier in world.problem.carried.carriers
        for module in carrier.modules or ()
    }
    unopened: list[str] = [
        carrier.package for carrier in world.problem.carried.carriers if carrier.modules is None
    ]
    for pin in chosen.pins:
        modules = _modules(world, chosen, pin)
        if modules is None:
            unopened.append(pin.name)
        for module in modules or ():
            provided.setdefault(module, pin.name)
    asked: dict[str, list[PythonRequirement]] = {}
    for line in world.problem.modules:
        if line.instance in blamed:
            continue
        asked.setdefault(line.text.split(".", 1)[0], []).append(line)
    found = []
    for module in sorted(asked):
        if not _is_there(world, chosen, module, provided):
            found += _missing(world, module, asked[module], unopened)
    return found


def _is_there(world: World, chosen: Installed, module: str, provided: Mapping[str, str]) -> bool:
    if module in provided or module in world.problem.own_modules:
        return True
    standard = world.facts.standard.get(world.target.python)
    if standard is not None and module in standard.modules:
        return True
    fact = world.facts.modules.get(module)
    if fact is not None and set(fact.debian) & set(world.problem.debian):
        return True
    likely = {normal_name(module)} if fact is None else set(fact.distributions)
    return any(name in chosen.releases for name in likely)


def _missing(
    world: World,
    module: str,
    lines: list[PythonRequirement],
    unopened: list[str],
) -> list[Finding]:
    who = sorted({line.instance for line in lines})
    imports = "imports" if len(who) == 1 else "import"
    fact = world.facts.modules.get(module)
    standard = world.facts.standard.get(world.target.python)
    removed = None if standard is None else standard.removed.get(module)
    severity = Severity.ERROR
    rule = "module-missing"
    repair: list[str] = []
    if fact is not None and fact.distributions:
        repair.append(requires_fix(fact.distributions[0], lines))
    if fact is not None and fact.debian:
        repair.append(packages_fix(fact.debian[0], lines))
    if removed is not None and standard is not None:
        rule = "module-removed"
        message = (
            f"{listed(who)} {imports} {module}, which Python {world.target.python} no longer has"
        )
        why = [f"in its place: {removed}", standard.source]
        repair += [] if repair else [f"robokit-plan disable {' '.join(who)}"]
    elif fact is not None:
        message = f"{listed(who)} {imports} {module}, and nothing that gets installed provides it"
        why = [f"{module} comes from {listed([*fact.distributions, *fact.debian], 'or')}"]
    else:
        message = f"{listed(who)} {imports} {module}, and nothing that gets installed provides it"
        why = ["the top-level names of all wheels were looked through"]
        repair.append(requires_fix("…", lines, f", with the distribution that brings {module}"))
        known = {carrier.package for carrier in world.problem.carried.carriers}
        carriers = sorted(
            one for one in {*world.problem.debian} - known if one.startswith("python3-")
        )
        if unopened or carriers or standard is None:
            severity = Severity.NOTE
            message = (
                f"whether anything provides {module}, which {listed(who)} {imports}, is not known"
            )
            why = [f"not looked into: {', '.join([*unopened, *carriers])}"]
    return [
        finding(
            rule,
            severity,
            message,
            places=[
                Place(origin=line.origin, label=f"{line.instance} imports {line.text}")
                for line in lines
            ],
            why=why,
            repair=repair,
            plugins=who,
            resource=module,
        )
    ]
