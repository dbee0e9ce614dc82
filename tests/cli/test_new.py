"""`new`: whatever part is filled in, the manifest passes and its robot can be wired."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from robokit_plan.app.judged import judged
from robokit_plan.app.session import rooted_findings
from robokit_plan.edge.facts import read_parts
from robokit_plan.edge.lint_targets import read_lint_targets
from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.model import Claim, I2cClaim, Severity, UartClaim, find_part
from robokit_plan.render._new_plugin import new_plugin_files
from tests.casebook import kept_facts
from tests.cli.conftest import Command

PARTS = sorted({one.name for one in read_parts().values()})


@pytest.fixture(scope="module", autouse=True)
def _facts_once() -> Iterator[None]:
    with kept_facts():
        yield


@pytest.mark.parametrize("name", PARTS)
def test_every_part_gives_a_manifest_that_passes(name: str, tmp_path: Path) -> None:
    """Not one finding, notes included; and the board of a plain robot can wire it."""
    part = find_part(read_parts(), name)
    files = new_plugin_files("probe", summary="probes", spdx="MIT", part=part, schema="s")
    for path, text in files.items():
        file = tmp_path / "plugins" / "probe" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, "utf-8")
    robot = tmp_path / "robot.yaml"
    robot.write_text(
        'format: 1\nrobot: raft\nboard: "raspberrypi,4-model-b"\nenabled: [probe]\n', "utf-8"
    )
    reading = read_lint_targets([tmp_path / "plugins"], here=tmp_path)
    assert judged(reading, reading.targets).findings == ()
    planned = rooted_findings(robot, None, prefix="")
    assert [one for one in planned if one.severity is Severity.ERROR] == []


def test_a_part_brings_its_facts() -> None:
    """Data sheets, as the facts cite them: straps of the first, speed of the second."""
    known = read_parts()
    claims: list[Claim] = []
    for name in ("bno055", "tmc2209"):
        text = new_plugin_files(
            "probe", summary="x", spdx="MIT", part=find_part(known, name), schema="s"
        )["manifest.yaml"]
        manifest, findings = parse_manifest(text, "plugins/probe/manifest.yaml")
        assert findings == ()
        assert manifest is not None
        claims += manifest.base.hardware
    imu, driver = claims
    assert isinstance(imu, I2cClaim)
    assert set(imu.addresses) == {0x28, 0x29}
    assert isinstance(driver, UartClaim)
    assert driver.baud == 115_200


def test_nobody_is_asked_without_a_terminal(dinghy: Path, command: Command) -> None:
    done = command("new")
    assert done.status == 2, dinghy
    assert "fix  robokit-plan new PLUGIN" in done.err
