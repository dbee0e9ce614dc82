"""What lint calls an error of an enabled plugin or the robot file keeps the robot from being built."""

from __future__ import annotations

import json
from collections.abc import Mapping

import pytest

from robokit_plan.cli import main
from tests.cli.skiff import Skiff

BROKEN: Mapping[str, tuple[str, str, Mapping[str, str]]] = {
    "code gone": ("behaviour-missing", "behaviour: mast.mast:Mast\n", {}),
    "class misspelt": (
        "behaviour-missing",
        "behaviour: mast:Mats\n",
        {"mast.py": "class Mast: ...\n"},
    ),
    "asset without hash": (
        "asset-unhashed",
        'machine: {assets: [{url: "https://models.example/a.onnx", path: a.onnx, license: MIT}]}\n',
        {},
    ),
    "default out of bounds": (
        "setting-default-invalid",
        "settings: {leds: {type: integer, default: 0, min: 1}}\n",
        {},
    ),
    "token": (
        "secret-plain",
        f"x-note: ghp_{'a1' * 18}\n",
        {},
    ),
}


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main([*words])
    return int(left.value.code or 0), capsys.readouterr().out


@pytest.mark.parametrize("case", sorted(BROKEN))
def test_an_error_of_lint_is_one_of_each_command(
    skiff: Skiff, case: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status, text and JSON of check, lock and wiring agree with lint; disabled, it is no error."""
    rule, manifest, files = BROKEN[case]
    skiff.plugin("mast", manifest)
    for name, text in files.items():
        skiff.write(f"plugins/mast/{name}", text)
    robot = (skiff.root / "robot.yaml").read_text("utf-8")
    capsys.readouterr()
    status, text = run(capsys, "check")
    assert (status, f"error {rule}" in text) == (0, False), text
    status, text = run(capsys, "enable", "mast", "--dry-run")
    assert (status, text.count(f"error {rule}")) == (1, 1), text
    (skiff.root / "robot.yaml").write_text(robot.replace("enabled: [", "enabled: [mast, "), "utf-8")
    status, text = run(capsys, "lint", ".")
    assert (status, text.count(f"error {rule}")) == (1, 1), text
    for command in ("check", "wiring"):
        status, text = run(capsys, command)
        assert (status, text.count(f"error {rule}")) == (1, 1), text
    status, text = run(capsys, "check", "--json")
    found = [one["rule"] for one in json.loads(text)["findings"] if one["severity"] == "error"]
    assert (status, found) == (1, [rule])
    status, _ = run(capsys, "lock")
    assert status == 1


def test_a_standard_module_that_the_target_lacks(
    skiff: Skiff, capsys: pytest.CaptureFixture[str]
) -> None:
    """
    The release's Python decides; a guarded import is no need.

    Source: What's New In Python 3.13, section Removed Modules And APIs (PEP 594: telnetlib).
    """
    robot = (skiff.root / "robot.yaml").read_text("utf-8")
    skiff.plugin("mast", "behaviour: mast:Mast\n")
    skiff.write("plugins/mast/mast.py", "import telnetlib\nclass Mast: ...\n")
    skiff.write("robot.yaml", robot.replace("enabled: [", "enabled: [mast, "))
    status, text = run(capsys, "check")
    assert status == 1
    assert "error module-removed: mast imports telnetlib, which Python 3.13 no longer has" in text
    assert "plugins/mast/mast.py:1:" in text
    skiff.write(
        "plugins/mast/mast.py",
        "try:\n    import telnetlib\nexcept ImportError:\n    telnetlib = None\nclass Mast: ...\n",
    )
    assert run(capsys, "check")[0] == 0
