"""Where the machine puts what was assigned, against aliases of published device trees."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge.facts import board_ids, read_board
from robokit_plan.hardware import assign
from robokit_plan.hardware.boot.device_paths import udev_rules, with_devices
from robokit_plan.model import (
    Active,
    Assignment,
    Backend,
    CameraClaim,
    Choice,
    ClaimName,
    Controller,
    ControllerName,
    Hertz,
    Inhibit,
    InstanceName,
    LineName,
    Mux,
    Origin,
    Pull,
    ResourceName,
    RoleName,
    UsbClaim,
    is_udev_rule,
)
from tests.hardware.build import (
    RPI3,
    RPI4,
    RPI5,
    i2c,
    instance,
    key,
    one_wire,
    problem,
    signal,
    spi,
    uart,
)

HERE = Origin(file="robot.yaml", line=9, column=3)


def devices(
    board: str, *claims: Any, image: str = "vendor", controllers: Any = None, **more: Any
) -> dict[str, Assignment]:
    asked = problem(board, instance("p", *claims), controllers=controllers or {}, **more)
    answer = assign(asked)
    assert answer.conflicts == ()
    by_key = {(InstanceName("p"), ClaimName(one.key.name)): one for one in claims}
    made = with_devices(
        answer.assignments + answer.links, by_key, asked.board, image, asked.controllers
    )
    return {f"{one.instance}.{one.claim}": one for one in made}


def device(board: str, claim: Any, **more: Any) -> str | None:
    return devices(board, claim, **more)["p.x"].device


# sources: aliases in raspberrypi/linux bcm270x-rpi.dtsi @ 1f52077, bcm2711-rpi-ds.dtsi @ 0172c43,
# bcm2712-rpi.dtsi @ 01a175b; pull 5436 there (ttyAMA numbers follow them); serial0:
# RPi-Distro/raspberrypi-sys-mods 99-com.rules; Debian: linux-image 6.1.176-1 and 6.12.117-1,
# aliases of bcm2711-rpi-4-b.dtb, bcm2837-rpi-3-b.dtb, rk3588-rock-5b.dtb, am335x-boneblack.dtb.
@pytest.mark.parametrize(
    ("board", "image", "bus", "path"),
    [
        (RPI4, "vendor", "uart1", "/dev/serial0"),
        (RPI4, "vendor", "uart3", "/dev/ttyAMA3"),
        (RPI4, "vendor", "uart5", "/dev/ttyAMA5"),
        (RPI4, "debian", "uart1", "/dev/ttyS1"),
        (RPI4, "debian", "uart3", None),
        (RPI3, "vendor", "uart1", "/dev/serial0"),
        (RPI3, "debian", "uart1", "/dev/ttyS1"),
        ("raspberrypi,2-model-b", "vendor", "uart0", "/dev/serial0"),
        (RPI5, "vendor", "uart0", "/dev/ttyAMA0"),
        (RPI5, "vendor", "uart4", "/dev/ttyAMA4"),
        (RPI5, "debian", "uart0", None),
        ("radxa,rock-5b", "debian", "uart7", "/dev/ttyS7"),
        ("ti,am335x-bone-black", "debian", "uart4", "/dev/ttyS4"),
        ("libretech,aml-s905x-cc", "debian", "uart_a", None),
        ("libretech,aml-s905x-cc", "vendor", "uart_a", None),
    ],
)
def test_a_serial_port(board: str, image: str, bus: str, path: str | None) -> None:
    assert device(board, uart("x", port=bus), image=image) == path


@pytest.mark.parametrize(
    ("board", "image", "bus", "path"),
    [
        (RPI4, "vendor", "i2c1", "/dev/i2c-1"),
        (RPI4, "vendor", "i2c6", "/dev/i2c-6"),
        (RPI4, "debian", "i2c1", None),  # no alias: the number follows the order of start-up
        (RPI5, "vendor", "i2c3", "/dev/i2c-3"),
        ("radxa,rock-5b", "debian", "i2c8", "/dev/i2c-8"),
        ("ti,am335x-bone-black", "vendor", "i2c2", "/dev/i2c-2"),
        (RPI4, "file:image/base.status", "i2c1", None),
    ],
)
def test_an_i2c_bus(board: str, image: str, bus: str, path: str | None) -> None:
    assert device(board, i2c("x", addresses=(0x29,), bus=bus), image=image) == path


@pytest.mark.parametrize(
    ("board", "image", "bus", "select", "path"),
    [
        (RPI4, "vendor", "spi0", "1", "/dev/spidev0.1"),
        (RPI4, "vendor", "spi1", "2", "/dev/spidev1.2"),
        (RPI4, "debian", "spi0", "0", "/dev/spidev0.0"),
        (RPI5, "vendor", "spi0", "0", "/dev/spidev0.0"),
        ("radxa,rock-5b", "debian", "spi0", "0", None),  # no spidev node in that tree
    ],
)
def test_a_chip_select(board: str, image: str, bus: str, select: str, path: str | None) -> None:
    claim = spi("x", bus=bus, select=select)
    assert device(board, claim, image=image) == path


# sources: reg and ranges of pwm@7e20c000 in the trees named above and in bcm2835-rpi-zero.dtb;
# rp1.dtsi @ 09c8f7b (98000 beside serial@30000, whose log name is 1f00030000.serial: issue 6365).
@pytest.mark.parametrize(
    ("board", "line", "folder"),
    [
        (RPI4, "gpio12", "fe20c000.pwm"),
        (RPI3, "gpio12", "3f20c000.pwm"),
        ("raspberrypi,model-zero", "gpio12", "2020c000.pwm"),
        (RPI5, "gpio12", "1f00098000.pwm"),
        ("radxa,rockpi4a", "GPIO4_C6", "ff420010.pwm"),
        ("radxa,rock-5b", "GPIO3_C3", "febf0030.pwm"),
    ],
)
def test_a_pwm_channel_is_found_by_its_block(board: str, line: str, folder: str) -> None:
    claim = signal("x", "pwm", line)
    assert device(board, claim) == f"/sys/bus/platform/devices/{folder}/pwm"


def test_a_servo_of_the_kernel_has_a_channel_and_one_of_a_library_a_line() -> None:
    made = devices(
        RPI4,
        signal("x", "servo", 12, backend=Backend.KERNEL),
        signal("y", "servo", 17, backend=Backend.LIBRARY),
    )
    assert (made["p.x"].channel, made["p.x"].device) == (
        "pwm0 channel 0",
        "/sys/bus/platform/devices/fe20c000.pwm/pwm",
    )
    assert made["p.x"].lines[0].chip is None
    assert (made["p.y"].device, made["p.y"].lines[0].chip) == (None, "pinctrl-bcm2711")


# sources: gpiochip labels and lines of facts about the families; rockchip: bank and A0,B8,C16,D24
# (kernel pinctrl-rockchip); am335x: label gpio-<first>-<last> (kernel gpio-omap).
@pytest.mark.parametrize(
    ("board", "line", "chip", "offset"),
    [
        (RPI4, "gpio17", "pinctrl-bcm2711", 17),
        (RPI3, "gpio17", "pinctrl-bcm2835", 17),
        (RPI5, "gpio17", "pinctrl-rp1", 17),
        ("radxa,rock-5b", "GPIO4_B3", "gpio4", 11),
        ("ti,am335x-bone-black", "gpio1_16", "gpio-32-63", 16),
    ],
)
def test_a_plain_line_is_a_chip_and_an_offset(
    board: str, line: str, chip: str, offset: int
) -> None:
    made = devices(board, signal("x", "output", line))["p.x"]
    assert made.device is None
    assert [(use.line, use.chip, use.offset) for use in made.lines] == [
        (LineName(line), chip, offset)
    ]


def test_lines_of_a_bus_have_no_chip() -> None:
    made = devices(RPI4, i2c("x", addresses=(0x29,)), one_wire("t", "any"))
    assert {use.chip for one in made.values() for use in one.lines} == {None}
    assert made["p.t"].device == "/sys/bus/w1/devices"


def test_a_device_behind_a_multiplexer_is_on_the_bus_and_says_its_channel() -> None:
    made = devices(
        RPI4,
        i2c("mux", addresses=(0x70,), bus="any"),
        i2c("x", addresses=(0x48,), behind=Mux(claim=ClaimName("mux"), channel=3)),
    )
    assert (made["p.x"].device, made["p.x"].channel) == ("/dev/i2c-1", "mux channel 3")
    assert made["p.mux"].channel is None


def test_a_string_of_leds_on_spi_opens_the_bus() -> None:
    assert device(RPI4, signal("x", "led-string", 10)) == "/dev/spidev0.0"


def test_a_string_of_leds_on_a_pwm_block_is_driven_from_user_space() -> None:
    assert device(RPI4, signal("x", "led-string", 12)) is None


# source: raspberrypi/linux bcm270x.dtsi, csi1 at 7e801000; systemd 60-persistent-v4l.rules; the bus
# info platform:20801000.csi of a BCM2835 in hyperion-project/hyperion.ng issue 1413
@pytest.mark.parametrize(
    ("board", "path"),
    [
        (RPI4, "/dev/v4l/by-path/platform-fe801000.csi-video-index0"),
        ("raspberrypi,model-zero", "/dev/v4l/by-path/platform-20801000.csi-video-index0"),
        (RPI5, None),
    ],
)
def test_a_camera(board: str, path: str | None) -> None:
    assert device(board, CameraClaim(key=key("x"))) == path


def companion(**more: Any) -> Mapping[ControllerName, Controller]:
    name = ControllerName("fin-mcu")
    return {name: Controller(name=name, chip="rp2040", origin=HERE, **more)}


def on_mcu() -> Any:
    return signal("x", "servo", controller=RoleName("fin-mcu"), pins=Choice(options=("4",)))


def test_a_companion_on_usb_is_a_link() -> None:
    made = devices(RPI4, on_mcu(), controllers=companion(link="usb", usb_id="2E8A:000A"))
    assert made["p.x"].device == made["fin-mcu.link"].device == "/dev/robokit/fin-mcu.link"
    assert made["fin-mcu.link"].resource == "usb 2e8a:000a"


def test_a_companion_on_a_serial_port_is_that_port() -> None:
    made = devices(RPI4, on_mcu(), controllers=companion(link="uart3"))
    assert made["p.x"].device == made["fin-mcu.link"].device == "/dev/ttyAMA3"


def test_a_companion_without_a_known_link_has_no_path() -> None:
    made = devices(RPI4, on_mcu(), controllers=companion())
    assert made["p.x"].device is None
    assert sorted(made) == ["p.x"]


def test_a_signal_carries_what_its_manifest_says() -> None:
    made = devices(
        RPI4,
        signal("x", "input", 17, active=Active.LOW, pull=Pull.UP),
        signal("y", "servo", 27, backend=Backend.LIBRARY),
        signal("z", "pwm", 12, frequency=Hertz(20_000)),
        i2c("i", addresses=(0x29,)),
    )
    assert {name: (one.frequency, one.active, one.pull) for name, one in sorted(made.items())} == {
        "p.i": (None, None, None),
        "p.x": (None, Active.LOW, Pull.UP),
        "p.y": (50, Active.HIGH, Pull.NONE),
        "p.z": (20_000, Active.HIGH, Pull.NONE),
    }


def test_the_inhibit_switch_is_in_the_plan() -> None:
    switch = Inhibit(pin="15", active="low", stops=("rudder",), origin=HERE)
    made = devices(RPI4, controllers=companion(link="usb", usb_id="2e8a:000a", inhibit=switch))
    one = made["fin-mcu.inhibit"]
    assert (one.resource, one.active, one.note) == ("fin-mcu pin 15", Active.LOW, "stops rudder")
    assert one.device == "/dev/robokit/fin-mcu.link"


def usb_of(*resources: str) -> tuple[Assignment, ...]:
    return tuple(
        Assignment(
            instance=InstanceName("p"),
            claim=ClaimName(f"c{at}"),
            section="usb",
            resource=ResourceName(text),
            device=f"/dev/robokit/p.c{at}",
        )
        for at, text in enumerate(resources)
    )


def test_the_rules_of_a_usb_device() -> None:
    """Written after the examples of udev(7) and the manual's matching of one parent."""
    made = devices(RPI4, UsbClaim(key=key("x"), id="0BDA:2838", serial="00000001"))
    assert made["p.x"].device == "/dev/robokit/p.x"
    ids = 'ATTRS{idVendor}=="0bda", ATTRS{idProduct}=="2838", ATTRS{serial}=="00000001"'
    rules = udev_rules(made.values())
    assert rules[:2] == (
        'SUBSYSTEM=="usb", ENV{DEVTYPE}=="usb_device", ATTR{idVendor}=="0bda", '
        'ATTR{idProduct}=="2838", ATTR{serial}=="00000001", SYMLINK+="robokit/p.x"',
        f'SUBSYSTEM=="tty", SUBSYSTEMS=="usb", {ids}, SYMLINK+="robokit/p.x", '
        'OPTIONS+="link_priority=40"',
    )
    assert len(rules) == 5


