"""Manifests: every key arrives as a value with its place; every bad key alone is told."""

from __future__ import annotations

import pickle
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import (
    MAX_ALIKE,
    Active,
    Backend,
    Choice,
    Claim,
    Finding,
    Function,
    Hazard,
    Manifest,
    Mux,
    Origin,
    Pull,
    Severity,
    WireSize,
)
from tests import plain_yaml
from tests.pace import within

from .manifest_example import FILE, GOOD, SHA256

BASE = 'format: 1\nplugin: nav-lights\nversion: "0.3.1"\n'


def read(text: str) -> Manifest:
    manifest, findings = parse_manifest(text, FILE)
    assert not findings
    assert manifest is not None
    return manifest


def told(text: str) -> tuple[Finding, ...]:
    return parse_manifest(text, FILE)[1]


def claims(manifest: Manifest) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for claim in manifest.base.hardware:
        found.setdefault(claim.key.name, claim)
    return found


# -- what arrives -------------------------------------------------------------------------------


def test_the_whole_grammar_arrives() -> None:
    manifest = read(GOOD)
    assert (manifest.plugin, manifest.version, manifest.license) == ("nav-lights", "0.3.1", "MIT")
    assert manifest.behaviour == "nav_lights.lights:Lights"
    assert manifest.boards == ("raspberrypi,4-model-b",)
    assert manifest.settings["leds"].default == 12
    assert (manifest.settings["leds"].minimum, manifest.settings["leds"].maximum) == (1, 60)
    assert manifest.settings["hue"].choices == ("red", "green")
    assert manifest.provides == ("lights",)
    assert [str(one) for one in manifest.needs] == ["daylight"]
    assert [str(one) for one in manifest.plugins] == ["helm>=0.4,<1"]
    assert [str(one) for one in manifest.excludes] == ["deck-lamp"]
    python, machine = manifest.base.python, manifest.base.machine
    assert str(python.requires_python) == ">=3.11"
    assert [str(one) for one in python.requires] == ["numpy>=1.24,<3"]
    assert [str(one) for one in python.modules] == ["numpy"]
    assert [str(one) for one in manifest.base.debian] == [
        "libportaudio2",
        "python3-libcamera (>= 0.3)",
        "mosquitto | nanomq",
    ]
    assert [str(one) for one in machine.start + machine.stop] == ["mosquitto", "brltty"]
    assert [str(one) for one in machine.load + machine.block] == ["i2c-dev", "snd_bcm2835"]
    assert [str(one) for one in machine.groups + machine.permissions] == ["gpio", "power-off"]
    (variable,) = machine.environment
    assert (variable.name, variable.secret) == ("SHORE_TOKEN", True)
    (asset,) = machine.assets
    assert (asset.sha256, asset.size, asset.path) == (SHA256, 48123, "models/voice.onnx")
    assert (machine.memory_mb, machine.cpu_percent) == (60, 5)
    assert [one.name for one in manifest.variants] == ["spi", "pwm"]
    assert [str(one) for one in manifest.topics.commands] == ["port-thruster"]
    assert manifest.folder == "plugins/nav-lights"
    # Line of `python:` and of `requires:` in the text above, counted by hand.
    assert manifest.places["python"] == Origin(file=FILE, line=13, column=1)
    assert manifest.places["python.requires"] == Origin(file=FILE, line=15, column=3)


