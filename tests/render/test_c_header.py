"""The header for a companion's firmware: right, compilable, safe whatever stands in a plan."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.formats.lock import parse_lock, render_lock
from robokit_plan.model import (
    Active,
    Assignment,
    BusName,
    ClaimName,
    ControllerName,
    Hertz,
    InstanceName,
    LineName,
    LineUse,
    Plan,
    Pull,
    ResourceName,
    RobotName,
)
from robokit_plan.render import c_controllers, render_c_header
from tests.render.plans import HERON

GOLDEN = Path(__file__).parents[1] / "golden" / "heron-fin-mcu.h"

C = ("gcc", "-std=c99", "-x", "c")
CPP = ("g++", "-std=c++11", "-x", "c++")
STRICT = ("-Wall", "-Wextra", "-Werror", "-pedantic", "-pedantic-errors", "-fsyntax-only", "-")


def pin(
    instance: str, claim: str, line: str, *, function: str = "output", **more: object
) -> Assignment:
    made = Assignment(
        instance=InstanceName(instance),
        claim=ClaimName(claim),
        section="signals",
        resource=ResourceName(f"fin-mcu pin {line}"),
        lines=(LineUse(signal=claim, line=LineName(line), position=None),),
        controller=ControllerName("fin-mcu"),
        function=function,
        active=Active.HIGH,
        pull=Pull.NONE,
    )
    return replace(made, **more)  # type: ignore[arg-type]


def of_controller(claim: str, **more: object) -> Assignment:
    made = Assignment(
        instance=InstanceName("fin-mcu"),
        claim=ClaimName(claim),
        section="controllers",
        resource=ResourceName("usb 2e8a:000a"),
        controller=ControllerName("fin-mcu"),
        function="link of fin-mcu",
    )
    return replace(made, **more)  # type: ignore[arg-type]


def plan_of(*assignments: Assignment) -> Plan:
    return replace(HERON, assignments=(*HERON.assignments, *assignments))


FIN = plan_of(
    pin("helm", "rudder-pulse", "gpio4", function="servo", frequency=Hertz(50)),
    pin("sampler", "lid-closed", "gpio6", function="input", active=Active.LOW, pull=Pull.UP),
    of_controller("link"),
    of_controller(
        "inhibit",
        resource=ResourceName("fin-mcu pin 15"),
        lines=(LineUse(signal="inhibit", line=LineName("15"), position=None),),
        function="inhibit",
        active=Active.LOW,
        note="stops rudder",
    ),
)


def compiles(header: str, tool: tuple[str, ...], use: str = "") -> None:
    if shutil.which(tool[0]) is None:
        pytest.skip(f"no {tool[0]} on this machine")
    # Included twice: the guard holds.
    source = f"{header}\n{header}\nint main(void) {{ {use} return 0; }}\n"
    done = subprocess.run(
        [*tool, *STRICT], input=source, text=True, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr


def defines(header: str) -> dict[str, str]:
    return dict(re.findall(r"^#define (\w+) (.+)$", header, re.MULTILINE))


def test_the_whole_header_is_as_reviewed() -> None:
    # The digest follows from the form of the lock file, which has a golden file of its own.
    made = re.sub(r"[0-9a-f]{64}", "0" * 64, render_c_header(FIN, "fin-mcu"))
    if os.environ.get("ROBOKIT_GOLDEN") == "write":
        GOLDEN.write_text(made, encoding="utf-8")
    assert made == GOLDEN.read_text("utf-8")


def test_it_says_what_the_plan_says() -> None:
    known = defines(render_c_header(FIN, "fin-mcu"))
    assert known["HERON_HELM_RUDDER_PULSE_PIN"] == "4"
    assert known["HERON_HELM_RUDDER_PULSE_HZ"] == "50"
    assert known["HERON_SAMPLER_LID_CLOSED_ACTIVE_LOW"] == "1"
    assert known["HERON_SAMPLER_LID_CLOSED_PULL_UP"] == "1"
    assert known["HERON_INHIBIT_PIN"] == "15"
    assert known["HERON_LINK_TO"] == '"usb 2e8a:000a"'


@pytest.mark.parametrize("tool", [C, CPP])
def test_a_compiler_takes_it(tool: tuple[str, ...]) -> None:
    use = "const char *p = HERON_HELM_RUDDER_PULSE_FUNCTION; (void)p; (void)HERON_INHIBIT_PIN;"
    compiles(render_c_header(FIN, "fin-mcu"), tool, use)


def test_the_digest_is_that_of_the_lock_file() -> None:
    """A firmware can tell the host which plan it was built for; the host hashes its lock."""
    from hashlib import sha256

    text = render_lock(FIN)
    digest = defines(render_c_header(FIN, "fin-mcu"))["HERON_PLAN"]
    assert digest == f'"{sha256(text.encode()).hexdigest()}"'
    locked = parse_lock(text, file="pylock.heron.toml")
    assert render_c_header(locked, "fin-mcu") == render_c_header(FIN, "fin-mcu")


# sources: pin names of the chips' cores: variants/standard, pins header (D0 is 0, A0 is a
# constant), STM32 core PinNames (PA0), the RP2040 and ESP32 kits (GPIO numbers)
@pytest.mark.parametrize(
    ("name", "number"),
    [("gpio0", "0"), ("D13", "13"), ("A5", "A5"), ("PC13", "PC13"), ("9", "9"), ("RESET", None)],
)
def test_a_pin_is_called_as_the_core_calls_it(name: str, number: str | None) -> None:
    known = defines(render_c_header(plan_of(pin("helm", "x", name)), "fin-mcu"))
    assert known.get("HERON_HELM_X_PIN") == number
    assert known["HERON_HELM_X_PIN_NAME"] == f'"{name}"'


def test_only_this_controllers_pins_are_there() -> None:
    other = pin("helm", "lamp", "gpio5", controller=ControllerName("deck-mcu"))
    plan = plan_of(pin("helm", "x", "gpio4"), other)
    assert c_controllers(plan) == ("deck-mcu", "fin-mcu")
    assert "LAMP" not in render_c_header(plan, "fin-mcu")
    assert "HERON_HELM_LAMP_PIN 5" in render_c_header(plan, "deck-mcu")


def test_names_that_c_cannot_tell_apart_bear_a_digest() -> None:
    plan = plan_of(pin("a-b", "c", "gpio4"), pin("a", "b-c", "gpio5"))
    pins = {
        name: value
        for name, value in defines(render_c_header(plan, "fin-mcu")).items()
        if name.endswith("_PIN")
    }
    assert sorted(pins.values()) == ["4", "5"]
    assert all(re.fullmatch(r"HERON_A_B_C_[0-9A-F]{8}_PIN", name) for name in pins)


def test_a_hazard_brings_its_caution() -> None:
    """HERON's hazard is motion by helm."""
    text = render_c_header(plan_of(pin("helm", "x", "gpio4")), "fin-mcu")
    assert "CAUTION motion (helm): parts move by themselves" in text
    assert "CAUTION" not in render_c_header(plan_of(pin("compass", "x", "gpio4")), "fin-mcu")


