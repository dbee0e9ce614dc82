"""Companions, links, sound, USB and ports: claims beside the header's lines."""

from __future__ import annotations

from typing import Any

import pytest

from robokit_plan.hardware import Chip, HardwareAnswer, assign
from robokit_plan.model import (
    AudioClaim,
    Choice,
    Controller,
    ControllerName,
    Inhibit,
    Origin,
    PortClaim,
    RoleName,
    UsbClaim,
)
from tests.hardware.build import (
    RPI3,
    RPI4,
    RPI5,
    i2c,
    instance,
    key,
    port,
    problem,
    signal,
    uart,
    wire,
)
from tests.hardware.checker import faults

HERE = Origin(file="robot.yaml", line=44, column=5)

CHIP = Chip(
    name="rp2040",
    pins=("gpio0", "gpio1", "gpio2", "gpio26"),
    functions={"gpio26": frozenset({"input", "output"})},
    special={"gpio0": "its serial port"},
    aliases={str(number): f"gpio{number}" for number in range(30)},
)


def companion(**kwargs: Any) -> dict[ControllerName, Controller]:
    return {
        ControllerName("fin-mcu"): Controller(
            name=ControllerName("fin-mcu"),
            chip="rp2040",
            origin=Origin(file="robot.yaml", line=40, column=3),
            **kwargs,
        )
    }


def on_mcu(name: str, function: str, pin: Any = "any", **kwargs: Any) -> Any:
    options = Choice(any=True) if pin == "any" else Choice(options=(str(pin),))
    return signal(name, function, controller=RoleName("hull-mcu"), pins=options, **kwargs)


ROLES = {RoleName("hull-mcu"): "fin-mcu"}


def rules(answer: HardwareAnswer) -> list[str]:
    return [one.rule for one in answer.findings]


def test_the_pin_of_the_inhibit_switch_is_nobody_elses() -> None:
    """Whatever the robot file calls it: ``2`` is gpio2."""
    switch = Inhibit(pin="2", active="low", stops=("fin",), origin=HERE)
    asked = problem(
        RPI4,
        instance("helm", *(on_mcu(f"servo-{one}", "servo") for one in "abc")),
        controllers=companion(link="usb", inhibit=switch),
        roles=ROLES,
        chips={"rp2040": CHIP},
    )
    answer = assign(asked)
    assert {one.resource for one in answer.assignments} == {
        "fin-mcu pin gpio0",
        "fin-mcu pin gpio1",
    }
    assert len(answer.conflicts) == 1


def test_pins_of_a_companion_are_distinct() -> None:
    asked = problem(
        RPI4,
        instance("helm", on_mcu("rudder", "servo"), on_mcu("light", "output")),
        instance("sampler", on_mcu("lid", "servo", 1)),
        controllers=companion(link="usb"),
        roles=ROLES,
        chips={"rp2040": CHIP},
    )
    answer = assign(asked)
    assert answer.findings == ()
    pins = {f"{one.instance}.{one.claim}": one.lines[0].line for one in answer.assignments}
    assert pins["sampler.lid"] == "gpio1"
    assert pins["helm.rudder"] == "gpio2"
    assert pins["helm.light"] == "gpio26"  # the last that is left but for a special one
    assert all(one.lines[0].position is None for one in answer.assignments)
    assert faults(asked, answer) == []


def test_two_claims_on_one_pin_of_a_companion() -> None:
    asked = problem(
        RPI4,
        instance("a", on_mcu("x", "servo", 2)),
        instance("b", on_mcu("x", "servo", 2)),
        controllers=companion(link="usb"),
        roles=ROLES,
        chips={"rp2040": CHIP},
    )
    (found,) = assign(asked).findings
    assert (found.rule, found.resource) == ("pin-collision", "fin-mcu pin gpio2")
    assert found.repair[0].startswith("wiring: {b.x: {pin: gpio1}}")


def test_pin_that_cannot() -> None:
    asked = problem(
        RPI4,
        instance("a", on_mcu("x", "servo", 26)),
        controllers=companion(link="usb"),
        roles=ROLES,
        chips={"rp2040": CHIP},
    )
    assert rules(assign(asked)) == ["function-missing"]


def test_missing_companion() -> None:
    asked = problem(RPI4, instance("a", on_mcu("x", "servo")))
    assert rules(assign(asked)) == ["controller-missing"]


def test_link_takes_its_serial_port() -> None:
    """A companion on the header's UART owns that port like a plugin does."""
    asked = problem(RPI4, instance("gps", uart("port")), controllers=companion(link="uart1"))
    answer = assign(asked)
    (found,) = answer.findings
    assert found.rule == "uart-collision"
    assert found.plugins == ("gps",)
    assert [place.label for place in found.places] == [
        "gps.port as UART device",
        "fin-mcu linked by uart1",
    ]
    (link,) = answer.links
    assert (link.instance, link.bus) == ("fin-mcu", "uart1")


def test_link_on_i2c_has_an_address() -> None:
    asked = problem(
        RPI4,
        instance("clock", i2c("rtc", "ds3231")),
        controllers=companion(link="i2c1", address=0x68),
    )
    (found,) = assign(asked).findings
    assert (found.rule, found.resource) == ("address-collision", "i2c1 0x68")


