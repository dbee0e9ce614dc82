"""Boot settings: what is emitted for assignments, and what a given file claims."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.edge.facts import board_ids, read_board
from robokit_plan.hardware import HardwareInstance, HardwareProblem, assign
from robokit_plan.hardware.boot import (
    boot_claims,
    boot_freed,
    boot_settings,
    parse_boot_config,
)
from robokit_plan.hardware.boot.options import boot_ways
from robokit_plan.model import (
    Assignment,
    AudioClaim,
    Board,
    BusName,
    Choice,
    Claim,
    ClaimKey,
    ClaimName,
    ControllerName,
    Function,
    I2cClaim,
    I2sClaim,
    InstanceName,
    LineName,
    LineUse,
    Milliamp,
    OneWireClaim,
    Origin,
    PartName,
    ResourceName,
    Severity,
    SignalClaim,
    UartClaim,
)
from tests import plain_yaml
from tests.hardware.build import instance, problem, signal
from tests.hardware.build import spi as spi_claim
from tests.hardware.build import uart as uart_claim
from tests.pace import within

PI4 = read_board("raspberrypi,4-model-b")
PI3 = read_board("raspberrypi,3-model-b")
RP1 = read_board("raspberrypi,5-model-b")
RK3588 = read_board("radxa,rock-5b")
CASES = plain_yaml.load(
    (Path(__file__).parents[2] / "cases" / "boot" / "config_claims.yaml").read_text("utf-8")
)


def assigned(
    board: Board,
    instance: str,
    section: str,
    lines: dict[str, str],
    *,
    bus: str | None = None,
    function: str = "",
    channel: str | None = None,
    resource: str = "",
    select: int | None = None,
) -> Assignment:
    return Assignment(
        instance=InstanceName(instance),
        claim=ClaimName("it"),
        section=section,
        resource=ResourceName(resource or bus or next(iter(lines.values()), section)),
        lines=tuple(
            LineUse(signal=word, line=LineName(line), position=board.pin_of(LineName(line)))
            for word, line in lines.items()
        ),
        bus=None if bus is None else BusName(bus),
        channel=channel,
        function=function,
        select=select,
    )


def key(instance: str) -> ClaimKey:
    return ClaimKey(name=ClaimName("it"), origin=Origin(file=f"{instance}.yaml", line=3, column=5))


def i2c(board: Board, instance: str, bus: str, sda: str, scl: str) -> Assignment:
    return assigned(board, instance, "i2c", {"sda": sda, "scl": scl}, bus=bus, function="i2c")


def uart(board: Board, instance: str, bus: str, tx: str, rx: str) -> Assignment:
    return assigned(board, instance, "uart", {"tx": tx, "rx": rx}, bus=bus, function="uart")


def pwm(board: Board, instance: str, line: str, channel: int) -> Assignment:
    return assigned(
        board,
        instance,
        "signals",
        {"it": line},
        bus="pwm0",
        function="pwm",
        channel=f"pwm0 channel {channel}",
    )


def spi(
    board: Board, instance: str, bus: str, sclk: str, mosi: str, miso: str, cs: str
) -> Assignment:
    return assigned(
        board,
        instance,
        "spi",
        {"sclk": sclk, "mosi": mosi, "miso": miso, "cs": cs},
        bus=bus,
        function="spi",
    )


def plain(board: Board, instance: str, line: str) -> Assignment:
    return assigned(board, instance, "signals", {"it": line}, function="output")


def texts(
    board: Board,
    *assignments: Assignment,
    claims: dict[tuple[InstanceName, ClaimName], Claim] | None = None,
    image: str = "vendor",
    release: str = "debian-13",
    config: str = "",
) -> tuple[list[str], list[str]]:
    """Return the settings' lines and the findings' rules."""
    made, findings = boot_settings(
        board, image, release, assignments, claims or {}, parse_boot_config(config, file="c.txt")
    )
    return [one.text for one in made], [one.rule for one in findings]


# source of the expected lines: overlay README and parameters of the board maker's kernel tree
# (raspberrypi/linux arch/arm/boot/dts/overlays/README @ 00322b3), config.txt documentation
@pytest.mark.parametrize(
    ("assignment", "lines"),
    [
        (i2c(PI4, "a", "i2c1", "gpio2", "gpio3"), ["i2c-dev", "dtparam=i2c_arm=on"]),
        (i2c(PI4, "a", "i2c3", "gpio4", "gpio5"), ["i2c-dev", "dtoverlay=i2c3"]),
        (i2c(PI4, "a", "i2c6", "gpio22", "gpio23"), ["i2c-dev", "dtoverlay=i2c6"]),
        (i2c(PI4, "a", "i2c4", "gpio6", "gpio7"), ["i2c-dev", "dtoverlay=i2c4,pins_6_7"]),
        (spi(PI4, "a", "spi0", "gpio11", "gpio10", "gpio9", "gpio8"), ["dtparam=spi=on"]),
        (spi(PI4, "a", "spi1", "gpio21", "gpio20", "gpio19", "gpio18"), ["dtoverlay=spi1-1cs"]),
        (spi(PI4, "a", "spi3", "gpio3", "gpio2", "gpio1", "gpio24"), ["dtoverlay=spi3-2cs"]),
        # The clock of this one is on the console's line, so the console goes too.
        (
            spi(PI4, "a", "spi5", "gpio15", "gpio14", "gpio13", "gpio26"),
            ["dtoverlay=spi5-2cs", "console=serial0,115200"],
        ),
        (uart(PI4, "a", "uart3", "gpio4", "gpio5"), ["dtoverlay=uart3"]),
        (pwm(PI4, "a", "gpio18", 0), ["dtoverlay=pwm,pin=18,func=2"]),
        (pwm(PI4, "a", "gpio12", 0), ["dtoverlay=pwm,pin=12,func=4"]),
        (
            assigned(PI4, "a", "one-wire", {"it": "gpio17"}, function="one-wire"),
            ["dtoverlay=w1-gpio,gpiopin=17"],
        ),
        (
            assigned(PI4, "a", "signals", {"it": "gpio23"}, function="ir-in"),
            ["dtoverlay=gpio-ir,gpio_pin=23"],
        ),
        (
            assigned(PI4, "a", "camera", {}, resource="camera cam0", function="camera"),
            ["camera_auto_detect=1"],
        ),
        (
            assigned(PI4, "a", "audio", {}, resource="audio analog", function="audio out"),
            ["dtparam=audio=on"],
        ),
        (plain(PI4, "a", "gpio17"), []),
    ],
    ids=lambda one: one.resource if isinstance(one, Assignment) else None,
)
def test_one_assignment_gets_its_setting(assignment: Assignment, lines: list[str]) -> None:
    got, rules = texts(PI4, assignment)
    assert sorted(got) == sorted(lines)
    assert rules == []


@pytest.mark.parametrize(
    ("assignment", "lines"),
    [
        (i2c(RP1, "a", "i2c1", "gpio2", "gpio3"), ["i2c-dev", "dtparam=i2c_arm=on"]),
        (i2c(RP1, "a", "i2c3", "gpio22", "gpio23"), ["i2c-dev", "dtoverlay=i2c3-pi5,pins_22_23"]),
        (uart(RP1, "a", "uart2", "gpio4", "gpio5"), ["dtoverlay=uart2-pi5"]),
        (spi(RP1, "a", "spi2", "gpio3", "gpio2", "gpio1", "gpio0"), ["dtoverlay=spi2-1cs-pi5"]),
    ],
    ids=lambda one: one.resource if isinstance(one, Assignment) else None,
)
def test_the_other_soc_of_the_maker_has_names_of_its_own(
    assignment: Assignment, lines: list[str]
) -> None:
    assert texts(RP1, assignment) == (lines, [])


def test_both_channels_of_a_block_share_one_overlay() -> None:
    got, rules = texts(PI4, pwm(PI4, "a", "gpio12", 0), pwm(PI4, "b", "gpio13", 1))
    assert got == ["dtoverlay=pwm-2chan,pin=12,func=4,pin2=13,func2=4"]
    assert rules == []
    made, _ = boot_settings(
        PI4, "vendor", "debian-13", (pwm(PI4, "a", "gpio12", 0), pwm(PI4, "b", "gpio13", 1)), {}
    )
    assert made[0].because_of == ("a", "b")


def test_the_second_chip_select_is_given_back_where_another_wants_its_line() -> None:
    """Source: overlay README, spi0-1cs frees GPIO7."""
    radio = spi(PI4, "radio", "spi0", "gpio11", "gpio10", "gpio9", "gpio8")
    assert texts(PI4, radio, plain(PI4, "lamp", "gpio7")) == (["dtoverlay=spi0-1cs"], [])


def test_a_setting_that_takes_a_used_line_names_both() -> None:
    """Source: overlay README, spi1-2cs takes GPIO18 and GPIO17 for its selects."""
    asked = problem(
        PI4.id,
        instance("radio", spi_claim("modem", "spi1", "1")),
        instance("lamp", signal("it", "output", "gpio18")),
        boot=PI4.boot["vendor"],
    )
    answer = assign(asked)
    assert answer.conflicts == ((("lamp", "it"), ("radio", "modem")),)
    (one,) = answer.findings
    assert one.rule == "boot-line-collision"
    assert one.severity is Severity.ERROR
    assert one.message == "spi1-2cs takes gpio18 (header position 12), which lamp.it wants"
    assert one.why == (
        "radio.modem needs gpio17, gpio19, gpio20, gpio21; no known setting that covers these "
        "takes less",
    )
    assert one.plugins == ("lamp", "radio")


def test_the_engine_moves_what_a_setting_would_take() -> None:
    """SPI of plain Debian brings the sound bus along (RF_D13): nothing else may be put there."""
    for release, at in (("debian-13", "gpio4"), ("debian-12", "gpio18")):
        asked = problem(
            PI4.id,
            instance("radio", spi_claim("modem")),
            instance("lamp", signal("it", "output", ["gpio18", "gpio4"])),
            boot=PI4.boot["debian"],
            release=release,
        )
        answer = assign(asked)
        assert answer.findings == ()
        (lamp,) = (one for one in answer.assignments if one.instance == "lamp")
        assert lamp.resource == at


@pytest.mark.parametrize("board", board_ids())
def test_settings_of_one_outlet_are_nested(board: str) -> None:
    """
    What covers two devices of a bus takes no more than what covers each of them.

    The engine gives every device the smallest setting that covers it and relies on this.
    """
    one = read_board(board)
    for vocabulary in one.boot.values():
        for release in ("debian-12", "debian-13"):
            for ways in boot_ways(one, vocabulary, release).values():
                listed = [way for way in ways if way.lines]
                for first, second in combinations(listed, 2):
                    both = {*first.lines, *second.lines}
                    nested = both in (set(first.lines), set(second.lines))
                    covering = [way for way in listed if both <= set(way.lines)]
                    exact = any(set(way.lines) == both for way in covering)
                    assert nested or exact or not covering, (first, second)


def test_the_header_uart_loses_its_console() -> None:
    """Source: UART documentation, section on the Linux serial console; enable_uart fixes the clock."""
    made, findings = boot_settings(
        PI4, "vendor", "debian-13", (uart(PI4, "gnss", "uart1", "gpio14", "gpio15"),), {}
    )
    assert [(one.kind, one.text, one.frees, one.file) for one in made] == [
        ("firmware", "enable_uart=1", False, "/boot/firmware/config.txt"),
        (
            "kernel-command-line-remove",
            "console=serial0,115200",
            True,
            "/boot/firmware/cmdline.txt",
        ),
    ]
    assert findings == ()


def test_the_full_uart_on_the_header_costs_bluetooth_and_says_so() -> None:
    """Source: overlay README disable-bt, DOC_UART."""
    got, rules = texts(PI4, uart(PI4, "gnss", "uart0", "gpio14", "gpio15"))
    assert "dtoverlay=disable-bt" in got
    assert rules == ["bluetooth-off"]
    old = read_board("raspberrypi,2-model-b")
    got, rules = texts(old, uart(old, "gnss", "uart0", "gpio14", "gpio15"))
    assert "dtoverlay=disable-bt" not in got
    assert rules == []


def test_the_jack_is_switched_off_only_where_it_shares_the_block() -> None:
    """Source: overlay README, note of pwm; on BCM2711 the jack has block pwm1 (Debian's device tree)."""
    string = assigned(
        PI3, "bow", "signals", {"it": "gpio12"}, bus="pwm0", function="led-string pwm"
    )
    assert texts(PI3, string) == (["dtparam=audio=off"], [])
    assert texts(PI4, string) == ([], [])


def test_a_string_on_spi_wants_a_longer_transfer() -> None:
    """Source: README of the LED library, section on SPI: spidev.bufsiz=32768, core_freq=250 / 500."""
    string = assigned(
        PI4,
        "bow",
        "signals",
        {"it": "gpio10", "gpio11": "gpio11", "gpio9": "gpio9"},
        bus="spi0",
        function="led-string spi",
    )
    got, rules = texts(PI4, string)
    assert got == ["core_freq=500", "core_freq_min=500", "spidev.bufsiz=32768", "dtparam=spi=on"]
    assert rules == []


def test_a_string_by_pio_says_its_length() -> None:
    string = assigned(RP1, "bow", "signals", {"it": "gpio17"}, function="led-string pio")
    claim = SignalClaim(
        key=key("bow"), function=Function.LED_STRING, leds=12, ma_per_led=Milliamp(60)
    )
    got, rules = texts(RP1, string, claims={(InstanceName("bow"), ClaimName("it")): claim})
    assert got == ["dtoverlay=ws2812-pio,gpio=17,num_leds=12"]
    assert rules == []


def test_a_slow_part_slows_its_bus() -> None:
    claim = I2cClaim(key=key("a"), bus=Choice(any=True), max_khz=50)
    claims: dict[tuple[InstanceName, ClaimName], Claim] = {
        (InstanceName("a"), ClaimName("it")): claim
    }
    got, _ = texts(PI4, i2c(PI4, "a", "i2c1", "gpio2", "gpio3"), claims=claims)
    assert "dtparam=i2c_arm_baudrate=50000" in got
    got, _ = texts(PI4, i2c(PI4, "a", "i2c3", "gpio4", "gpio5"), claims=claims)
    assert "dtoverlay=i2c3,baudrate=50000" in got


def test_a_known_sound_part_brings_its_card() -> None:
    """Source: overlay README max98357a (no-sdmode frees GPIO4)."""
    one = assigned(
        PI4,
        "horn",
        "i2s",
        {"clk": "gpio18", "fs": "gpio19", "din": "gpio20", "dout": "gpio21"},
        bus="pcm",
        function="i2s out",
    )
    claim = I2sClaim(key=key("horn"), part=PartName("max98357a"))
    claims: dict[tuple[InstanceName, ClaimName], Claim] = {
        (InstanceName("horn"), ClaimName("it")): claim
    }
    assert texts(PI4, one, claims=claims) == (["dtoverlay=max98357a,no-sdmode"], [])
    assert texts(PI4, one) == (["dtparam=i2s=on"], [])


def test_plain_debian_has_i2c1_by_itself_and_knows_no_i2c3() -> None:
    """Source: device trees of Debian 12 and 13 (node of i2c1 is okay), raspi-firmware's overlays."""
    usual = i2c(PI4, "a", "i2c1", "gpio2", "gpio3")
    assert texts(PI4, usual, image="debian") == (["i2c-dev"], [])
    extra = i2c(PI4, "b", "i2c3", "gpio4", "gpio5")
    made, findings = boot_settings(PI4, "debian", "debian-13", (extra,), {})
    assert [one.text for one in made] == ["i2c-dev"]
    (one,) = findings
    assert (one.rule, one.severity) == ("boot-vocabulary-unknown", Severity.WARNING)
    assert one.message == (
        "how i2c3 is switched on is not known for image debian of debian-13 "
        "on raspberrypi,4-model-b"
    )
    assert one.repair == ("system: {image: vendor}",)


def test_plain_debian_moves_its_console_by_its_own_file() -> None:
    """Source: raspi-firmware's kernel hook: CONSOLES in /etc/default/raspi-firmware."""
    made, findings = boot_settings(
        PI4, "debian", "debian-13", (uart(PI4, "gnss", "uart1", "gpio14", "gpio15"),), {}
    )
    (one,) = made
    assert (one.kind, one.text, one.file) == (
        "file-line",
        'CONSOLES="tty0"',
        "/etc/default/raspi-firmware",
    )
    assert one.apply == "DEB_MAINT_PARAMS=configure /etc/kernel/postinst.d/z50-raspi-firmware"
    assert findings == ()


def test_spi_of_plain_debian_depends_on_the_release() -> None:
    """Source: overlays/pi4-spidev.dtbo is in raspi-firmware of Debian 13 and not of Debian 12."""
    radio = spi(PI4, "radio", "spi0", "gpio11", "gpio10", "gpio9", "gpio8")
    assert texts(PI4, radio, image="debian") == (["dtoverlay=pi4-spidev"], [])
    assert texts(PI4, radio, image="debian", release="debian-12")[1] == ["boot-vocabulary-unknown"]


def test_overlays_of_another_maker_share_one_line() -> None:
    """Source: overlay names of the board maker; keyword fdtoverlays: U-Boot doc/develop/distro.rst."""
    got, rules = texts(
        RK3588,
        i2c(RK3588, "a", "i2c8", "GPIO3_C3", "GPIO3_C2"),
        uart(RK3588, "b", "uart3", "GPIO3_B5", "GPIO3_B6"),
    )
    assert got == [
        "i2c-dev",
        "fdtoverlays /boot/dtbo/rk3588-i2c8-m4.dtbo /boot/dtbo/rk3588-uart3-m1.dtbo",
    ]
    assert rules == []


def test_a_companion_by_wire_needs_its_bus_and_its_pins_need_nothing() -> None:
    link = replace(
        uart(PI4, "fin-mcu", "uart3", "gpio4", "gpio5"),
        section="controllers",
        controller=ControllerName("fin-mcu"),
        function="link of fin-mcu",
    )
    own = replace(plain(PI4, "helm", "gpio4"), controller=ControllerName("fin-mcu"))
    assert texts(PI4, link, own) == (["dtoverlay=uart3"], [])


def test_a_driver_that_grabs_a_claimed_device_is_blocked() -> None:
    """Source: merbanan/rtl_433 issue 1141 (the kernel's television driver holds the receiver)."""
    receiver = assigned(
        PI4, "ship-receiver", "usb", {}, resource="usb 0bda:2838 serial 7", function="usb"
    )
    made, findings = boot_settings(PI4, "vendor", "debian-13", (receiver,), {})
    assert [(one.kind, one.text, one.because_of) for one in made] == [
        ("module-block", "dvb_usb_rtl28xxu", ("ship-receiver",))
    ]
    assert findings == ()


def test_positions_of_the_stock_image_are_freed_where_the_word_is_known() -> None:
    """Source: disable_uboot_overlay_video of the maker's boot loader environment (COOKBOOK_BB)."""
    board = read_board("ti,am335x-bone-black")
    line = next(line.name for line in board.lines.values() if line.pin == "P8_30")
    got, _ = texts(board, plain(board, "lamp", line))
    assert got == ["disable_uboot_overlay_video=1", "enable_uboot_overlays=1"]


def test_a_boot_file_that_frees_positions_is_heard() -> None:
    """What the finding offers, once it stands in the file, is taken for done (COOKBOOK_BB)."""
    board = read_board("ti,am335x-bone-black")
    word = "disable_uboot_overlay_video=1"
    config = parse_boot_config(f"enable_uboot_overlays=1\n{word}\n", file="uEnv.txt")
    (video,) = (claim for claim in board.default_claims if (claim.freed_by or "").startswith(word))
    assert boot_freed(board, "vendor", config) == {video.by}
    assert boot_claims(board, "vendor", config) == ((), ())
    off = parse_boot_config("disable_uboot_overlay_video=0\n", file="uEnv.txt")
    assert boot_freed(board, "vendor", off) == set()


def test_an_image_that_nobody_knows_is_said_once_a_bus() -> None:
    got, rules = texts(
        PI4,
        i2c(PI4, "a", "i2c1", "gpio2", "gpio3"),
        i2c(PI4, "b", "i2c1", "gpio2", "gpio3"),
        image="file:card.status",
    )
    assert got == []
    assert rules == ["boot-vocabulary-unknown"]


def test_what_the_card_says_already_is_not_said_again() -> None:
    one = i2c(PI4, "a", "i2c1", "gpio2", "gpio3")
    assert texts(PI4, one, config="dtparam=i2c_arm=on\n")[0] == ["i2c-dev"]
    _, rules = texts(PI4, one, config="dtparam=i2c_arm=off\n")
    assert rules == ["boot-setting-conflict"]
    three = i2c(PI4, "a", "i2c3", "gpio4", "gpio5")
    assert texts(PI4, three, config="dtoverlay=i2c3\n")[0] == ["i2c-dev"]
    # Filtered for another board, it says nothing here.
    assert texts(PI4, three, config="[pi5]\ndtoverlay=i2c3\n")[0] == ["i2c-dev", "dtoverlay=i2c3"]


# source: overlay README of the board maker's kernel tree (key OVL_README): parameters and their
# defaults; that a later overlay of one node replaces the lines of an earlier one: from memory
@pytest.mark.parametrize(
    ("config", "planned", "conflict"),
    [
        # One word with its defaults written out, and with more channels than are asked for.
        ("dtoverlay=pwm,pin=12,func=4", [], False),
        ("dtoverlay=pwm,func=4,pin=12", [], False),
        ("dtoverlay=pwm-2chan,pin=12,func=4,pin2=13,func2=4", [], False),
        ("dtoverlay=pwm-2chan,pin=12,func=4,pin2=19", [], False),
        # Its function stays the default's, which is that of gpio18.
        ("dtoverlay=pwm,pin=12", ["dtoverlay=pwm,pin=12,func=4"], True),
        ("dtoverlay=pwm", ["dtoverlay=pwm,pin=12,func=4"], True),
        ("dtoverlay=pwm-2chan,pin2=13,func2=4", ["dtoverlay=pwm,pin=12,func=4"], True),
        # More than the plan's own word would say: it is put below, and takes no line away.
        ("dtoverlay=pwm,pin=12,func=4,clock=1000000", ["dtoverlay=pwm,pin=12,func=4"], False),
        # Another block and no block at all.
        ("dtoverlay=pwm1", ["dtoverlay=pwm,pin=12,func=4"], False),
        ("dtoverlay=uart3", ["dtoverlay=pwm,pin=12,func=4"], False),
    ],
)
def test_an_overlay_that_stands_serves_or_contradicts(
    config: str, planned: list[str], conflict: bool
) -> None:
    fan = pwm(PI4, "a", "gpio12", 0)
    made, rules = texts(PI4, fan, config=f"{config}\n")
    assert made == planned
    assert rules == (["boot-setting-conflict"] if conflict else [])


def test_what_covers_an_overlay_that_stands_is_put_below_it() -> None:
    both = (pwm(PI4, "a", "gpio18", 0), pwm(PI4, "b", "gpio19", 1))
    assert texts(PI4, *both, config="dtoverlay=pwm\n") == (
        ["dtoverlay=pwm-2chan,pin=18,func=2,pin2=19,func2=2"],
        [],
    )
    three = i2c(PI4, "a", "i2c3", "gpio2", "gpio3")
    assert texts(PI4, three, config="dtoverlay=i2c3\n")[1] == ["boot-setting-conflict"]
    # A slower clock has to be said, though the lines stand.
    slow = I2cClaim(key=key("a"), addresses=(0x28,), max_khz=50)
    four = i2c(PI4, "a", "i2c3", "gpio4", "gpio5")
    made, rules = texts(
        PI4, four, claims={(four.instance, four.claim): slow}, config="dtoverlay=i2c3\n"
    )
    assert made == ["i2c-dev", "dtoverlay=i2c3,baudrate=50000"]
    assert rules == []


@pytest.mark.parametrize("case", CASES["cases"], ids=lambda case: case["name"])
def test_given_settings_take_their_lines(case: dict[str, object]) -> None:
    """Cases are data with their sources: tests/cases/boot/config_claims.yaml."""
    board = read_board(str(case["board"]))
    config = parse_boot_config(str(case["config"]), file="config.txt")
    claims, findings = boot_claims(board, "vendor", config)
    taken = {line: bus for claim in claims for line, bus in claim.lines.items()}
    assert taken == case.get("lines", {})
    assert [bus for claim in claims for bus in claim.buses] == case.get("buses", [])
    assert [list(one) for claim in claims for one in claim.channels] == case.get("channels", [])
    assert [one.rule for one in findings] == case.get("findings", [])


def with_config(config: str, *instances: HardwareInstance) -> HardwareProblem:
    lines = parse_boot_config(config, file="config.txt")
    return problem(
        PI4.id,
        *instances,
        boot=PI4.boot["vendor"],
        boot_claims=boot_claims(PI4, "vendor", lines)[0],
        freed=boot_freed(PI4, "vendor", lines),
    )


# source of what each setting is there for: overlay README; CFG_BOOT for enable_uart
@pytest.mark.parametrize(
    ("config", "claim"),
    [
        ("dtoverlay=uart3\n", UartClaim(key=key("u"), port=Choice(options=("uart3",)))),
        ("dtoverlay=uart3\n", UartClaim(key=key("u"), port=Choice(any=True))),
        ("enable_uart=1\n", UartClaim(key=key("u"))),
        ("enable_uart=1\n", UartClaim(key=key("u"), port=Choice(options=("header",)))),
        ("dtoverlay=w1-gpio\n", OneWireClaim(key=key("u"))),
        ("dtoverlay=pwm\n", SignalClaim(key=key("u"), function=Function.PWM)),
        (
            "dtoverlay=gpio-ir\n",
            SignalClaim(key=key("u"), function=Function.IR_IN, lines=Choice(options=("gpio18",))),
        ),
        ("dtparam=audio=on\n", AudioClaim(key=key("u"))),
    ],
)
def test_a_setting_waits_for_the_claim_that_it_is_there_for(config: str, claim: Claim) -> None:
    assert assign(with_config(config, instance("u", claim))).findings == ()
    taken = boot_claims(PI4, "vendor", parse_boot_config(config, file="config.txt"))[0]
    for line in {line for one in taken for line in one.lines}:
        lamp = instance("lamp", signal("it", "output", line))
        (one,) = assign(with_config(config, lamp)).findings
        assert one.rule == "stock-claim"


def test_a_line_that_a_setting_keeps_is_not_for_others() -> None:
    """A serial device may go where the setting waits for it; a lamp goes elsewhere either way."""
    config = "# mine\ndtoverlay=uart3\n"
    lamp = instance("lamp", signal("it", "output", ["gpio4", "gpio17"]))
    radio = instance("radio", uart_claim("it", "any"))
    for ones in ((lamp,), (lamp, radio)):
        answer = assign(with_config(config, *ones))
        assert answer.findings == ()
        assert answer.assignments[0].resource == "gpio17"
    fixed = instance("lamp", signal("it", "output", "gpio4"))
    (one,) = assign(with_config(config, fixed, radio)).findings
    assert (one.rule, one.severity) == ("stock-claim", Severity.ERROR)
    assert one.message == "gpio4 is taken by dtoverlay=uart3"
    assert str(one.places[0].origin) == "config.txt:2:1"


def test_an_overlay_of_the_image_takes_its_lines() -> None:
    """Source: can1m1_pins of rk3588s-pinctrl.dtsi, <4 RK_PB2 12> and <4 RK_PB3 12>; from memory."""
    config = parse_boot_config("overlays=can1-m1\n", file="boot.txt")
    ((claim,), findings) = boot_claims(read_board("xunlong,orangepi-5"), "boot-script", config)
    assert claim.lines == {"GPIO4_B2": "can1", "GPIO4_B3": "can1"}
    assert findings == ()


def test_the_kernel_on_one_channel_keeps_libraries_off_the_block() -> None:
    """Source: BCM2711 peripherals, PWM: one clock and one FIFO for both channels; overlay README pwm."""
    fan = instance("fan", signal("speed", "pwm", 13))
    assert assign(with_config("dtoverlay=pwm\n", fan)).findings == ()
    string = instance("string", signal("data", "led-string", 13))
    (found,) = assign(with_config("dtoverlay=pwm\n", string)).findings
    assert (found.rule, found.resource) == ("stock-claim", "pwm0 block")


def test_a_usual_boot_file_of_a_new_card_stands_in_nobodys_way() -> None:
    """Source: settings of the board maker's images as its documentation lists them (CFG_COMMON)."""
    config = parse_boot_config(
        "dtparam=audio=on\ncamera_auto_detect=1\ndisplay_auto_detect=1\nauto_initramfs=1\n"
        "dtoverlay=vc4-kms-v3d\nmax_framebuffers=2\ndisable_fw_kms_setup=1\narm_64bit=1\n"
        "disable_overscan=1\narm_boost=1\n[cm4]\notg_mode=1\n[all]\nenable_uart=1\n",
        file="config.txt",
    )
    claims, findings = boot_claims(PI4, "vendor", config)
    assert all(one.serves for one in claims)
    assert findings == ()
    assert texts(PI4, uart(PI4, "gnss", "uart1", "gpio14", "gpio15"))[1] == []


def test_a_file_that_brings_others_is_not_passed_over() -> None:
    config = parse_boot_config("include more.txt\n", file="config.txt")
    (one,) = boot_claims(PI4, "vendor", config)[1]
    assert one.message == "what include more.txt takes on raspberrypi,4-model-b is not known"


def test_bluetooth_that_the_card_switches_off_is_free() -> None:
    """Source: overlay README disable-bt, miniuart-bt."""
    for text, freed in (
        ("dtoverlay=disable-bt\n", {"bluetooth"}),
        ("dtoverlay=miniuart-bt\n", {"bluetooth"}),
        ("dtoverlay=disable-wifi\n", set()),
        ("[pi5]\ndtoverlay=disable-bt\n", set()),
    ):
        lines = parse_boot_config(text, file="config.txt")
        assert boot_freed(PI4, "vendor", lines) == freed


def test_parameters_behind_an_overlay_belong_to_it() -> None:
    """Source: device-tree documentation of the board maker (DOC_DT)."""
    lines = parse_boot_config(
        "dtoverlay=w1-gpio\ndtparam=gpiopin=17\ndtoverlay=\ndtparam=i2c_arm=on,spi=on # both\n",
        file="config.txt",
    )
    assert [(one.kind, one.name, one.value, one.params) for one in lines] == [
        ("overlay", "w1-gpio", None, (("gpiopin", "17"),)),
        ("parameter", "i2c_arm", "on", ()),
        ("parameter", "spi", "on", ()),
    ]
    assert [str(one.origin) for one in lines] == [
        "config.txt:1:1",
        "config.txt:4:1",
        "config.txt:4:1",
    ]


def test_filters_of_one_kind_replace_each_other_and_all_ends_them() -> None:
    lines = parse_boot_config(
        "[pi4]\na=1\n[pi5]\nb=1\n[gpio4=1]\nc=1\n[all]\nd=1\n", file="config.txt"
    )
    assert [one.sections for one in lines] == [("pi4",), ("pi5",), ("pi5", "gpio4=1"), ()]
    # Two positions, two serial numbers: each replaces the one before, as two models do.
    lines = parse_boot_config(
        "[gpio4=1]\na=1\n[gpio5=0]\nb=1\n[0x1a2b]\nc=1\n[0x3c4d]\nd=1\n", file="config.txt"
    )
    assert [one.sections for one in lines] == [
        ("gpio4=1",),
        ("gpio5=0",),
        ("gpio5=0", "0x1a2b"),
        ("gpio5=0", "0x3c4d"),
    ]


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=300))
def test_any_text_can_be_read(text: str) -> None:
    lines = parse_boot_config(text, file="config.txt")
    claims, _ = boot_claims(PI4, "vendor", lines)
    assert all(line in PI4.lines for claim in claims for line in claim.lines)


