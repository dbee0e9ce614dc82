"""
Names in letters that look like others (Unicode TR39, "ASCII-Only" restriction level).

The letters stand in the standard's table of confusables beside the ASCII ones that they look like.
"""

from __future__ import annotations

import pytest

from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.lint import lint_manifest
from robokit_plan.model import Severity
from tests.edge.manifest_example import FILE, GOOD

LOOK_ALIKE = str.maketrans({"a": "\u0430", "e": "\u0435", "i": "\u0456", "o": "\u043e"})


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("plugin: nav-lights", "nav"),
        ("behaviour: nav_lights.lights:Lights", "nav_lights"),
        ("provides: [lights]", "lights"),
        ('plugins: ["helm>=0.4,<1"]', "helm"),
        ('"python3-libcamera (>= 0.3)"', "libcamera"),
        ('requires: ["numpy>=1.24,<3"]', "numpy"),
        ("modules: [numpy]", "[numpy"),
        ("groups: [gpio]", "gpio"),
        ("start: [mosquitto]", "mosquitto"),
        ("load: [i2c-dev]", "i2c"),
        ("name: SHORE_TOKEN", "SHORE"),
        ("https://models.example", "models.example"),
        ("imu: {part: bno055", "imu"),
        ("part: bno055", "bno055"),
        ("port-thruster: {hazard", "thruster"),
        ("commands: [port-thruster]", "thruster"),
        ("publishes: [hull/leak]", "leak"),
    ],
)
def test_look_alikes_are_refused(line: str, word: str) -> None:
    other = word.translate(LOOK_ALIKE).replace("S", "\u0405").replace("u", "\u03c5")
    assert other != word
    manifest, findings = parse_manifest(GOOD.replace(line, line.replace(word, other), 1), FILE)
    found = [*findings, *(lint_manifest(manifest) if manifest else ())]
    assert [one.rule for one in found if one.severity is Severity.ERROR], other
    assert line in GOOD