def test_claims_arrive_with_units_and_defaults() -> None:
    held = claims(read(GOOD))
    leak, lid, enable, rudder, hat = (
        held[name] for name in ("leak", "lid", "enable", "rudder", "hat")
    )
    assert (leak.function, leak.pull, leak.active) == (Function.INPUT, Pull.UP, Active.LOW)
    assert (leak.volts, leak.divider_ohm, leak.port_kind) == (5000, (10_000, 18_000), "5V")
    assert leak.lines == Choice(any=True)
    assert (lid.backend, lid.wire) == (
        Backend.KERNEL,
        WireSize(hundredth_mm2=50, length_mm=300),
    )
    assert (enable.lines, enable.hazard) == (Choice(options=("GPIO4_B3",)), Hazard.MOTION)
    assert (enable.drives, enable.current, enable.volts) == ("motor-driver", 2, 3300)
    assert (rudder.controller, rudder.pins, rudder.frequency) == ("hull-mcu", Choice(any=True), 50)
    assert (hat.positions, hat.key.share, hat.key.optional) == (("12", "P9_22"), "clocks", True)
    imu, tof = held["imu"], held["tof"]
    assert (imu.addresses, imu.bus, imu.volts) == ((0x28, 0x29), Choice(any=True), 3300)
    assert (tof.behind, tof.bus) == (Mux(claim="mux", channel=3), Choice(options=("i2c1", "i2c3")))  # type: ignore[arg-type]
    assert held["mux"].bus == Choice()
    assert (held["radio"].select, held["radio"].max_khz) == (Choice(any=True), 8000)
    assert (held["gnss"].baud, held["gnss"].port) == (9600, Choice(any=True))
    assert (held["hydrophone"].direction, held["hydrophone"].clock) == ("in", "board")
    assert held["probe"].lines == Choice(any=True)
    assert (held["receiver"].id, held["receiver"].current) == ("0bda:2838", 300)
    assert held["horn"].via == Choice(options=("analog", "usb"))
    load = next(one for one in read(GOOD).base.hardware if type(one).__name__ == "PowerClaim")
    assert (load.typical, load.peak, load.stall, load.count) == (400, 6000, 9000, 2)  # type: ignore[union-attr]
    thruster = held["port-thruster"]
    assert (thruster.hazard, thruster.safe_state, thruster.guard) == (
        Hazard.MOTION,
        "stopped",
        "heat-guard",
    )
    # `imu:` stands on line 38 of the example, as `grep -n` counts.
    assert imu.key.origin == Origin(file=FILE, line=38, column=5)


def test_absent_keys_take_the_designs_defaults() -> None:
    manifest = read(
        BASE
        + "hardware:\n"
        + "  signals: {a: {function: input}}\n"
        + "  i2c: {b: {part: bno055}}\n"
        + "  uart: {c: {}}\n"
        + "  one-wire: {d: {}}\n"
        + "  camera: {e: {}}\n"
    )
    held = claims(manifest)
    assert held["a"].lines == Choice(any=True)
    assert (held["a"].active, held["a"].pull, held["a"].volts) == (Active.HIGH, Pull.NONE, 3300)
    assert held["b"].bus == Choice()
    assert held["b"].addresses == ()
    assert (held["c"].baud, held["c"].parity, held["c"].port) == (115_200, "none", Choice())
    assert held["d"].lines == Choice()
    assert held["e"].connector == Choice()
    assert (manifest.summary, manifest.license, manifest.behaviour) == ("", None, None)


def test_a_bare_number_under_gpio_means_a_line_of_that_number() -> None:
    held = claims(
        read(BASE + "hardware: {signals: {a: {function: input, gpio: [17, gpio4, any]}}}")
    )
    assert held["a"].lines == Choice(any=True)
    held = claims(read(BASE + "hardware: {signals: {a: {function: input, gpio: [17, gpio4]}}}"))
    assert held["a"].lines == Choice(options=("gpio17", "gpio4"))


def test_results_can_be_pickled() -> None:
    """They are kept in a cache by the digest of the text."""
    result = parse_manifest(GOOD, FILE)
    assert pickle.loads(pickle.dumps(result)) == result


def test_the_digest_is_that_of_the_text() -> None:
    # sha256sum of the three lines of BASE, computed with coreutils.
    assert read(BASE).digest == "1911a30c93a0e1ce9cf62f13513acf66264f1083fe7b5f8fafa3c395fc5a4e4d"


# -- what is told -------------------------------------------------------------------------------


BAD = plain_yaml.load((Path(__file__).parent / "bad_manifest.yaml").read_text("utf-8"))