@pytest.mark.parametrize("board", board_ids())
def test_every_outlet_of_every_board_has_a_setting_or_a_finding(board: str) -> None:
    """Nothing is passed over in silence, whatever the board and image."""
    one = read_board(board)
    for image in ("vendor", "debian", "file:x"):
        for outlet in one.outlets:
            if not outlet.complete or outlet.kind not in {"i2c", "spi", "uart", "pwm", "i2s"}:
                continue
            section = "signals" if outlet.kind == "pwm" else outlet.kind
            use = assigned(
                one,
                "a",
                section,
                {word: line for word, line in outlet.lines.items() if word not in {"rts", "cts"}},
                bus=outlet.bus,
                function=outlet.kind,
                channel=outlet.bus if outlet.kind == "pwm" else None,
            )
            made, findings = boot_settings(one, image, "debian-13", (use,), {})
            vocabulary = one.boot.get(image)
            silent = vocabulary is not None and any(
                way.bus == outlet.bus and not way.words for way in vocabulary.enables
            )
            assert made or findings or silent, (image, outlet)


def test_order_of_assignments_never_matters() -> None:
    ones = (
        i2c(PI4, "a", "i2c3", "gpio4", "gpio5"),
        spi(PI4, "b", "spi0", "gpio11", "gpio10", "gpio9", "gpio8"),
        uart(PI4, "c", "uart0", "gpio14", "gpio15"),
        pwm(PI4, "d", "gpio18", 0),
        plain(PI4, "e", "gpio7"),
    )
    first = boot_settings(PI4, "vendor", "debian-13", ones, {})
    assert boot_settings(PI4, "vendor", "debian-13", ones[::-1], {}) == first


