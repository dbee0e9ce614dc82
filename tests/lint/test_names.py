"""Names that indices lack, and names that mean something else there."""

from __future__ import annotations

import pytest

from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.lint import lint_manifest
from robokit_plan.model import (
    AbsentNames,
    BoardId,
    DebianName,
    DistributionName,
    Finding,
    ModuleFact,
    PythonFacts,
)
from robokit_plan.render import render_findings_text

HEAD = 'format: 1\nplugin: probe\nversion: "1.0"\nsummary: x\nlicense: MIT\n'
ABSENT = AbsentNames(
    python=frozenset({DistributionName("sounddevise"), DistributionName("cv2")}),
    debian={DebianName("libtot"): (DebianName("libtoot"),), DebianName("nix"): ()},
    systems=("debian-13 for arm64",),
)
HEADERS = {
    BoardId("a,one"): frozenset({"gpio4", "gpio17"}),
    BoardId("b,two"): frozenset({"p9_22"}),
}


def told(text: str, *rules: str) -> str:
    manifest, _ = parse_manifest(HEAD + text, "plugins/probe/manifest.yaml")
    assert manifest is not None
    findings: tuple[Finding, ...] = lint_manifest(
        manifest, facts=read_python_facts(), absent=ABSENT, headers=HEADERS
    )
    return render_findings_text([one for one in findings if one.rule in rules], notes=True)


def test_a_name_that_the_index_lacks() -> None:
    assert told('python: {requires: ["sounddevise>=0.5,<1"]}\n', "distribution-missing") == (
        "warning distribution-missing: no Python index has sounddevise, as it was read last\n"
        "  at   plugins/probe/manifest.yaml:6:21\n"
        "  why  names on the index and names to import differ: check the spelling\n"
        "  fix  robokit-plan check   asks the index again\n"
    )


@pytest.mark.parametrize(
    ("asked", "words"),
    [("cv2", "as it was read last"), ("yaml", "as far as is known")],
)
def test_the_name_of_the_import_is_none_of_the_index(asked: str, words: str) -> None:
    """Failure mode A6; `yaml` is in the facts, and no index was asked for it."""
    meant = {"cv2": "opencv-python-headless", "yaml": "pyyaml"}[asked]
    assert told(f"python: {{requires: [{asked}]}}\n", "distribution-missing") == (
        f"warning distribution-missing: no Python index has {asked}, {words}\n"
        "  at   plugins/probe/manifest.yaml:6:21\n"
        f"  why  the module {asked} comes from {meant}\n"
        f'  fix  python: {{requires: ["{meant}"]}}   in the manifest of probe, in place of {asked}\n'
    )


def test_a_module_that_several_distributions_bring_names_the_first() -> None:
    """What the facts put first is what is meant mostly."""
    manifest, _ = parse_manifest(
        HEAD + "python: {requires: [cv2]}\n", "plugins/probe/manifest.yaml"
    )
    assert manifest is not None
    fact = ModuleFact(
        module="cv2",
        distributions=(DistributionName("opencv-a"), DistributionName("opencv-b")),
        debian=(),
        source="made up",
    )
    found = lint_manifest(manifest, facts=PythonFacts(modules={"cv2": fact}), absent=ABSENT)
    (one,) = [one for one in found if one.rule == "distribution-missing"]
    assert len(one.repair) == 1
    assert '"opencv-a"' in one.repair[0]


def test_what_comes_from_an_address_or_is_no_requirement_is_asked_of_no_index() -> None:
    for text in ("cv2 @ https://files.example/cv2-1-py3-none-any.whl", "cv2 >= , 1"):
        assert told(f'python: {{requires: ["{text}"]}}\n', "distribution-missing") == ""


def test_claims_without_lines_of_their_own_are_on_no_header() -> None:
    text = "one-wire: {probe: {}}, i2c: {imu: {address: 0x28, bus: any}}, uart: {gnss: {}}"
    assert told(f"hardware: {{{text}}}\n", "line-nowhere") == ""


def test_a_stranger_has_the_name_of_the_import() -> None:
    """bluerobotics/ping-python issue 28."""
    text = told("python: {requires: [serial]}\n", "distribution-mistaken")
    assert text.startswith(
        "warning distribution-mistaken: serial on the index is probably not what is meant\n"
    )
    assert '"pyserial"' in text
    assert told("python: {requires: [pyserial]}\n", "distribution-mistaken") == ""


def test_a_package_that_the_archive_lacks() -> None:
    """Debian Policy 7.1: of alternatives one is enough."""
    rule = "debian-package-missing"
    assert told('debian: {packages: ["libtot (>= 1)"]}\n', rule) == (
        "warning debian-package-missing: libtot is not in debian-13 for arm64, as it was read last\n"
        "  at   plugins/probe/manifest.yaml:6:21\n"
        "  why  no package of that name and none that provides it\n"
        '  fix  "libtoot" in place of "libtot"\n'
    )
    assert told('debian: {packages: ["libtot | tooter"]}\n', rule) == ""
    assert "libtot | nix is not in" in told('debian: {packages: ["libtot | nix"]}\n', rule)


@pytest.mark.parametrize(
    ("boards", "gpio", "fits"),
    [
        ("[]", "17", True),
        ("[]", "P9_22", True),
        ("[]", "[40, 4]", True),
        ("[]", "any", True),
        ("[]", "40", False),
        ("[]", "[40, 41]", False),
        ('["b,two"]', "17", False),
        ('["b,two", "a,one"]', "17", True),
        ('["c,unknown"]', "40", True),
    ],
)
def test_a_line_that_no_board_has(boards: str, gpio: str, fits: bool) -> None:
    """Of boards that nobody here knows nothing is said."""
    text = told(
        f"boards: {boards}\nhardware: {{signals: {{s: {{function: output, gpio: {gpio}}}}}}}\n",
        "line-nowhere",
    )
    assert (text == "") is fits


@pytest.mark.parametrize(
    ("claim", "free"),
    [
        ("function: input, gpio: 17", True),
        ("function: output, gpio: 17", True),
        ("function: servo, gpio: 17", True),
        ("function: servo, gpio: 17, backend: kernel", False),
        ("function: pwm, gpio: 18", False),
        ("function: led-string, gpio: 10", False),
        ("function: input, gpio: any", False),
        ("function: input, gpio: [17, 4]", False),
        ("function: input, header: [11]", False),
    ],
)
def test_a_line_that_is_fixed_without_need(claim: str, free: bool) -> None:
    """Lines of an add-on board, and functions that come out at some lines alone, need it."""
    text = told(f"hardware: {{signals: {{s: {{{claim}}}}}}}\n", "line-fixed")
    assert bool(text) is free
