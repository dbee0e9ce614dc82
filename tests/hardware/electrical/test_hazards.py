"""Lasers, mains, transmitters, straps: what can hurt or keep a board from starting."""

from __future__ import annotations

from pathlib import Path

import pytest

from robokit_plan.hardware import assign
from tests.hardware.build import board, instance, problem, signal
from tests.hardware.electric import planned, severity

BONE = "ti,am335x-bone-black"
LEPOTATO = "libretech,aml-s905x-cc"


@pytest.mark.parametrize(
    ("claim", "rule", "expected"),
    [
        # facts/electrical.yaml hazards: laser policy is a proposal
        (
            "{function: output, gpio: 17, drives: laser, hazard: laser, current-ma: 2}",
            "laser-class-unknown",
            "warning",
        ),
        ("{function: output, gpio: 17, drives: led}", "laser-class-unknown", "ok"),
        # mains: never a bare relay board
        (
            "{function: output, gpio: 17, drives: relay-module, hazard: mains}",
            "mains-bare-relay",
            "error",
        ),
        ("{function: output, gpio: 17, hazard: mains}", "mains-bare-relay", "ok"),
        # radio: clock pins used as a transmitter radiate harmonics
        ("{function: clock, gpio: 4, hazard: radio}", "clock-transmitter", "error"),
        ("{function: clock, gpio: 4}", "clock-transmitter", "ok"),
    ],
)
def test_hazard(claim: str, rule: str, expected: str, tmp_path: Path) -> None:
    """Things that can hurt people, as far as a manifest can declare them."""
    plan = planned(tmp_path, {"part": f"{{signals: {{out: {claim}}}}}"})
    assert severity(plan, rule) == expected


@pytest.mark.parametrize(
    ("board", "claim", "expected"),
    [
        # facts/boards_other.yaml rule boot_straps (VMAN_BB ch08 boot pins; gxl: from memory)
        (BONE, "{function: input, header: [P8_43], pull: up}", "error"),
        (BONE, "{function: output, header: [P8_31], drives: led}", "warning"),
        (BONE, "{function: input, header: [P8_12], pull: up}", "ok"),
        (LEPOTATO, '{function: input, header: ["15"], pull: up}', "warning"),
        (LEPOTATO, '{function: input, header: ["16"], pull: up}', "ok"),
    ],
)
def test_boot_straps(board: str, claim: str, expected: str, tmp_path: Path) -> None:
    """Lines that are read at reset must not be pulled or driven."""
    plan = planned(
        tmp_path,
        {"part": f"{{signals: {{button: {claim}}}}}"},
        board=board,
        robot="",
        bare=True,
    )
    assert severity(plan, "boot-strap") == expected


def test_plain_signals_keep_off_straps_while_others_are_free() -> None:
    """
    A claim that may go anywhere goes to an ordinary line, though a strap has fewer other uses.

    Source:
        as `test_boot_straps`; GPIO_TEST_N is read at reset.
    """
    lines = board(LEPOTATO).lines
    free = [lines[name] for name in assign(problem(LEPOTATO)).free.lines]
    plain = [line.name for line in free if not line.boot_strap and line.reserved is None]
    assert len(plain) < len(free)
    claims = [signal(f"s{at:02}", "input", "any") for at in range(len(plain))]
    answer = assign(problem(LEPOTATO, instance("a", *claims)))
    assert {str(one.resource) for one in answer.assignments} == {str(one) for one in plain}