def test_link_on_i2c_shares_its_bus() -> None:
    """I2C is a bus of many (NXP UM10204): a companion and a part with two addresses, one pair of lines."""
    asked = problem(
        RPI4,
        instance("clock", i2c("rtc", "ds3231", bus="i2c1")),
        controllers=companion(link="i2c1", address=0x42),
    )
    answer = assign(asked)
    assert answer.findings == ()
    (link,) = answer.links
    assert link.resource == "i2c1 0x42"


def sound(name: str, via: str | None = None, direction: str = "out") -> AudioClaim:
    choice = (
        Choice()
        if via is None
        else Choice(any=via == "any", options=() if via == "any" else (via,))
    )
    return AudioClaim(key=key(name), direction=direction, via=choice)


@pytest.mark.parametrize(
    ("board", "clash"),
    [(RPI3, True), (RPI4, False)],
    # source: overlays README, pwm note 2: on the older SoC the jack is PWM block 0; the device
    # tree of the newer one puts it on block 1.
)
def test_jack_and_pwm(board: str, clash: bool) -> None:
    asked = problem(
        board, instance("horn", sound("horn", "analog")), instance("fan", signal("x", "pwm", 18))
    )
    assert rules(assign(asked)) == (["channel-collision"] if clash else [])


def test_sound_by_any_way() -> None:
    """A board without a jack sends sound another way; a second player takes the next one."""
    asked = problem(RPI5, *(instance(name, sound("horn", "any")) for name in ("a", "b")))
    answer = assign(asked)
    assert answer.findings == ()
    assert [one.resource for one in answer.assignments] == ["audio hdmi", "audio i2s"]


def test_no_jack() -> None:
    asked = problem(RPI5, instance("a", sound("horn", "analog")))
    (found,) = assign(asked).findings
    assert found.rule == "audio-missing"
    assert found.repair[0] == "wiring: {a.horn: {via: hdmi}}, or {via: i2s} or {via: usb}"


def test_usb_devices_of_one_id_differ_by_serial() -> None:
    def stick(serial: str | None) -> UsbClaim:
        return UsbClaim(key=key("stick"), id="0bda:2838", serial=serial)

    apart = problem(RPI4, instance("a", stick("1")), instance("b", stick("2")))
    assert assign(apart).findings == ()
    for first, second in (("1", None), (None, None), ("1", "1")):
        same = problem(RPI4, instance("a", stick(first)), instance("b", stick(second)))
        assert rules(assign(same)) == ["usb-collision"]


def test_ports_with_count_and_wiring() -> None:
    """A port takes as many plugs as it says; what needs power alone takes one without lines."""
    ports = (
        port("P1", "5V", {"io": "gpio22"}),
        port("P2", "5V", count=2),
        port("P3", "i2c", bus="i2c1"),
    )
    asked = problem(
        RPI4,
        *(instance(f"pump{n}", PortClaim(key=key("plug"), kind="5V")) for n in range(2)),
        instance("leak", signal("wire", "input", port_kind="5V")),
        instance("imu", i2c("chip", "bno055", port_kind="i2c")),
        ports=ports,
        wiring=(wire("imu.chip", port="P3"),),
    )
    answer = assign(asked)
    assert answer.findings == ()
    assert {one.instance: one.port for one in answer.assignments} == {
        "pump0": "P2",
        "pump1": "P2",
        "leak": "P1",
        "imu": "P3",
    }
    assert answer.free.ports == {}
    assert faults(asked, answer) == []


def test_port_of_another_kind() -> None:
    asked = problem(
        RPI4,
        instance("imu", i2c("chip", "bno055", port_kind="i2c")),
        ports=(port("P3", "5V"),),
        wiring=(wire("imu.chip", port="P3"),),
    )
    assert rules(assign(asked)) == ["port-missing"]


def test_two_lines_of_one_plugin_share_a_plug() -> None:
    ports = (port("P1", "encoder", {"a": "gpio5", "b": "gpio6"}),)
    asked = problem(
        RPI4,
        instance(
            "wheel",
            signal("a", "input", port_kind="encoder"),
            signal("b", "input", port_kind="encoder"),
        ),
        ports=ports,
    )
    answer = assign(asked)
    assert answer.findings == ()
    assert {one.claim: one.resource for one in answer.assignments} == {"a": "gpio5", "b": "gpio6"}


def test_busy_bus_stays_with_its_part() -> None:
    """Source: device tree of that board, i2c7 route m0 carries the audio codec."""
    asked = problem("radxa,rock-5b", instance("imu", i2c("chip", "bno055", "i2c7 m3")))
    (found,) = assign(asked).findings
    assert found.rule == "stock-claim"
    assert found.message == "i2c7 serves audio codec on the board"
    assert found.resource == "i2c7"


def test_same_address_behind_two_multiplexers_is_noted() -> None:
    from robokit_plan.model import ClaimName, Mux

    def array(name: str) -> Any:
        return instance(
            name,
            i2c("mux", "tca9548a"),
            i2c("cell", None, addresses=(0x48,), behind=Mux(claim=ClaimName("mux"), channel=0)),
        )

    answer = assign(problem(RPI4, array("a"), array("b")))
    assert rules(answer) == ["address-behind-twice"]
    assert {one.resource for one in answer.assignments if one.claim == "mux"} == {
        "i2c1 0x70",
        "i2c1 0x71",
    }