def test_a_setting_said_twice_is_one_and_an_overlay_loaded_twice_is_not() -> None:
    """Found by fuzzing: ``enable_uart=1`` written twice was said to take its own lines."""
    for text in ("enable_uart=1\n", "dtparam=i2c_arm=on,spi=on\n", "dtparam=i2s=on\n"):
        once, twice = (parse_boot_config(text * often, file="config.txt") for often in (1, 2))
        claims, findings = boot_claims(PI4, "vendor", twice)
        assert findings == ()
        assert claims == boot_claims(PI4, "vendor", once)[0]
    overlay = "dtoverlay=i2c-gpio,bus=5,i2c_gpio_sda=22,i2c_gpio_scl=27\n"
    _, findings = boot_claims(PI4, "vendor", parse_boot_config(overlay * 2, file="config.txt"))
    assert [one.rule for one in findings] == ["boot-setting-conflict"]


def test_a_boot_file_of_thousands_of_lines_is_told_quickly() -> None:
    """Found by fuzzing: each line was held against all others, and all pairs were told."""
    text = "".join(f"dtoverlay=gpio-key,gpio={at % 28},keycode={at}\n" for at in range(3_000))
    config = parse_boot_config(text, file="config.txt")
    with within(2):
        _, findings = boot_claims(PI4, "vendor", config)
    told = {one.message for one in findings}
    assert "2,952 or more others of the same kind in this file" in told
    assert sum(one.endswith("both take gpio0") for one in told) == len(told) - 1 == 20
