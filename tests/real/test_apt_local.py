"""
The small archives, put to apt itself in a private root; asks no network.

The reference is ``apt-get --simulate satisfy`` of the apt on this machine. Where it finds an answer, ours
is the same; where it refuses, either nothing fits or the case says why a selection exists all the same.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings

from robokit_plan.resolve.debian import parse_relations
from robokit_plan.resolve.debian._explain import group_text
from tests.resolve.debian.small_archive import (
    answer_of,
    archive_of,
    faults,
    local_apt,
    package,
    paragraphs,
    pins_of,
    problem_of,
)
from tests.resolve.debian.test_laws import World, worlds

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(shutil.which("apt-get") is None, reason="apt is not on this machine"),
]
CASES = yaml.safe_load(
    (Path(__file__).parents[1] / "resolve" / "debian" / "cases.yaml").read_text("utf-8")
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_case_as_apt_sees_it(case: dict[str, Any], tmp_path: Path) -> None:
    """What a case expects is what apt does."""
    archive = archive_of(case["archive"], installed=case.get("installed", ()))
    packages = [package(fields) for fields in paragraphs(case["archive"])]
    apt = local_apt(tmp_path, packages, archive.base.values())
    if case.get("apt") == "goes on":
        assert apt.satisfy(case["want"]) is not None
        return
    if case.get("apt") == "by install":
        done = apt.run(
            "--simulate", "--no-install-recommends", "install", *case["want"], check=False
        )
        assert done.returncode == 100, done.stdout
        return
    said = apt.satisfy(case["want"], recommends=case.get("recommends", False))
    if case.get("apt") == "differs":
        assert said != (case["expect"], case.get("removed", []))
    elif "expect" in case:
        assert said == (case["expect"], case.get("removed", []))
    else:
        assert said is None


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(world=worlds())
def test_drawn_archive_as_apt_sees_it(world: World, tmp_path: Path) -> None:
    """
    Where apt has an answer, so have we, and apt's own checks find no fault with ours.

    Which answer apt gives to such tangled archives depends on its scores; equality is asked for on
    real packages (test_apt_archive.py), soundness here.
    """
    archive = archive_of(world.text, installed=world.installed)
    if faults(archive.base.values()):
        return
    packages = [package(fields) for fields in paragraphs(world.text)]
    folder = tmp_path / str(len(list(tmp_path.iterdir())))
    apt = local_apt(folder, packages, archive.base.values())
    wants = [group_text(group) for want in world.wants for group in parse_relations(want, "arm64")]
    said = apt.satisfy(sorted(wants))
    answer = answer_of(problem_of(world.wants), archive)
    errors = [one for one in answer.findings if one.severity.value == "error"]
    if said is not None:
        assert not errors
    if errors or not (answer.pins or answer.removed):
        return
    chosen = [f"{name}={version}" for name, version in pins_of(answer).items()]
    gone = [f"{name}-" for name in answer.removed]
    done = apt.run("--simulate", "--no-install-recommends", "install", *chosen, *gone, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    for pin in answer.pins:
        assert f"Inst {pin.name} " in done.stdout