def test_a_companion_is_a_serial_port_and_nothing_else() -> None:
    """Source: USB CDC 1.2, an ACM function is one tty; no camera, keys or disk of it is linked."""
    made = devices(RPI4, on_mcu(), controllers=companion(link="usb", usb_id="2e8a:000a"))
    whole, port = udev_rules(made.values())
    assert whole.startswith('SUBSYSTEM=="usb"')
    assert port.startswith('SUBSYSTEM=="tty"')


def test_what_is_not_on_usb_needs_no_rule() -> None:
    assert udev_rules(devices(RPI4, uart("x"), signal("y", "output", 17)).values()) == ()


HOSTILE = (
    'usb 0bda:2838 serial a"b", RUN+="/bin/x',
    "usb 0bda:2838 serial $env{X} %c \\",
    "usb 0bda:2838 serial überall",
    "usb 0bda:2838 serial [a]*?",
    "usb 0bda:2838 serial a\nb",
)


def test_no_serial_number_escapes_its_rule() -> None:
    rules = udev_rules(usb_of(*HOSTILE))
    assert rules
    assert all(is_udev_rule(rule) for rule in rules)
    assert not any(word in rule for rule in rules for word in ("RUN+", "$", "%", "\\", "\n"))


def test_a_link_that_would_leave_its_folder_is_left_out() -> None:
    one = usb_of("usb 0bda:2838")[0]
    for path in ("/dev/robokit/../sda", "/dev/robokit/a b", "/dev/sda", "/dev/robokit/", None):
        hostile = Assignment(
            instance=one.instance,
            claim=one.claim,
            section="usb",
            resource=one.resource,
            device=path,
        )
        assert udev_rules([hostile]) == ()


def test_udevadm_takes_the_rules(tmp_path: Path) -> None:
    """`udevadm verify` is of systemd 254 and later."""
    tool = shutil.which("udevadm")
    if tool is None or "verify" not in _help(tool):
        pytest.skip("no udevadm that verifies rules")
    made = devices(
        RPI4,
        on_mcu(),
        UsbClaim(key=key("stick"), id="0781:5567"),
        controllers=companion(link="usb", usb_id="2e8a:000a", usb_serial="E66 0"),
    )
    path = tmp_path / "robokit.rules"
    lines = (*udev_rules(made.values()), *udev_rules(usb_of(*HOSTILE[:4])))
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    done = subprocess.run([tool, "verify", str(path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def _help(tool: str) -> str:
    return subprocess.run([tool, "--help"], capture_output=True, text=True, check=False).stdout


@pytest.mark.parametrize("name", board_ids())
def test_only_buses_and_connectors_of_the_board_have_paths(name: str) -> None:
    board = read_board(name)
    known = {one.bus for one in board.outlets} | set(board.cameras or ())
    for paths in board.devices.values():
        assert {bus for bus in paths if not bus.startswith("uart")} <= known
        assert set(paths) <= known | set(board.family.uart_kinds)
