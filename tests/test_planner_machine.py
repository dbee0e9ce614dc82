"""What the planner hands on to the script: archives with keys, groups' rules, imports."""

from __future__ import annotations

import base64
from pathlib import Path

import pytest

from robokit_plan.app.session import problem_of
from robokit_plan.edge.machine_facts import read_machine_facts
from robokit_plan.edge.reading import read_robot
from robokit_plan.model import (
    Machine,
    PlannedSource,
    is_machine_name,
    is_udev_rule,
    variant_needs,
)
from robokit_plan.planner import (
    Problem,
    instances_of,
)
from robokit_plan.planner._archives import DEBIAN_COMPONENTS, DEBIAN_KEYRING, sources_of
from robokit_plan.planner._debian import debian_problem
from robokit_plan.planner._python import modules_of
from robokit_plan.resolve.behaviour import group_rules
from robokit_plan.resolve.python import PythonAnswer, target_for
from tests.render.plans import names

ROBOT = """\
format: 1
robot: case
board: "raspberrypi,4-model-b"
system:
  release: debian-13
  {system}
enabled: [one]
"""
MANIFEST = """\
format: 1
plugin: one
version: "1.0"
summary: one
behaviour: one.part:Part
python: {modules: [numpy, one.part, paho.mqtt.client]}
"""


def problem(folder: Path, system: str) -> Problem:
    (folder / "plugins/one").mkdir(parents=True)
    (folder / "plugins/one/manifest.yaml").write_text(MANIFEST)
    (folder / "robot.yaml").write_text(ROBOT.format(system=system))
    return problem_of(read_robot(folder))


def test_a_declared_archive_keeps_its_key(tmp_path: Path) -> None:
    """A key file goes into the lock file as it is; one that a package installs by its path."""
    (tmp_path / "keys").mkdir()
    (tmp_path / "keys/maker.asc").write_bytes(b"-----BEGIN PGP\n\xff")
    found = problem(
        tmp_path,
        "sources: [{name: maker, url: 'https://maker.example/debian', suites: [trixie], signed-by: keys/maker.asc,"
        " priority: 600, only: [tools]}, {name: other, url: 'https://other.example/debian', suites: [x],"
        " signed-by: /usr/share/keyrings/other.gpg}]",
    )
    assert sources_of(found, ()) == (
        PlannedSource(
            name="maker", url="https://maker.example/debian", suites=("trixie",), priority=600, only=("tools",),
            key=base64.b64encode(b"-----BEGIN PGP\n\xff").decode(),
        ),
        PlannedSource(
            name="other", url="https://other.example/debian", suites=("x",), keyring="/usr/share/keyrings/other.gpg"
        ),
    )  # fmt: skip


@pytest.mark.parametrize("path", ["../outside.asc", "/etc/passwd", "link.asc"])
def test_a_key_outside_the_folder_is_not_read(tmp_path: Path, path: str) -> None:
    (tmp_path / "outside.asc").write_text("outside")
    folder = tmp_path / "robot"
    folder.mkdir()
    (folder / "link.asc").symlink_to("/etc/passwd")
    found = problem(
        folder,
        f"sources: [{{name: maker, url: 'https://m.example/d', suites: [x], signed-by: {path}}}]",
    )
    assert found.source_keys == {}


def test_a_snapshot_becomes_an_archive_of_the_robot(tmp_path: Path) -> None:
    """The security archive of a dated one stands beside it under the same date."""
    found = problem(
        tmp_path, "snapshot: 'https://snapshot.example/archive/debian/20261101T000000Z/'"
    )
    one, two = sources_of(found, ("trixie", "trixie-security"))
    assert (one.name, one.url, one.suites) == (
        "debian-snapshot", "https://snapshot.example/archive/debian/20261101T000000Z/", ("trixie",),
    )  # fmt: skip
    assert (two.url, two.suites) == (
        "https://snapshot.example/archive/debian-security/20261101T000000Z/", ("trixie-security",),
    )  # fmt: skip
    for source in (one, two):
        assert source.dated
        assert (source.keyring, source.components) == (DEBIAN_KEYRING, DEBIAN_COMPONENTS)


def test_the_self_test_imports_what_gets_installed(tmp_path: Path) -> None:
    found = problem(tmp_path, "image: debian")
    instances = instances_of(found.robot, None, found.manifests)
    assert modules_of(instances, {names("one")[0]: None}) == {
        "numpy": names("one"),
        "paho.mqtt.client": names("one"),
    }


def test_facts_about_groups_can_stand_in_a_script() -> None:
    facts = read_machine_facts()
    for fact in facts.groups:
        assert is_machine_name(fact.group)
        assert all(is_udev_rule(rule) and f'GROUP="{fact.group}"' in rule for rule in fact.rules)
        assert fact.source
    for grabber in facts.grabbers:
        assert is_machine_name(grabber.service)
        assert set(grabber.ids) <= facts.serial_ids
        assert grabber.source


def test_a_group_brings_the_rule_that_its_image_lacks() -> None:
    machine = Machine(groups={"spi": names("one"), "dialout": names("one")})
    facts = read_machine_facts()
    assert group_rules(machine, "debian", facts) == (
        'SUBSYSTEM=="spidev", GROUP="spi", MODE="0660"',
    )
    assert group_rules(machine, "vendor", facts) == ()


def test_a_right_brings_the_daemon_that_grants_it(tmp_path: Path) -> None:
    """polkit(8): rules are read by polkitd, which a small image need not hold."""
    (tmp_path / "plugins/one").mkdir(parents=True)
    (tmp_path / "plugins/one/manifest.yaml").write_text(
        f"{MANIFEST}machine: {{permissions: [power-off]}}\n"
    )
    (tmp_path / "robot.yaml").write_text(ROBOT.format(system="architecture: arm64"))
    found = problem_of(read_robot(tmp_path))
    instances = instances_of(found.robot, None, found.manifests)
    asked = debian_problem(
        found,
        instances,
        {one.name: variant_needs(one.manifest, None) for one in instances},
        target_for("debian-13", "arm64", "debian", None, found.python_facts),
        PythonAnswer(),
    ).wanted
    wanted = [(one.text, one.label, one.origin.line) for one in asked]
    assert wanted == [("polkitd", "for its permissions", 7)]
