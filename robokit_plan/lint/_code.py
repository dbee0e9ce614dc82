"""Rules that hold a manifest against the plugin's code."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from packaging.utils import canonicalize_name

from robokit_plan.model import (
    DistributionName,
    Finding,
    Manifest,
    Place,
    PluginCode,
    PythonFacts,
    Severity,
    finding,
    near_names,
)

from ._about import place_of
from ._names import distribution_of
from ._requirements import find_requirement


def check_unread(manifest: Manifest, code: PluginCode) -> Iterator[Finding]:
    """Every Python file of a plugin parses."""
    for place, why in code.unread:
        yield finding(
            "code-unreadable",
            Severity.WARNING,
            f"{place.file} is not Python that can be read",
            places=[place],
            why=why,
            repair=f"python3 -m py_compile {place.file}",
            plugins=[manifest.plugin],
        )


def check_behaviour_object(
    manifest: Manifest, code: PluginCode, program: Iterable[str] = ()
) -> Iterator[Finding]:
    """
    The behaviour names a module and an object that the folder holds.

    What is in *program*, the robot's own, is imported from there. A folder without Python is a
    plugin whose code is installed, where it requires anything that may bring it.
    """
    if manifest.behaviour is None or ":" not in manifest.behaviour or not code.complete:
        return
    module, _, attribute = manifest.behaviour.partition(":")
    if module.partition(".")[0] not in code.own:
        if module.partition(".")[0] in program:
            return
        if not code.modules and _may_be_installed(manifest):
            return
        yield finding(
            "behaviour-missing",
            Severity.ERROR,
            f"behaviour {manifest.behaviour} is in no file of {manifest.plugin}",
            places=[place_of(manifest, "behaviour")],
            why=f"the folder holds {', '.join(sorted(code.own))}"
            if code.own
            else "the folder holds no Python, and the plugin requires nothing that could bring it",
            repair=[f"behaviour: {name}:{attribute}" for name in _holding(code, attribute)]
            or f"mkdir {manifest.folder}/{module.partition('.')[0]}",
            plugins=[manifest.plugin],
        )
        return
    names = code.modules.get(module)
    unread = {place.file for place, _ in code.unread}
    if names is None:
        what = f"there is no module {module}"
    elif attribute.partition(".")[0] in names or any(
        file.endswith(f"{module.replace('.', '/')}.py") for file in unread
    ):
        return
    else:
        what = f"module {module} has no {attribute.partition('.')[0]}"
    yield finding(
        "behaviour-missing",
        Severity.ERROR,
        f"behaviour {manifest.behaviour} cannot be imported: {what}",
        places=[place_of(manifest, "behaviour")],
        why="the program imports it when it starts",
        repair=[
            *(f"behaviour: {name}:{attribute}" for name in _holding(code, attribute)),
            *(f"behaviour: {name}" for name in _near(code, module, attribute)),
        ],
        plugins=[manifest.plugin],
    )


def _may_be_installed(manifest: Manifest) -> bool:
    """Whether *manifest* asks for anything that may carry its behaviour."""
    every = (manifest.base, *(one.needs for one in manifest.variants))
    return any(one.python.requires or one.debian for one in every)


def _near(code: PluginCode, module: str, attribute: str) -> list[str]:
    """Return references to names of *module* that *attribute* was perhaps meant to be."""
    name, dot, rest = attribute.partition(".")
    near = near_names(name, sorted(code.modules.get(module, ())), 1)
    return [f"{module}:{one}{dot}{rest}" for one in near]


def _holding(code: PluginCode, attribute: str) -> list[str]:
    name = attribute.partition(".")[0]
    return [module for module, names in sorted(code.modules.items()) if name in names][:3]


def check_imports(
    manifest: Manifest, code: PluginCode, facts: PythonFacts, program: Iterable[str] = ()
) -> Iterator[Finding]:
    """
    What the code imports is declared under ``modules``, and something brings it.

    The standard library is that of the facts, of any Python there: a board has another one than
    the machine that lints. Without such facts nothing can be told.
    """
    standard = [version.modules for version in facts.standard.values()]
    if not any(standard):
        return
    known = [*standard, code.own, frozenset(program)]
    parts = (manifest.base, *(variant.needs for variant in manifest.variants))
    declared = {text.text.partition(".")[0] for needs in parts for text in needs.python.modules}
    required = {name for needs in parts for name in _names(needs.python.requires)}
    debian = {text.text.split()[0].partition(":")[0] for needs in parts for text in needs.debian}
    for text in code.imports:
        module = text.text
        if module in declared or not module.isidentifier() or any(module in one for one in known):
            continue
        fact = facts.modules.get(module)
        bringers = {canonicalize_name(module), *(fact.distributions if fact else ())}
        packages = {f"python3-{module.lower().replace('_', '-')}"}
        packages |= set(fact.debian if fact else ())
        if bringers & required or packages & debian:
            yield finding(
                "import-undeclared",
                Severity.NOTE,
                f"the code imports {module}, which modules does not list",
                places=[text.origin, place_of(manifest, "python")],
                why="only listed modules are checked against what gets installed",
                repair=f"modules: [{', '.join(sorted({*declared, module}))}]",
                plugins=[manifest.plugin],
            )
            continue
        first = fact.distributions[0] if fact and fact.distributions else canonicalize_name(module)
        yield finding(
            "import-undeclared",
            Severity.WARNING,
            f"the code imports {module}, and the manifest asks for nothing that brings it",
            places=[text.origin, place_of(manifest, "python")],
            why="it works only where something else happens to install it",
            repair=[
                f'python: {{requires: ["{first}"], modules: [{module}]}}',
                *(f'debian: {{packages: ["{name}"]}}' for name in (fact.debian if fact else ())),
            ],
            plugins=[manifest.plugin],
        )


def _names(requires: Iterable[object]) -> Iterator[DistributionName]:
    for text in requires:
        requirement = find_requirement(str(text))
        if requirement is not None:
            yield DistributionName(canonicalize_name(requirement.name))


def check_removed_imports(
    manifest: Manifest, code: PluginCode, facts: PythonFacts, python: str
) -> Iterator[Finding]:
    """
    What the code imports unguarded is in the standard library of the target's *python*.

    What the manifest lists under ``modules`` is left to the plan, which looks into wheels; so is
    what a requirement of the manifest is known to bring back.
    """
    standard = facts.standard.get(python)
    if standard is None:
        return
    every = (manifest.base, *(one.needs for one in manifest.variants))
    listed = {text.text.partition(".")[0] for needs in every for text in needs.python.modules}
    required = {distribution_of(text) for needs in every for text in needs.python.requires}
    for text in code.imports:
        module = text.text.partition(".")[0]
        instead = standard.removed.get(module)
        if instead is None or module in listed or module in code.own:
            continue
        fact = facts.modules.get(module)
        bringing = () if fact is None else fact.distributions
        if required.intersection(bringing) or instead.rpartition(" ")[2] in required:
            continue
        yield finding(
            "module-removed",
            Severity.ERROR,
            f"{manifest.plugin} imports {module}, which Python {python} no longer has",
            places=[Place(origin=text.origin, label=f"{manifest.plugin} imports {module}")],
            why=[
                f"in its place: {instead}",
                standard.source,
                f"where a requirement brings {module}, list it under `modules`: wheels are then "
                "looked through",
            ],
            repair=[
                *(
                    f'python: {{requires: ["{one}"]}}   in the manifest of {manifest.plugin}'
                    for one in bringing[:1]
                ),
                f"robokit-plan disable {manifest.plugin}",
            ],
            plugins=[manifest.plugin],
        )