@pytest.mark.parametrize("case", BAD, ids=[one["graft"].strip()[:60] for one in BAD])
def test_each_bad_key_alone_is_told(case: dict[str, Any]) -> None:
    """The all-bad manifest: each of its keys, grafted alone onto a good one, gives its finding."""
    text = case.get("base", BASE) + case["graft"]
    findings = told(text)
    assert [f"{one.severity.value} {one.rule}: {one.message}" for one in findings] == case["told"]
    if "at" in case:
        place = findings[0].places[0].origin
        assert f"{place.line}:{place.column}" == case["at"]
    if "fix" in case:
        assert list(findings[0].repair) == case["fix"]


def test_all_bad_keys_together_are_all_told() -> None:
    text = (
        BASE
        + "provides: Lights\nneeds: [X Y]\nsumary: x\nlicense: 3\nhardware: {signals: {a: {}}}\n"
    )
    assert sorted(one.rule for one in told(text)) == [
        "schema",
        "schema",
        "schema",
        "unknown-key",
        "yaml-surprise",
    ]


def test_what_is_wrong_is_left_out_and_the_rest_is_read() -> None:
    manifest, findings = parse_manifest(
        BASE
        + "provides: [lights, Dark Room]\nhardware: {signals: {a: {function: input}, b: {}}}\n",
        FILE,
    )
    assert len(findings) == 2
    assert manifest is not None
    assert manifest.provides == ("lights",)
    assert [claim.key.name for claim in manifest.base.hardware] == ["a"]


@pytest.mark.parametrize(
    "text",
    [
        'python: {requires: ["a\\nb; rm -rf /"]}',
        'machine: {groups: ["gpio; reboot"]}',
        'machine: {groups: ["-x"]}',
        'machine: {services: {start: ["$(reboot)"]}}',
        'machine: {kernel: {load: ["../evil"]}}',
        'machine: {environment: [{name: "A=1; reboot"}]}',
        'plugin: "../../etc"',
        'provides: ["a\\n"]',
        'hardware: {signals: {"a b": {function: input}}}',
    ],
)
def test_nothing_that_could_reach_a_shell_arrives(text: str) -> None:
    """A manifest comes from a stranger: names that are no names are told and left out."""
    base = BASE.replace("plugin: nav-lights\n", "") if text.startswith("plugin") else BASE
    manifest, findings = parse_manifest(base + text + "\n", FILE)
    if "requires" in text:
        return  # a requirement is parsed by PEP 508 before anything is made of it
    assert findings
    assert manifest is not None
    held = repr(manifest)
    for part in ("reboot", "../", "a\\n", "a b"):
        assert part not in held


def test_a_later_format_gives_one_finding_and_nothing_else() -> None:
    manifest, findings = parse_manifest("format: 2\nfoo: [1\n]\nplugin: 3\n", FILE)
    assert manifest is None
    (one,) = findings
    assert (one.rule, str(one.places[0].origin)) == ("format-too-new", f"{FILE}:1:9")
    assert one.message == f"{FILE} has format 2, but formats up to 1 are known here"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", f"{FILE} is empty"),
        ("# nothing\n", f"{FILE} is empty"),
        ("- a\n", f"{FILE} must be a map of keys and values, not a list"),
        ("just words\n", f"{FILE} must be a map of keys and values, not a single value"),
        ("{}\n", f"{FILE} must be a map of keys and values, not an empty map"),
    ],
)
def test_a_file_that_is_no_map_is_told(text: str, message: str) -> None:
    manifest, findings = parse_manifest(text, FILE)
    assert manifest is None
    assert [one.message for one in findings] == [message]


def test_thousands_of_wrong_keys_are_folded() -> None:
    with within(5):
        findings = told(BASE + "".join(f"k{i}: {i}\n" for i in range(10_000)))
    assert len(findings) == MAX_ALIKE + 1
    assert findings[-1].message == "9,980 or more others of the same kind in this file"


