"""Findings that no robot's files alone bring about, word for word."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

from robokit_plan.app import planning
from robokit_plan.edge.robots import parse_robot
from robokit_plan.hardware import assign
from robokit_plan.model import Snapshot
from robokit_plan.render import render_findings_text
from tests.hardware.build import board, i2c, instance, problem, uart

ROCK = "radxa,rock-5b"


def test_address_missing() -> None:
    """The schema asks for part or address; what is made by other means is told here."""
    answer = assign(problem("raspberrypi,4-model-b", instance("probe", i2c("ph"))))
    assert render_findings_text(answer.findings) == (
        "error address-missing: probe.ph has no address\n"
        "  at   plugins/probe/manifest.yaml:10:7   probe.ph as I2C device\n"
        "  why  without a known part the address must be given\n"
        "  fix  address: 0x40 in the manifest, as strapped\n"
        "  fix  robokit-plan disable probe\n"
    )


def test_console_line() -> None:
    """A builder has taken the kernel's console away; the boot loader prints all the same."""
    bare = replace(board(ROCK), default_claims=())
    asked = replace(
        problem(ROCK, instance("position", uart("gnss", "uart2"))),
        board=bare,
    )
    answer = assign(asked)
    assert render_findings_text(answer.findings) == (
        "warning console-line: the boot loader prints on GPIO0_B5 and GPIO0_B6 before any program "
        "runs\n"
        "  at   plugins/position/manifest.yaml:10:7   position.gnss as UART device\n"
        "  why  what hangs there sees this text at every start\n"
        "  fix  robokit-plan suggest position.gnss   lists other places\n"
    )


def test_debian_unplanned() -> None:
    """Where nobody names a mirror: a plan without its Debian part says so."""
    robot, _ = parse_robot(
        'format: 1\nrobot: case\nboard: "raspberrypi,4-model-b"\nsystem: {}\n', "robot.yaml"
    )
    assert robot is not None
    world: Any = SimpleNamespace(snapshot=Snapshot(), debian_reason="apt names no mirror")
    (one,) = planning._unplanned(robot, world)
    assert render_findings_text((one,)) == (
        "warning debian-unplanned: the Debian part is not planned\n"
        "  at   robot.yaml:4:1\n"
        "  why  apt names no mirror\n"
        '  fix  system: {mirror: "https://mirror.example/debian"}   in robot.yaml, with a mirror '
        "near you\n"
    )
