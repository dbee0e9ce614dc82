"""Robots in a few words for the electrical tests: files in, rails and findings out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from robokit_plan.app.session import problem_of
from robokit_plan.edge.reading import read_robot
from robokit_plan.model import Finding, Plan, Rail, Severity, Snapshot
from robokit_plan.planner import resolve

RPI3 = "raspberrypi,3-model-b"
RPI4 = "raspberrypi,4-model-b"
RPI5 = "raspberrypi,5-model-b"
MAIN = "supplies: {main-5v: {volts: 5.1, max-ma: 3000, feeds: board}}\n"


def planned(
    folder: Path,
    plugins: Mapping[str, str],
    *,
    board: str = RPI4,
    robot: str = MAIN,
    bare: bool = False,
    boot: str | None = None,
    image: str = "vendor",
) -> Plan:
    """
    Return the plan of a robot.

    Args:
        folder: An empty one.
        plugins: Name -> the `hardware` part of its manifest.
        board: Its compatible string.
        robot: The rest of the robot file.
        image: What the card carries.
        boot: What the board's boot configuration says already.
        bare: Whether the stock image holds no line of the header.
    """
    given = ""
    if boot is not None:
        (folder / "boot.txt").write_text(boot, "utf-8")
        given = ", boot-config: boot.txt"
    (folder / "robot.yaml").write_text(
        f'format: 1\nrobot: case\nboard: "{board}"\nsystem: {{image: {image}{given}}}\n'
        f"enabled: [{', '.join(plugins)}]\n{robot}",
        "utf-8",
    )
    for name, hardware in plugins.items():
        inside = folder / "plugins" / name
        inside.mkdir(parents=True)
        (inside / "manifest.yaml").write_text(
            f'format: 1\nplugin: {name}\nversion: "1.0"\nsummary: Plugin {name}\n'
            f"hardware: {hardware}\n",
            "utf-8",
        )
    reading = read_robot(folder)
    assert reading.robot is not None, reading.findings
    errors = [one for one in reading.findings if one.severity is Severity.ERROR]
    assert not errors, errors
    problem = problem_of(reading, locked=False)
    if bare:
        problem = replace(problem, board=replace(problem.board, default_claims=()))
    answer = resolve(problem, Snapshot(debian_reason="not asked"))
    assert isinstance(answer, Plan)
    return answer


def findings(plan: Plan, rule: str) -> list[Finding]:
    """Return the findings of one rule."""
    return [one for one in plan.findings if one.rule == rule]


def severity(plan: Plan, rule: str) -> str:
    """Return the gravest severity of *rule*, ``ok`` where there is none."""
    found = findings(plan, rule)
    return found[0].severity.value if found else "ok"


def rail(plan: Plan, name: str) -> Rail:
    """Return one rail."""
    return next(one for one in plan.rails if one.name == name)
