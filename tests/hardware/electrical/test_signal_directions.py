"""Which way a signal goes, seen from the board."""

from __future__ import annotations

from typing import Any

from robokit_plan.hardware import assign
from robokit_plan.hardware.electrical.signal_directions import with_ends
from robokit_plan.model import (
    Assignment,
    ClaimName,
    Direction,
    InstanceName,
    LineName,
    LineUse,
    ResourceName,
)
from tests.hardware.build import RPI4, instance, one_wire, problem, signal, uart

IN, OUT, BOTH = Direction.IN, Direction.OUT, Direction.BOTH


def directions(*claims: Any) -> dict[str, dict[str, Direction | None]]:
    answer = assign(problem(RPI4, instance("p", *claims)))
    assert answer.findings == ()
    by_key = {(InstanceName("p"), ClaimName(one.key.name)): one for one in claims}
    return {
        one.claim: {use.signal: use.direction for use in one.lines}
        for one in with_ends(answer.assignments, by_key)
    }


def test_signals_ports_and_one_wire() -> None:
    """An input is read, an output driven; TX leaves the board; a 1-Wire line does both in turn."""
    assert directions(
        signal("float", "input", 17), signal("lamp", "output", 27), one_wire("probe"), uart("gnss")
    ) == {
        "float": {"float": IN},
        "lamp": {"lamp": OUT},
        "probe": {"data": BOTH},
        "gnss": {"tx": OUT, "rx": IN},
    }


def test_an_inhibit_switch_is_read() -> None:
    """The companion looks at the switch, whatever a claim of that name says."""
    use = LineUse(signal="inhibit", line=LineName("15"), position=None)
    switch = Assignment(
        instance=InstanceName("fin-mcu"),
        claim=ClaimName("inhibit"),
        section="controllers",
        resource=ResourceName("fin-mcu pin 15"),
        lines=(use,),
        function="inhibit",
    )
    (made,) = with_ends([switch], {})
    assert made.lines[0].direction is IN