NASTY = st.text(
    alphabet=st.sampled_from("*/\\\"'?=#<>\n\r\t\x00\x1bäß€\U0001f6a2_- aZ09%$(){}"), max_size=70
)


@settings(max_examples=40, deadline=None)
@given(
    robot=NASTY,
    names=st.lists(st.tuples(NASTY, NASTY, NASTY), min_size=1, max_size=4, unique=True),
    note=NASTY,
)
def test_no_name_leaves_its_line(robot: str, names: list[tuple[str, str, str]], note: str) -> None:
    header = _hostile(robot, names, note)
    assert header.isascii()
    assert "??" not in header
    inside = False
    for line in header.splitlines():
        if not inside and line and not line.startswith("/*"):
            assert re.fullmatch(
                r'#(?:ifndef \w+|endif /\* \w+ \*/|define \w+( (?:\d+|0x[0-9a-f]+|[AP]\w+|"(?:[^"\\?]'
                r'|\\[0-3][0-7]{2})*"))?)',
                line,
            ), line
        inside = (inside or line.startswith("/*")) and not line.endswith("*/")
        assert line.count("/*") <= 1
    found = re.findall(r"^#define (\w+)", header, re.MULTILINE)
    assert len(found) == len(set(found))
    assert all(re.fullmatch(r"[A-Z][A-Z0-9_]*", name) and "__" not in name for name in found)
    assert all(len(name) <= 63 for name in found if "ROBOKIT" not in name)


def _hostile(robot: str, names: list[tuple[str, str, str]], note: str) -> str:
    keys: set[tuple[str, str]] = set()
    pins = []
    for instance, claim, line in names:
        if (instance, claim) not in keys:
            keys.add((instance, claim))
            pins.append(pin(instance, claim, line, function=note, frequency=Hertz(50)))
    plan = replace(
        plan_of(*pins, of_controller("link", note=note)),
        robot=RobotName(robot),
        hazards={"motion": tuple(InstanceName(one[0]) for one in names), note: ()},
    )
    return render_c_header(plan, "fin-mcu")


@pytest.mark.parametrize("tool", [C, CPP])
def test_a_compiler_takes_hostile_names(tool: tuple[str, ...]) -> None:
    names = [
        ('*/ #error x /*"', "a\\", "gpio4"),
        ("9lives", "??/", "A5"),
        ("_x", "int main", 'x"; system("x'),
        ("ümläut", "\n#error y", "\\"),
        ("a" * 300, "b" * 300, "gpio7"),
        ("", "", ""),
    ]
    compiles(_hostile("1*/robot", names, "*/\n#error z"), tool)


def test_a_block_names_each_of_its_pins() -> None:
    """A serial port of the companion has two pins, and both are told with the block."""
    port = pin("sonar", "echo", "gpio4", function="block")
    port = replace(
        port,
        section="blocks",
        bus=BusName("uart1"),
        resource=ResourceName("fin-mcu uart1"),
        active=None,
        pull=None,
        lines=(
            LineUse(signal="tx", line=LineName("gpio4"), position=None),
            LineUse(signal="rx", line=LineName("gpio5"), position=None),
        ),
    )
    lines = render_c_header(plan_of(port), "fin-mcu").splitlines()
    assert [one for one in lines if "SONAR_ECHO" in one] == [
        '#define HERON_SONAR_ECHO_BLOCK "uart1"',
        "#define HERON_SONAR_ECHO_TX_PIN 4",
        '#define HERON_SONAR_ECHO_TX_PIN_NAME "gpio4"',
        "#define HERON_SONAR_ECHO_RX_PIN 5",
        '#define HERON_SONAR_ECHO_RX_PIN_NAME "gpio5"',
        '#define HERON_SONAR_ECHO_FUNCTION "block"',
    ]


@pytest.mark.parametrize(("timeout", "told"), [(500, True), (None, False)])
def test_silence_after_which_the_firmware_stops(timeout: int | None, told: bool) -> None:
    """What the robot file promises for the firmware, the firmware can read."""
    text = render_c_header(plan_of(of_controller("link", timeout_ms=timeout)), "fin-mcu")
    assert ("#define HERON_LINK_TIMEOUT_MS 500" in text) is told
