"""`wiring --format c-header`: one header per controller, made from lock or robot file."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Command

MCUS = """\
controllers:
  fin-mcu: {chip: rp2040, link: usb, usb-id: "2e8a:000a", inhibit: {pin: 15, active: low, stops: []}}
  mast-mcu: {chip: atmega328p, link: usb, usb-id: "2341:0043"}
"""
FIN = """\
hardware: {signals: {fin: {controller: fin-mcu, function: servo, pin: 4}}}
"""


def with_controllers(folder: Path, *names: str) -> None:
    robot = folder / "robot.yaml"
    listed = [line for line in MCUS.splitlines()[1:] if line.strip().split(":")[0] in names]
    text = robot.read_text("utf-8").replace("  - horn\n", "  - horn\n  - fin\n")
    robot.write_text(text + "\n".join(["controllers:", *listed, ""]), "utf-8")
    plugin = folder / "plugins" / "fin"
    plugin.mkdir()
    like = (folder / "plugins" / "mast" / "manifest.yaml").read_text("utf-8")
    head = like.replace("plugin: mast", "plugin: fin").partition("python:")[0]
    (plugin / "manifest.yaml").write_text(head + FIN, "utf-8")


def test_the_only_controller_needs_no_name(dinghy: Path, command: Command) -> None:
    with_controllers(dinghy, "fin-mcu")
    done = command("wiring", "--format", "c-header", "--out", "pins.h")
    assert (done.status, done.out) == (0, "")
    header = (dinghy / "pins.h").read_text("utf-8")
    assert "#define DINGHY_FIN_FIN_PIN 4\n" in header
    assert "#define DINGHY_INHIBIT_PIN 15\n" in header
    assert command("wiring", "--format", "c-header", "--controller", "fin-mcu").out == header


def test_one_of_several_is_named(dinghy: Path, command: Command) -> None:
    with_controllers(dinghy, "fin-mcu", "mast-mcu")
    done = command("wiring", "--format", "c-header")
    assert done.status == 2
    assert "which controller: fin-mcu, mast-mcu" in done.err
    done = command("wiring", "--format", "c-header", "--controller", "mast-mcu")
    assert done.status == 0
    assert '#define DINGHY_LINK_TO "usb 2341:0043"' in done.out
    assert "PIN" not in done.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--format", "c-header"), "no controller has a pin or a link in this plan"),
        (("--controller", "fin-mcu"), "--controller is for --format c-header alone"),
    ],
)
def test_wrong_use_is_said(
    dinghy: Path, command: Command, words: tuple[str, ...], said: str
) -> None:
    done = command("wiring", *words)
    assert done.status == 2
    assert said in done.err
    assert "Traceback" not in done.err


def test_an_unknown_controller_is_told_the_known_ones(dinghy: Path, command: Command) -> None:
    with_controllers(dinghy, "fin-mcu")
    done = command("wiring", "--format", "c-header", "--controller", "tail")
    assert done.status == 2
    assert "no controller is called tail" in done.err
    assert "controllers: fin-mcu" in done.err
