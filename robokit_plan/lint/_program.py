"""Whether what the robot's program is started from is there."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from robokit_plan.model import (
    Finding,
    Manifest,
    PluginName,
    Robot,
    Severity,
    finding,
    listed,
    module_run,
    program_paths,
)


def check_program_file(
    robot: Robot,
    manifests: Mapping[PluginName, Manifest],
    *,
    there: bool,
    standard: frozenset[str] = frozenset(),
) -> Iterator[Finding]:
    """
    Yield that the robot's program cannot start, since what it is started from is nowhere.

    Args:
        robot: Names the program.
        manifests: Plugins in reach: a module that one of them declares may be installed.
        there: Whether one of `program_paths` is in the robot's folder.
        standard: Modules that Python itself has.
    """
    program = robot.program
    if program is None or there:
        return
    paths = program_paths(program.run)
    if not paths:
        return
    module = module_run(program.run)
    if module is not None and (
        module.partition(".")[0] in standard or _declared(module, manifests)
    ):
        return
    yield finding(
        "program-missing",
        Severity.ERROR,
        f"the program is started by {program.run}, and "
        + (f"no module {module} is there" if module else f"{paths[0]} is not there"),
        places=[program.origin],
        why=f"the robot's folder has no {listed(list(paths), 'and no')}, so the service would fail "
        "at each start",
        repair=(
            f"mkdir -p {paths[1].removesuffix('/__main__.py')}, with the program in {paths[1]}"
            if module
            else f"the program, in {paths[0]}",
            "program: {run: …}   in robot.yaml, with what starts it",
        ),
        resource="program",
    )


def _declared(module: str, manifests: Mapping[PluginName, Manifest]) -> bool:
    """Whether a plugin says that its distributions bring *module*, or asks for one of that name."""
    top = module.partition(".")[0]
    for one in manifests.values():
        for needs in (one.base, *(variant.needs for variant in one.variants)):
            if any(text.text.partition(".")[0] == top for text in needs.python.modules):
                return True
            asked = top.replace("_", "-").casefold()
            if any(
                re.split(r"[^A-Za-z0-9._-]", text.text)[0].replace("_", "-").casefold() == asked
                for text in needs.python.requires
            ):
                return True
    return False
