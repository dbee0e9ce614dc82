"""Whole findings about claims that cannot go together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from robokit_plan.hardware import HardwareAnswer, assign
from robokit_plan.model import Choice, Finding, LineName, PinId
from tests.hardware.build import (
    ANY,
    RPI4,
    RPI5,
    camera,
    i2c,
    i2s,
    instance,
    one_wire,
    port,
    problem,
    signal,
    spi,
    uart,
    wire,
)
from tests.hardware.checker import faults


def block(one: Finding) -> str:
    """Return a finding as the report prints it, in plain text."""
    rows = [f"{one.severity.value} {one.rule}: {one.message}"]
    rows += [f"  at   {place.origin}  {place.label}" for place in one.places]
    rows += [f"  why  {text}" for text in one.why]
    rows += [f"  fix  {text}" for text in one.repair]
    return "\n".join(rows)


def rules(answer: HardwareAnswer) -> list[str]:
    return [one.rule for one in answer.findings]


def test_two_claims_on_one_line() -> None:
    """A plain collision says exactly that, names both claimants and offers tested moves."""
    asked = problem(
        RPI4,
        instance("mast", signal("winch", "output", 17)),
        instance("leak-guard", signal("leak", "input", 17)),
    )
    answer = assign(asked)
    (found,) = answer.findings
    assert (
        block(found)
        == """\
