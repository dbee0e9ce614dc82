"""What the plugins ask, as far as it can be taken up."""

from __future__ import annotations

from packaging.requirements import InvalidRequirement

from robokit_plan.model import Finding, Place, Severity, finding, mended_requirement

from ._fixes import manifests, requires_fix
from ._parsing import find_specifier, parse_requirement, python_allows
from ._problem import PythonProblem, PythonRequirement
from ._units import Unit, units_of
from ._world import Ask, World, asks_of


def read_units(problem: PythonProblem, world: World) -> tuple[tuple[Unit, ...], list[Finding]]:
    """Return what to search for, and findings about lines that cannot be searched for."""
    asks: list[tuple[PythonRequirement, tuple[Ask, ...]]] = []
    findings: list[Finding] = []
    for line in problem.requirements:
        try:
            requirement = parse_requirement(line.text)
        except InvalidRequirement as problem_of_line:
            findings.append(_unreadable(line, str(problem_of_line)))
            continue
        if requirement.url is not None:
            findings.append(_by_address(line, requirement.name))
            continue
        if not world.marker_holds(requirement.marker):
            continue
        asks.append((line, asks_of(requirement, line)))
    return units_of(asks), findings


def check_requires_python(problem: PythonProblem, world: World) -> list[Finding]:
    """Return a finding for each plugin that does not run on the target's Python."""
    found = []
    for line in problem.requires_python:
        if find_specifier(line.text) is None or python_allows(line.text, world.python):
            continue
        found.append(
            finding(
                "requires-python-conflict",
                Severity.ERROR,
                f"{line.instance} needs Python {line.text}, the robot has {world.python}",
                places=[Place(origin=line.origin, label=f"{line.instance} needs {line.text}")],
                why=f"{world.target.release} brings Python {world.target.python}",
                repair=[
                    f"robokit-plan disable {line.instance}",
                    f'python: {{requires-python: ">={world.target.python}"}}   '
                    f"{manifests([line])}, if it was tried with that",
                ],
                plugins=[line.instance],
            )
        )
    return found


def _unreadable(line: PythonRequirement, why: str) -> Finding:
    meant = mended_requirement(line.text)
    return finding(
        "requirement-invalid",
        Severity.ERROR,
        f"{line.text!r} is not a Python requirement",
        places=[Place(origin=line.origin, label=f"{line.instance} asks {line.text}")],
        why=f"as in PEP 508: {why.splitlines()[0]}",
        repair=requires_fix(meant, [line])
        if meant
        else requires_fix("NAME>=1.0", [line], ", with quotes round each item"),
        plugins=[line.instance],
    )


def _by_address(line: PythonRequirement, name: str) -> Finding:
    return finding(
        "requirement-url",
        Severity.ERROR,
        f"{line.instance} asks for {name} by address, which cannot be locked",
        places=[Place(origin=line.origin, label=f"{line.instance} asks {line.text}")],
        why="a plan holds releases of an index, each with its SHA-256; what an address serves may "
        "change",
        repair=[
            requires_fix(name, [line]),
            f"indexes: [{{name: own, url: https://index.example/simple/, only: [{name}]}}]   in "
            "robot.yaml, for an index of your own that carries it",
        ],
        plugins=[line.instance],
    )
