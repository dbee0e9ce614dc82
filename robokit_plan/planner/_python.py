"""What a robot asks of Python."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from robokit_plan.model import (
    Carried,
    DebianName,
    DistributionName,
    Instance,
    InstanceName,
    Needs,
    Plan,
    Target,
    VariantName,
    is_module_name,
    variant_needs,
)
from robokit_plan.resolve.python import PythonIndex, PythonProblem, PythonRequirement

from ._problem import Problem


def python_problem(
    problem: Problem,
    instances: tuple[Instance, ...],
    needs: Mapping[InstanceName, Needs],
    target: Target,
    carried: Carried,
) -> PythonProblem:
    """Return what *instances* want of Python, beside what Debian's packages *carried* there."""
    robot = problem.robot
    locked = lock_for(problem, target)
    requirements: list[PythonRequirement] = []
    requires_python: list[PythonRequirement] = []
    modules: list[PythonRequirement] = []
    for one in instances:
        python = needs[one.name].python
        bounds = () if python.requires_python is None else (python.requires_python,)
        for texts, into in (
            (python.requires, requirements),
            (bounds, requires_python),
            (python.modules, modules),
        ):
            into.extend(
                PythonRequirement(
                    text=text.text,
                    origin=text.origin,
                    instance=one.name,
                    plugin=one.manifest.plugin,
                )
                for text in texts
            )
    return PythonProblem(
        requirements=tuple(requirements),
        requires_python=tuple(requires_python),
        modules=tuple(modules),
        own_modules=tuple(sorted({name for one in instances for name in own_modules(one)})),
        debian=tuple(
            sorted(
                {
                    DebianName(alternative.split("(")[0].split(":")[0].strip())
                    for one in instances
                    for text in needs[one.name].debian
                    for alternative in text.text.split("|")
                }
            )
        ),
        debian_lines=tuple(
            PythonRequirement(
                text=text.text,
                origin=text.origin,
                instance=one.name,
                plugin=one.manifest.plugin,
            )
            for one in instances
            for text in needs[one.name].debian
        ),
        carried=carried,
        target=target,
        indexes=(
            *(PythonIndex(name=name) for name in problem.indexes),
            *(
                PythonIndex(name=one.name, only=_names(one.only), origin=one.origin)
                for one in robot.indexes
            ),
        ),
        locked={one.name: one.version for one in locked.python} if locked else {},
        locked_files={one.name: one.file for one in locked.python} if locked else {},
        locked_build={one.name: one.version for one in locked.build} if locked else {},
        upgrade=frozenset(_names(problem.upgrade or ())),
        upgrade_all=problem.upgrade is not None and not problem.upgrade,
        as_of=problem.as_of,
        sdists=frozenset(_names(robot.system.sdists)),
        facts=problem.python_facts,
        robot=robot.origin,
    )


def lock_for(problem: Problem, target: Target) -> Plan | None:
    """Return the lock where it was made for *target*; what if on another one starts afresh."""
    locked = problem.locked
    if locked is None:
        return None
    same = (locked.target.release, locked.target.architecture, locked.target.python) == (
        target.release,
        target.architecture,
        target.python,
    )
    return locked if same else None


def _names(texts: Iterable[str]) -> tuple[DistributionName, ...]:
    from packaging.utils import canonicalize_name

    return tuple(DistributionName(canonicalize_name(text)) for text in texts)


def own_modules(instance: Instance) -> Iterator[str]:
    """Yield the import package that the plugin's own folder brings."""
    if instance.manifest.behaviour:
        yield instance.manifest.behaviour.split(":")[0].split(".")[0]


def modules_of(
    instances: tuple[Instance, ...], variants: Mapping[InstanceName, VariantName | None]
) -> dict[str, tuple[InstanceName, ...]]:
    """Return the import names that manifests declare; those of the plugins' own code stay out."""
    found: dict[str, set[InstanceName]] = {}
    own = {name for one in instances for name in own_modules(one)}
    for one in instances:
        for text in variant_needs(one.manifest, variants[one.name]).python.modules:
            if is_module_name(text.text) and text.text.split(".")[0] not in own:
                found.setdefault(text.text, set()).add(one.name)
    return {name: tuple(sorted(found[name])) for name in sorted(found)}


def sees_system_packages(problem: Problem, needs: Iterable[Needs]) -> bool:
    """
    Whether the virtual environment must see the Python modules that Debian packages bring.

    It must as soon as a plugin asks Debian for one; a plain environment would hide it. Tools such
    as python3-dev are none.
    """
    carriers = {str(name) for fact in problem.python_facts.modules.values() for name in fact.debian}
    asked = {
        alternative.split("(")[0].split(":")[0].strip()
        for one in needs
        for text in one.debian
        for alternative in text.text.split("|")
    }
    return any(
        name in carriers
        or (name.startswith("python3-") and problem.carried_facts.brings(DebianName(name)))
        for name in asked
    )
