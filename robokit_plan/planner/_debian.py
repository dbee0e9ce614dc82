"""What a robot asks of Debian."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import Instance, InstanceName, Needs, Origin, Target
from robokit_plan.resolve.debian import DebianProblem, DebianWant
from robokit_plan.resolve.python import PythonAnswer

from ._problem import Problem
from ._python import lock_for

PYTHON_TOOLS = ("python3-venv", "ca-certificates")
"""What the virtual environment itself needs of Debian (python3-venv's own description)."""


RIGHTS_TOOLS = ("polkitd",)
"""What a narrow right needs of Debian: the daemon that reads its rule (polkit(8))."""


def debian_problem(
    problem: Problem,
    instances: tuple[Instance, ...],
    needs: Mapping[InstanceName, Needs],
    target: Target,
    python: PythonAnswer,
) -> DebianProblem:
    """Return what *instances* want of Debian, with what *python* says that its wheels need."""
    system, locked = problem.robot.system, lock_for(problem, target)
    upgrade = problem.upgrade or frozenset()
    wants: list[DebianWant] = []
    for one in instances:
        wants.extend(
            DebianWant(text=text.text, origin=text.origin, instance=one.name)
            for text in needs[one.name].debian
        )
        requires = needs[one.name].python.requires
        if requires:
            wants.extend(
                DebianWant(
                    text=tool,
                    origin=one.manifest.places.get("python", requires[0].origin),
                    instance=one.name,
                    label="for the virtual environment",
                )
                for tool in PYTHON_TOOLS
            )
        permissions = needs[one.name].machine.permissions
        if permissions:
            wants.extend(
                DebianWant(
                    text=tool,
                    origin=permissions[0].origin,
                    instance=one.name,
                    label="for its permissions",
                )
                for tool in RIGHTS_TOOLS
            )
    places = {one.name: one for one in instances}
    for native in python.native:
        for name in native.wanted_by:
            owner = places.get(name)
            if owner is None:
                continue
            origin = owner.manifest.places.get("python", owner.manifest.origin)
            wants.extend(
                DebianWant(
                    text=package,
                    origin=origin,
                    instance=name,
                    build=build,
                    label=f"to {'build' if build else 'run'} {native.distribution}",
                )
                for packages, build in ((native.build, True), (native.run, False))
                for package in packages
            )
    return DebianProblem(
        wanted=tuple(wants),
        release=system.release,
        architecture=system.architecture,
        recommends=system.recommends,
        locked=(
            {one.name: one.version for one in locked.debian if one.name not in upgrade}
            if locked and (upgrade or problem.upgrade is None)
            else {}
        ),
        base_place=system.places.get("base")
        or system.places.get("image")
        or Origin(file=problem.robot.origin.file),
    )