error pin-collision: gpio17 is claimed twice
  at   plugins/leak-guard/manifest.yaml:10:7  leak-guard.leak as input
  at   plugins/mast/manifest.yaml:10:7  mast.winch as output
  why  one pin carries one function at a time (header position 11)
  fix  wiring: {mast.winch: gpio27}, or gpio22 or gpio23
  fix  wiring: {leak-guard.leak: gpio27}, or gpio22 or gpio23
  fix  robokit-plan disable leak-guard
  fix  robokit-plan disable mast"""
    )
    assert found.plugins == ("leak-guard", "mast")
    assert found.resource == "gpio17"
    assert [(one.instance, one.claim) for one in answer.assignments] == [("leak-guard", "leak")]
    assert faults(asked, answer) == []


def test_three_claims_on_one_line_are_one_finding() -> None:
    """Every claimant of a pin is reported, in one finding."""
    asked = problem(RPI4, *(instance(name, signal("a", "output", 17)) for name in ("x", "y", "z")))
    (found,) = assign(asked).findings
    assert found.message == "gpio17 is claimed three times"
    assert found.plugins == ("x", "y", "z")
    assert len(found.places) == 3


def test_independent_conflicts_are_all_found() -> None:
    """One report holds every conflict, not the first one."""
    asked = problem(
        RPI4,
        instance("a", signal("one", "output", 17), i2c("clock", "ds3231")),
        instance("b", signal("one", "output", 17), i2c("clock", "ds3231")),
        instance("c", camera("eye", "any")),
        instance("d", camera("eye", "any")),
    )
    assert sorted(rules(assign(asked))) == [
        "address-collision",
        "camera-collision",
        "pin-collision",
    ]


def test_a_claim_comes_back_where_a_later_one_gives_way() -> None:
    """
    The serial port meets two claims; it goes, so neither of them must.

    Each of both findings has repairs of its own: moving the one does not mend the other. What others
    are at odds about, elsewhere and found later, changes nothing.
    """
    asked = problem(
        RPI4,
        instance("a", uart("link")),
        instance("b", signal("one", "output", 14)),
        instance("c", signal("two", "output")),
        instance("y", signal("bell", "output", 26)),
        instance("z", signal("bell", "output", 26)),
        wiring=(wire("c.two", line="gpio15"),),
    )
    answer = assign(asked)
    link, one, two, bell = ("a", "link"), ("b", "one"), ("c", "two"), ("y", "bell")
    assert answer.conflicts == ((link, one), (link, two), (bell, ("z", "bell")))
    assert [(each.instance, each.claim) for each in answer.assignments] == [one, two, bell]
    assert [found.repair for found in answer.findings if "a" in found.plugins] == [
        (
            "wiring: {a.link: {port: uart3}}, or {port: uart5} or {port: uart4}",
            f"wiring: {{{moved}: gpio27}}, or gpio22 or gpio23",
            "robokit-plan disable a",
            f"robokit-plan disable {name}",
        )
        for name, moved in (("b", "b.one"), ("c", "c.two"))
    ]
    assert faults(asked, answer) == []


def test_address_collision_offers_strap_and_bus() -> None:
    """Expected clash: BNO055 at 0x29 meets VL53L0X (public list of I2C addresses)."""
    asked = problem(
        RPI4,
        instance("compass", i2c("imu", "bno055", addresses=(0x29,))),
        instance("ranger", i2c("eye", "vl53l0x")),
    )
    (found,) = assign(asked).findings
    assert found.message == "0x29 on i2c1 is claimed twice"
    assert found.resource == "i2c1 0x29"
    assert "wiring: {ranger.eye: {bus: i2c6}}, or {bus: i2c3} or {bus: i2c4}" in found.repair
    assert any(text.startswith("wiring: {compass.imu: {address: 0x28}}") for text in found.repair)


def test_free_strap_is_chosen() -> None:
    """A part with a second strap gives way by itself."""
    asked = problem(
        RPI4, instance("compass", i2c("imu", "bno055")), instance("ranger", i2c("eye", "vl53l0x"))
    )
    answer = assign(asked)
    assert answer.findings == ()
    assert [one.resource for one in answer.assignments] == ["i2c1 0x28", "i2c1 0x29"]


def test_same_address_moves_to_another_bus_only_where_free() -> None:
    """Two DS3231 have one fixed address: on `any` bus they part, on the default one they clash."""
    free = problem(RPI4, *(instance(name, i2c("clock", "ds3231", "any")) for name in ("a", "b")))
    answer = assign(free)
    assert answer.findings == ()
    assert len({one.bus for one in answer.assignments}) == 2
    fixed = problem(RPI4, *(instance(name, i2c("clock", "ds3231")) for name in ("a", "b")))
    assert rules(assign(fixed)) == ["address-collision"]


def test_three_pwm_on_two_channels() -> None:
    """Where only the number is wrong, all claims are named."""
    asked = problem(RPI4, *(instance(f"p{n}", signal("w", "pwm")) for n in range(3)))
    (found,) = assign(asked).findings
    assert found.rule == "assignment-impossible"
    assert found.plugins == ("p0", "p1", "p2")
    assert "PWM channels that they compete for: pwm0 channel 0, pwm0 channel 1" in found.why
    assert found.repair == tuple(f"robokit-plan disable p{n}" for n in range(3))


def test_unknown_line_names_its_neighbours() -> None:
    asked = problem(RPI4, instance("a", signal("x", "input", 71)))
    (found,) = assign(asked).findings
    assert found.rule == "line-missing"
    assert found.message == f"the header of {RPI4} has no line gpio71"
    assert found.repair[0].startswith("wiring: {a.x: gpio")


def test_a_position_meant_as_a_line_is_told_with_its_line() -> None:
    """Position 40 of the header carries GPIO21, 39 is ground (the maker's header drawing)."""
    asked = problem(RPI4, instance("a", signal("x", "input", 40)))
    (found,) = assign(asked).findings
    assert found.why == ("position 40 is gpio21",)
    asked = problem(RPI4, instance("a", signal("x", "input", 39)))
    assert assign(asked).findings[0].why == ("position 39 is ground",)


def test_line_without_pwm() -> None:
    """Source of the lines: vendor pin function tables (12, 13, 18, 19)."""
    asked = problem(RPI4, instance("a", signal("x", "pwm", 17)))
    (found,) = assign(asked).findings
    assert found.rule == "function-missing"
    assert set(found.why[0].split("lines with one: ")[1].split(", ")) == {
        "gpio12", "gpio13", "gpio18", "gpio19",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("claims", "rule", "resource"),
    [
        ((uart("u"), uart("u")), "uart-collision", "uart1"),
        ((spi("s"), spi("s")), "select-collision", "spi0 select 0"),
        ((camera("c"), camera("c")), "camera-collision", "camera cam0"),
        ((i2s("a"), i2s("a")), "bus-collision", "pcm"),
        ((i2c("c", "ds3231"), i2c("c", "ds1307")), "address-collision", "i2c1 0x68"),
        (
            (signal("p", "pwm", 12), signal("p", "pwm", 18)),
            "channel-collision",
            "pwm0 channel 0",
        ),
        (
            (signal("p", "output", positions=(PinId("12"),)),) * 2,
            "position-collision",
            "gpio18",
        ),
    ],
)
def test_rule_by_cause(claims: tuple[Any, Any], rule: str, resource: str) -> None:
    """The rule names what is contested, however the claims were written."""
    asked = problem(RPI4, instance("a", claims[0]), instance("b", claims[1]))
    answer = assign(asked)
    (found,) = answer.findings
    assert (found.rule, found.resource) == (rule, resource)
    assert found.plugins == ("a", "b")
    assert faults(asked, answer) == []


def test_wiring_moves_and_fixes() -> None:
    asked = problem(
        RPI4,
        instance("mast", signal("winch", "output", 17)),
        instance("leak-guard", signal("leak", "input", 17)),
        wiring=(wire("mast.winch", line=LineName("gpio22")),),
    )
    answer = assign(asked)
    assert answer.findings == ()
    assert {one.instance: one.resource for one in answer.assignments} == {
        "leak-guard": "gpio17",
        "mast": "gpio22",
    }


def test_claims_that_are_alike_keep_their_own_wiring() -> None:
    asked = problem(
        RPI4,
        instance("mast", signal("lamp", "output")),
        instance("stern", signal("lamp", "output")),
        wiring=(
            wire("mast.lamp", line=LineName("gpio22")),
            wire("stern.lamp", line=LineName("gpio23")),
        ),
    )
    answer = assign(asked)
    assert answer.findings == ()
    assert {one.instance: one.resource for one in answer.assignments} == {
        "mast": "gpio22",
        "stern": "gpio23",
    }


def test_what_an_assignment_notes_is_the_connector() -> None:
    """The board's sockets are called CAM0 and up; a plain line and a bus need no second name."""
    asked = problem(RPI4, instance("p", camera("eye"), signal("lamp", "output", 17), uart("port")))
    assert {one.claim: one.note for one in assign(asked).assignments} == {
        "eye": "cam0",
        "lamp": "",
        "port": "",
    }


def test_optional_claim_is_left_out_with_a_note() -> None:
    asked = problem(
        RPI4,
        instance("a", signal("x", "output", 17)),
        instance("b", signal("lamp", "output", 17, optional=True)),
    )
    answer = assign(asked)
    assert rules(answer) == ["optional-left-out"]
    assert answer.left_out == (("b", "lamp"),)
    assert faults(asked, answer) == []


def test_share_owns_one_line_together() -> None:
    asked = problem(
        RPI4,
        instance("a", signal("lamp", "output", share="lamp")),
        instance("b", signal("lamp", "output", share="lamp")),
    )
    answer = assign(asked)
    assert answer.findings == ()
    one, two = answer.assignments
    assert one.resource == two.resource
    assert one.lines[0].shared


def test_share_with_another_function_collides() -> None:
    asked = problem(
        RPI4,
        instance("a", signal("lamp", "output", 17, share="lamp")),
        instance("b", signal("lamp", "input", 17, share="lamp")),
    )
    assert rules(assign(asked)) == ["pin-collision"]


def test_variant_is_the_first_that_fits() -> None:
    """Design section 3: variants are tried in their order; the wish of the robot file holds."""
    lights = {
        "spi": [signal("data", "led-string", 10)],
        "pwm": [signal("data", "led-string", [12, 18])],
    }
    alone = problem(RPI4, instance("n", variants=lights))
    assert assign(alone).variants == {"n": "spi"}
    beside = problem(RPI4, instance("n", variants=lights), instance("radio", spi("chip")))
    assert assign(beside).variants == {"n": "pwm", "radio": None}
    wished = problem(
        RPI4, instance("n", variants=lights, wish="spi"), instance("radio", spi("chip"))
    )
    (found,) = assign(wished).findings
    assert found.rule == "bus-collision"
    assert "variant: {n: pwm}" in found.repair


def test_a_wired_line_says_which_variant_is_meant() -> None:
    """Wiring may move any claim, but a line that one variant lists means that variant."""
    lamps = {
        "fore": [signal("lamp", "output", [5, 6])],
        "aft": [signal("lamp", "output", 22)],
    }
    asked = problem(
        RPI4, instance("n", variants=lamps), wiring=(wire("n.lamp", line=LineName("gpio22")),)
    )
    assert assign(asked).variants == {"n": "aft"}


def test_analogue_inputs() -> None:
    """P9 39, 40 and 37 are AIN0, 1 and 2: system reference manual of the board, expansion header P9."""
    board = "ti,am335x-bone-black"

    def got(*claims: Any, **more: Any) -> dict[str, str]:
        answer = assign(problem(board, instance("p", *claims), **more))
        assert answer.findings == ()
        return {one.claim: one.resource for one in answer.assignments}

    listed = replace(signal("a", "analog"), lines=Choice(options=("AIN1", "AIN0")))
    placed = replace(signal("b", "analog"), positions=(PinId("P9_40"),))
    assert got(listed) == {"a": "AIN1"}  # a list is an order of preference
    assert got(listed, placed) == {"a": "AIN0", "b": "AIN1"}
    at = wire("p.a", position=PinId("P9_37"))
    assert got(listed, wiring=(at,)) == {"a": "AIN2"}
    named = wire("p.a", line=LineName("AIN0"))
    assert got(listed, wiring=(named,)) == {"a": "AIN0"}


def test_port_lines_are_for_what_is_plugged_in() -> None:
    ports = (port("P4", "5V", {"io": "gpio22"}), port("P5", "5V", {"io": "gpio23"}))
    asked = problem(
        RPI4,
        instance("leak-guard", signal("leak", "input", port_kind="5V")),
        instance("mast", signal("winch", "output", 22)),
        ports=ports,
    )
    answer = assign(asked)
    (found,) = answer.findings
    assert found.rule == "pin-collision"
    assert found.message == "gpio22 belongs to port P4"
    (leak,) = answer.assignments
    assert (leak.resource, leak.port) == ("gpio22", "P4")


def test_full_ports_name_all_claims() -> None:
    ports = (port("P4", "5V", {"io": "gpio22"}),)
    asked = problem(
        RPI4,
        instance("a", signal("x", "input", port_kind="5V")),
        instance("b", signal("x", "input", port_kind="5V")),
        ports=ports,
    )
    (found,) = assign(asked).findings
    assert (found.rule, found.message) == ("port-full", "port P4 is full")
    assert found.plugins == ("a", "b")


def test_probes_share_one_line() -> None:
    asked = problem(RPI4, *(instance(name, one_wire("probe")) for name in ("a", "b")))
    answer = assign(asked)
    assert answer.findings == ()
    assert {one.resource for one in answer.assignments} == {"gpio4"}


def test_device_behind_a_multiplexer() -> None:
    """Behind different channels one address may repeat, in front of the multiplexer it may not."""
    from robokit_plan.model import ClaimName, Mux

    def behind(channel: int) -> Mux:
        return Mux(claim=ClaimName("mux"), channel=channel)

    fine = problem(
        RPI4,
        instance(
            "array",
            i2c("mux", "tca9548a", "any"),
            i2c("left", "vl53l0x", behind=behind(0)),
            i2c("right", "vl53l0x", behind=behind(1)),
        ),
    )
    answer = assign(fine)
    assert answer.findings == ()
    assert faults(fine, answer) == []
    front = problem(RPI4, *fine.instances, instance("eye", i2c("eye", "vl53l0x")))
    moved = assign(front)
    assert moved.findings == ()
    assert len({one.bus for one in moved.assignments}) == 2
    fixed = problem(
        RPI4,
        instance("array", i2c("mux", "tca9548a"), i2c("left", "vl53l0x", behind=behind(0))),
        instance("eye", i2c("eye", "vl53l0x")),
    )
    assert rules(assign(fixed)) == ["address-collision"]


def test_small_uart_has_no_parity() -> None:
    asked = problem(RPI4, instance("gps", uart("port", parity="even")))
    (found,) = assign(asked).findings
    assert found.rule == "uart-collision"
    assert not any("disable-bt" in text for text in found.repair)
    (found,) = assign(replace(asked, boot=asked.board.boot["vendor"])).findings
    assert (
        "dtoverlay=disable-bt   in /boot/firmware/config.txt, which switches Bluetooth off"
        in found.repair
    )
    freed = problem(
        RPI4, instance("gps", uart("port", parity="even")), freed=frozenset({"bluetooth"})
    )
    answer = assign(freed)
    assert answer.findings == ()
    assert answer.assignments[0].resource == "uart0"


def test_identification_lines_earn_a_warning() -> None:
    asked = problem(RPI4, instance("a", signal("x", "input", 0)))
    (found,) = assign(asked).findings
    assert (found.rule, found.severity.value) == ("reserved-line", "warning")


def test_free_choice_keeps_special_lines() -> None:
    """Plain signals leave buses, PWM and identification lines to those who need them."""
    asked = problem(RPI4, *(instance(f"p{n}", signal("x", "input")) for n in range(6)))
    lines = {one.resource for one in assign(asked).assignments}
    assert not lines & {"gpio0", "gpio1", "gpio2", "gpio3", "gpio14", "gpio15", "gpio10", "gpio11"}


def test_hazard_gets_a_line_that_is_off_at_reset() -> None:
    """Source of the pulls at reset: 0 to 8 up, 9 to 27 down (vendor tool, pull table)."""
    from robokit_plan.model import Hazard, Pull

    asked = problem(
        RPI4,
        instance("saw", signal("enable", "output", [5, 6, 22], hazard=Hazard.MOTION)),
        instance("winch", signal("enable", "output", hazard=Hazard.MOTION)),
    )
    answer = assign(asked)
    lines = {str(one.instance): one.lines[0].line for one in answer.assignments}
    assert lines["saw"] == "gpio5"  # a list is an order of preference, the builder's own
    assert asked.board.lines[lines["winch"]].pull_at_reset is Pull.DOWN


def test_two_dies_of_i2s_on_the_newer_board() -> None:
    """RP1 has one instance that makes the clock and one that follows (vendor device tree)."""
    for clock, bus in (("board", "i2s0"), ("device", "i2s1")):
        asked = problem(RPI5, instance("mic", i2s("in", clock=clock)))
        assert assign(asked).assignments[0].bus == bus


def test_empty_problem() -> None:
    assert assign(problem(RPI4)).assignments == ()
    assert ANY.any
