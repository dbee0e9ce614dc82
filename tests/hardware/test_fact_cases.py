"""
The published collision cases, each as one robot.

``tests/cases/facts`` holds claims in a short language of their own and what is expected, with
the source of each rule. This file translates them; what the assignment engine does not decide
is left out with its reason.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.hardware import BootClaim, HardwareProblem, assign
from robokit_plan.model import (
    AudioClaim,
    BlockClaim,
    Board,
    BusName,
    Choice,
    Claim,
    LineName,
    PartName,
    PinId,
    Severity,
    UsbClaim,
    find_part,
)
from tests import plain_yaml
from tests.casebook import kept_facts

from .build import (
    RPI3,
    RPI4,
    RPI5,
    board,
    camera,
    i2c,
    i2s,
    instance,
    key,
    one_wire,
    parts,
    signal,
    spi,
    uart,
)
from .build import problem as made
from .checker import faults
from .electric import planned

CASES = Path(__file__).parents[1] / "cases" / "facts"

BOARDS = {
    "bcm283x": RPI3,
    "bcm2711": RPI4,
    "rp1": RPI5,
    "rk3399": "radxa,rock-4se",  # no boot flash in its device tree
    "rk3588": "radxa,rock-5b",
    "rk3588s": "xunlong,orangepi-5",
    "meson_gxl": "libretech,aml-s905x-cc",
    "am335x": "ti,am335x-bone-black",
}

# Rules about what the stock image holds; for the others the header is taken as free.
STOCK_RULES = {
    "console_uart",
    "default_claim",
    "busy_controller",
    "cape_id_bus",
    "pru_pins",
}

WHOLE = {
    (one["rule"], one["case"]): one
    for one in plain_yaml.load((CASES / "robots.yaml").read_text("utf-8"))
}
"""Cases that take more than claims on one board: files of a whole robot, planned as a user would."""


@dataclass
class Robot:
    """What one case puts on the board."""

    board: Board
    claims: list[list[Claim]] = field(default_factory=list)
    boot: list[BootClaim] = field(default_factory=list)
    freed: set[str] = field(default_factory=set)


def _published() -> Iterator[tuple[str, int, Any]]:
    for name in ("shared_resources", "boards_other"):
        data = plain_yaml.load((CASES / f"{name}.yaml").read_text())
        for rule in data["rules"]:
            for number, case in enumerate(rule["cases"]):
                yield rule["rule"], number, case


def _cases() -> Iterator[Any]:
    for rule, number, case in _published():
        if (rule, number) not in WHOLE:
            yield pytest.param(rule, case, id=f"{rule}-{number}")


def _robots() -> Iterator[Any]:
    i2c_cases = plain_yaml.load((CASES / "i2c.yaml").read_text())["cases"]
    for rule, number, case in (
        *_published(),
        *(("i2c", number, case) for number, case in enumerate(i2c_cases)),
    ):
        if (rule, number) in WHOLE:
            yield pytest.param(case, WHOLE[rule, number], id=f"{rule}-{number}")


def _robot(rule: str, case: Any) -> Robot:
    here = board(case.get("board") or BOARDS[case["family"]])
    robot = Robot(board=here)
    if rule not in STOCK_RULES:
        robot.freed |= {one.by for one in here.default_claims}
    for text in case["claims"]:
        _translate(robot, text)
    return robot


def _boot(robot: Robot, by: str, lines: Mapping[int, str | None], **kwargs: Any) -> None:
    robot.boot.append(
        BootClaim(
            by=by,
            lines={
                LineName(f"gpio{line}"): None if bus is None else BusName(bus)
                for line, bus in lines.items()
            },
            **kwargs,
        )
    )


def _translate(robot: Robot, text: str) -> None:
    """Add what *text* says."""
    if _settings(robot, text):
        return
    for pattern, make in _WORDS:
        found = re.search(pattern, text)
        if found:
            claims = make(robot, text, found)
            robot.claims.append(claims if isinstance(claims, list) else [claims])
            return
    raise AssertionError(f"nobody translates {text!r}")


def _settings(robot: Robot, text: str) -> bool:
    """Take *text* as a boot setting; lines by default as its published description says."""
    spi0 = dict.fromkeys((7, 8, 9, 10, 11), "spi0")
    match text:
        case "dtparam=spi=on":
            _boot(robot, text, dict(spi0))
        case "spi0-1cs":
            _boot(robot, text, dict.fromkeys((8, 9, 10, 11), "spi0"))
        case "spi0-2cs cs0_pin=22 cs1_pin=23":
            _boot(robot, text, dict.fromkeys((9, 10, 11, 22, 23), "spi0"))
        case "spi1-1cs":
            _boot(robot, text, dict.fromkeys((18, 19, 20, 21), "spi1"))
        case "spi1-3cs":
            _boot(robot, text, dict.fromkeys(range(16, 22), "spi1"))
        case "spi1-1cs cs0_pin=16":
            _boot(robot, text, dict.fromkeys((16, 19, 20, 21), "spi1"))
        case "dtparam=i2c_arm=on":
            _boot(robot, text, {2: "i2c1", 3: "i2c1"})
        case "audremap pins_12_13":
            channels = ((BusName("pwm0"), "ch0"), (BusName("pwm0"), "ch1"))
            _boot(robot, text, {12: None, 13: None}, channels=channels)
        case "audremap-pi5":
            _boot(robot, text, {12: None, 13: None})
        case "sdio" if robot.board.family.name == "meson_gxl":
            pins = {"22", "26", "36", "37", "38", "40"}
            taken = {name: None for name, line in robot.board.lines.items() if line.pin in pins}
            robot.boot.append(BootClaim(by=text, lines=taken))
        case "sdio":
            _boot(robot, text, dict.fromkeys(range(22, 28)))
        case "gpio-fan":
            _boot(robot, text, {12: None})
        case "serial console" | "cmdline console=serial0,115200":
            buses = (BusName("uart0"), BusName("uart1"))
            _boot(robot, text, {14: None, 15: None}, buses=buses)
        case "gpio daemon pacing=pcm":
            _boot(robot, text, {}, buses=(BusName("pcm"),))
        case "w1 overlay default line 91":
            # Line 91 of the chip, GPIOX_12 on this SoC.
            robot.boot.append(BootClaim(by=text, lines={LineName("GPIOX_12"): None}))
        case "console off, debugger off":
            robot.freed |= {one.by for one in robot.board.default_claims}
        case _ if found := re.match(r"disable_uboot_overlay_(emmc|video)=1", text):
            word = {"emmc": "eMMC", "video": "HDMI transmitter"}[found[1]]
            robot.freed |= {one.by for one in robot.board.default_claims if word in one.by}
        case "bluetooth" | "console" | "pi5 fan":
            pass  # what the board does by itself
        case _:
            return False
    return True


def _pins(text: str) -> list[str]:
    found = re.search(r"pins? ([\d/]+)", text)
    return found[1].split("/") if found else re.findall(r"P[89]_\d+", text)


def _bus(robot: Robot, text: str, bus: str, kind: str) -> str:
    """Return the bus with the route that *text* names, by its word or by its pins."""
    route = re.search(r"\b(m\d)\b", text)
    if route:
        return f"{bus} {route[1]}"
    pins = _pins(text)
    lines = re.search(r"on (\d+)/(\d+)", text)
    for outlet in robot.board.outlets:
        if outlet.bus != bus or outlet.kind != kind or outlet.route is None:
            continue
        at = {robot.board.lines[line].pin for line in outlet.lines.values()}
        names = set(outlet.lines.values())
        if (pins and at <= set(pins)) or (lines and names == {f"gpio{n}" for n in lines.groups()}):
            return f"{bus} {outlet.route}"
    return bus


def _hertz(text: str) -> int | None:
    found = re.search(r"(\d+)(k|M)?Hz", text)
    return None if found is None else int(found[1]) * {"k": 1000, "M": 10**6, None: 1}[found[2]]


def _at(robot: Robot, text: str, function: str) -> Claim:
    """Return a signal at the line or position that *text* names."""
    hertz = _hertz(text)
    line = re.search(r"gpio(\d+(?:_\d+)?)(?!\d)", text) or re.search(r"GPIO\w+", text)
    pins = _pins(text)
    if pins:
        return signal("x", function, positions=tuple(map(PinId, pins)), frequency=hertz)
    assert line is not None, text
    return signal("x", function, line[0], frequency=hertz)


def _i2c_device(robot: Robot, text: str, found: re.Match[str]) -> Claim:
    address = re.search(r"0x[0-9a-f]+", text)
    addresses = (int(address[0], 16),) if address else (0x33,)
    return i2c("x", None, _bus(robot, text, found[1], "i2c"), addresses=addresses)


def _serial(robot: Robot, text: str, found: re.Match[str]) -> Claim:
    flow = "rts/cts" in text
    return uart("x", _bus(robot, text, found[1], "uart"), flow_control=flow)


def _block(robot: Robot, text: str, found: re.Match[str]) -> Claim:
    """Return a block at the route, positions, signal or line that *text* names."""
    route = re.search(r"\b(m\d)\b", text)
    line = re.search(r"gpio\d+_\d+", text)
    signal_ = re.search(r"\b(a|b|out\d+|in\d+)\b", text)
    bus = found[1]
    return BlockClaim(
        key=key("x"),
        blocks=(f"{bus} {route[1]}" if route else bus,),
        signals=(signal_[1],) if signal_ else (),
        positions=tuple(map(PinId, _pins(text))),
        lines=Choice(options=(line[0],)) if line else Choice(any=True),
    )


def _spi_device(robot: Robot, text: str, found: re.Match[str]) -> Claim:
    select = re.search(r"(?:ce|cs)(\d)", text) or re.search(r"spi\d[.-](\d)", text)
    return spi("x", _bus(robot, text, found[1], "spi"), select[1] if select else "any")


def _pwm(robot: Robot, text: str, found: re.Match[str]) -> Claim:
    return _at(robot, text, "pwm")


def _both(robot: Robot, text: str, found: re.Match[str]) -> list[Claim]:
    return [signal("x", "led-string", 12), signal("y", "pwm", 13)]


def _expander(robot: Robot, text: str, found: re.Match[str]) -> list[Claim]:
    device = i2c("x", None, addresses=(0x20,))
    return [device] if "noints" in text else [device, signal("int", "input", 4)]


def _usb(robot: Robot, text: str, found: re.Match[str]) -> Claim:
    device = "0bda:2838" if "sdr" in text or "dvb" in text else "10c4:ea60"
    return UsbClaim(key=key("x"), id=device)


def _audio(via: str) -> Any:
    return lambda *_: AudioClaim(key=key("x"), via=Choice(options=(via,)))


def _default_wire(robot: Robot, text: str, found: re.Match[str]) -> Claim:
    line = re.search(r"gpiopin=(\d+)", text)
    name = re.search(r"GPIOCLK_0", text)
    return one_wire("x", name[0] if name else line[1] if line else None)


_WORDS: tuple[tuple[str, Any], ...] = (
    (r"led string pwm gpio12 \+", _both),
    (r"^(led string|ws2812-pio) ", lambda r, t, _: _at(r, t, "led-string")),
    (r"^analog audio", _audio("analog")),
    (r"^hdmi or usb audio", _audio("hdmi")),
    (r"^(i2s producer|i2s-dac|i2s amplifier|max98357a|i2s2 m1|i2s1 )", lambda *_: i2s("x")),
    (r"^i2s consumer", lambda *_: i2s("x", clock="device")),
    (r"^gpclk", lambda r, t, _: _at(r, t, "clock")),
    (r"^dht11", lambda *_: signal("x", "input", 4)),
    (r"^w1(-gpio)?( |$)", _default_wire),
    (r"^mcp23017", _expander),
    (
        r"^gpio-shutdown",
        lambda _, t, __: signal("x", "input", 26 if "gpio_pin=26" in t else 3),
    ),
    (r"^i2c1 scl", lambda *_: i2c("x", None, addresses=(0x33,))),
    (r"gps uart 14/15 needs pl011", lambda *_: uart("x", parity="even")),
    (r"gps uart 14/15", lambda *_: uart("x")),
    (r"^plugin . camera", lambda *_: camera("x")),
    (r"^(lidar|mcu|sdr|dvb)", _usb),
    (r"^mcp2515-can0", lambda *_: spi("x")),
    (r"^(?:mcp2515 )?(?:spidev|spi)0[.-](\d)", lambda _, __, f: spi("x", "spi0", f[1])),
    (r"^(i2c\w*) on pins", _i2c_device),
    (r"^(i2c\d|i2c_\w+)", _i2c_device),
    (r"^(can\d|eqep\d|spdif\w*|pru\d)", _block),
    (r"\b(spi\d|spicc)", _spi_device),
    (r"\b(uart\d|uart_\w+)", _serial),
    (r"^(pwm|e?pwm\w*)( |$)|^pwm", _pwm),
    (r"output$", lambda r, t, _: _at(r, t, "output")),
    (r"gpio|GPIO", lambda r, t, _: _at(r, t, "input")),
)

TOKENS = re.compile(
    r"gpio\d+(?:_\d+)?(?![\d-])|GPIO\w+|pwm\d+ ch\d|ehrpwm\d|i2c\d|uart\d|spi\d|pcm|camera|gpclk\d|"
    r"pwm_ao_b|pwm1[345]|target|HDMI|eMMC|clkout2|boot flash|codec|regulator"
)


@pytest.mark.parametrize(("rule", "case"), list(_cases()))
def test_case(rule: str, case: Any) -> None:
    """The first word decides: ok, warning, or error (conflict); what is named must be named."""
    robot = _robot(rule, case)
    asked: HardwareProblem = made(
        robot.board.id,
        *(instance(f"plugin{n}", *claims) for n, claims in enumerate(robot.claims)),
        boot_claims=tuple(robot.boot),
        freed=frozenset(robot.freed),
    )
    answer = assign(asked)
    assert faults(asked, answer) == []
    errors = [one for one in answer.findings if one.severity is Severity.ERROR]
    warnings = [one for one in answer.findings if one.severity is Severity.WARNING]
    expected = re.split(r"[\s,:]", case["expect"])[0]
    said = " ".join(
        f"{one.resource} {one.message} {' '.join(one.why)}" for one in answer.findings
    ).replace("channel ", "ch")
    match expected:
        case "ok":
            assert errors == [], said
        case "conflict" | "error":
            assert errors, case
            tokens = TOKENS.findall(case["expect"])
            assert not tokens or any(token in said for token in tokens), (tokens, said)
        case "warning":
            assert errors == []
            assert warnings, case
        case _:
            raise AssertionError(expected)


def test_no_robot_without_its_case() -> None:
    """Every whole robot shows a published case; together with the others, all of them run."""
    shown = {(param.values[1]["rule"], param.values[1]["case"]) for param in _robots()}
    assert shown == set(WHOLE)
    assert len(list(_cases())) + len(shown) == len(list(_published())) + sum(
        rule == "i2c" for rule, _ in WHOLE
    )


@pytest.fixture(scope="module", autouse=True)
def _facts_once() -> Iterator[None]:
    with kept_facts():
        yield


@pytest.mark.parametrize(("case", "robot"), list(_robots()))
def test_robot(case: Any, robot: Any, tmp_path: Path) -> None:
    """The same over the files of a robot: the rule that tells it, and where a claim ends up."""
    assert robot["claims"] == case["claims"], "the published case has moved"
    plugins = robot["plugins"] or {"idle": "{}"}
    plan = planned(
        tmp_path,
        plugins,
        board=robot["board"],
        robot=robot.get("robot", "") + "\n",
        bare=robot.get("bare", False),
        boot=robot.get("boot"),
        image=robot.get("image", "vendor"),
    )
    word = re.split(r"[\s,:]", case["expect"])[0]
    told = [
        one
        for one in plan.findings
        if one.rule == robot.get("finding") and robot.get("says", "") in one.message
    ]
    if "finding" in robot:
        expected = robot.get("tells", {"ok": None, "warning": "warning"}.get(word, "error"))
        assert (told[0].severity.value if told else None) == expected, plan.findings
    if "finds" in robot:
        assert robot["finds"] in {str(one.bus or one.resource) for one in plan.assignments}


def _clashes() -> Iterator[Any]:
    data = plain_yaml.load((CASES / "i2c.yaml").read_text())
    for number, case in enumerate(data["cases"]):
        if ("i2c", number) not in WHOLE:
            yield pytest.param(case, id=str(number))


@pytest.mark.parametrize("case", list(_clashes()))
def test_clash(case: Any) -> None:
    """Devices on one bus; `default` is the part's usual strap."""
    claims = []
    for text in case["claims"]:
        bus = re.search(r"on (i2c\d)", text)
        address = re.search(r"0x([0-9A-Fa-f]+)", text)
        name = text.split()[0]
        part = find_part(parts(), name)
        assert part is not None or name == "custom", name
        # A case about default straps fixes them; a manifest would leave the choice open.
        first = () if part is None or part.default is None else (part.default,)
        addresses = (int(address[1], 16),) if address else first
        claims.append(
            i2c(
                "x",
                None if part is None else PartName(part.name),
                bus[1] if bus else None,
                addresses=addresses,
            )
        )
    asked = made(RPI4, *(instance(f"plugin{n}", claim) for n, claim in enumerate(claims)))
    answer = assign(asked)
    rules = {(one.severity.value, one.rule) for one in answer.findings}
    match re.split(r"[\s,:]", case["expect"])[0]:
        case "ok":
            assert rules == set()
        case "warning":
            assert rules == {("warning", "address-also-answered")}
        case "clash":
            assert rules == {("error", "address-collision")}
        case "error":
            assert rules == {("error", "address-reserved")}
        case word:
            raise AssertionError(word)