@pytest.mark.parametrize(
    "text",
    [
        BASE + "provides: [" + ",".join(f"'K{i}'" for i in range(40_000)) + "]\n",
        BASE
        + "hardware: {signals: {"
        + ",".join(f"c{i}: {{function: foo}}" for i in range(9_000))
        + "}}\n",
        BASE + "provides: [" + ",".join(["on"] * 50_000) + "]\n",
        BASE + "".join("a: 1\n" for _ in range(20_000)),
    ],
    ids=["bad items", "bad claims", "switches", "one key"],
)
def test_files_wrong_all_over_are_told_in_bounded_time(text: str) -> None:
    with within(6):
        assert 0 < len(told(text)) <= 3 * (MAX_ALIKE + 1)


# -- laws ---------------------------------------------------------------------------------------


def blank(value: Any) -> Any:
    """Return a value without places, which move with the order of keys."""
    text = repr(value)
    return re.sub(r"Origin\(file='[^']*', line=\d+, column=\d+\)", "Origin", text)


class TestKeyOrder:
    """Law: the order of a manifest's keys never matters."""

    @settings(max_examples=40, deadline=None)
    @given(st.randoms(use_true_random=False))
    def test_shuffled(self, random: Any) -> None:
        def shuffled(data: Any) -> Any:
            if isinstance(data, dict):
                # The first variant that fits is taken: their order is meant.
                keys = list(data)
                if "spi" not in data or "pwm" not in data:
                    random.shuffle(keys)
                return {key: shuffled(data[key]) for key in keys}
            return [shuffled(one) for one in data] if isinstance(data, list) else data

        text = yaml.safe_dump(shuffled(plain_yaml.load(GOOD)), sort_keys=False)
        one, two = read(text), read(yaml.safe_dump(plain_yaml.load(GOOD), sort_keys=False))
        assert blank(one.base) == blank(two.base)
        assert blank(one.variants) == blank(two.variants)
        assert blank(one.topics) == blank(two.topics)
        assert (one.provides, dict(one.settings).keys()) == (
            two.provides,
            dict(two.settings).keys(),
        )


_KEYS = st.sampled_from(
    [
        "format",
        "plugin",
        "version",
        "hardware",
        "signals",
        "i2c",
        "leak",
        "function",
        "gpio",
        "any",
        "input",
        "python",
        "requires",
        "x-a",
    ]
)
_ANYTHING = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=10), _KEYS),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(_KEYS | st.text(max_size=5), inner, max_size=5)
    ),
    max_leaves=25,
)


class TestNothingElseEscapes:
    """Law: any text gives a value, findings, or `UnreadableFile`, and quickly."""

    @settings(max_examples=200, deadline=3000)
    @given(st.text(max_size=300))
    def test_any_text(self, text: str) -> None:
        try:
            manifest, findings = parse_manifest(text, FILE)
        except UnreadableFile:
            return
        assert manifest is not None or findings

    @settings(max_examples=150, deadline=3000)
    @given(st.dictionaries(_KEYS, _ANYTHING, max_size=8))
    def test_any_data_in_known_keys(self, data: Any) -> None:
        text = yaml.safe_dump(data, allow_unicode=True)
        try:
            manifest, findings = parse_manifest(text, FILE)
        except UnreadableFile:
            return
        assert manifest is not None or findings
        assert all(one.places and one.message for one in findings)


def test_claims_of_a_good_manifest_are_sorted() -> None:
    def order(claim: Claim) -> tuple[str, str]:
        from robokit_plan.model import SECTION_OF

        return SECTION_OF[type(claim)], claim.key.name

    hardware = read(GOOD).base.hardware
    assert list(hardware) == sorted(hardware, key=order)


def test_a_warning_stays_a_warning() -> None:
    (one,) = told(BASE + "hardware: {signals: {a: {function: input, optional: yes}}}\n")
    assert (one.rule, one.severity) == ("yaml-surprise", Severity.WARNING)
    assert one.repair == ("optional: true",)
