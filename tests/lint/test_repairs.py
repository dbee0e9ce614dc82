"""What a finding says to type is accepted once it is typed, and says what it is about."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.lint import lint_manifest, lint_robot, lint_text
from robokit_plan.model import BoardId, Finding, PluginName
from tests.lint.test_rules import MANIFEST, ROBOT, SHA256, manifest_of, robot_of

numbers = st.integers(-3, 3) | st.sampled_from([-0.5, 0.5, 1.5, 2.0, 1e300])
values = numbers | st.sampled_from(["red", "", "1"]) | st.booleans()


def told(text: str, rule: str) -> list[Finding]:
    return [one for one in lint_manifest(manifest_of(MANIFEST + text)) if one.rule == rule]


@settings(max_examples=300, deadline=None)
@given(
    kind=st.sampled_from(["integer", "number", "string", "boolean"]),
    default=values,
    bounds=st.dictionaries(st.sampled_from(["min", "max"]), numbers),
    choices=st.none() | st.lists(values, min_size=1, max_size=3),
)
def test_a_default_that_is_proposed_is_a_default(
    kind: str,
    default: float | str | bool,
    bounds: dict[str, float],
    choices: list[float | str | bool] | None,
) -> None:
    """Bounds between which no whole number is, and choices that are none, are told by themselves."""
    entry: dict[str, object] = {"type": kind, "default": default, **bounds}
    if choices is not None:
        entry["choices"] = choices
    text = f"settings: {{depth: {json.dumps(entry)}}}\n"
    wrong = [one for one in told(text, "setting-default-invalid") if "default " in one.message]
    if not wrong:
        return
    ((fix,),) = [one.repair for one in wrong]
    word = fix.removeprefix("default: ")
    low, high = bounds.get("min", -10), bounds.get("max", 10)
    if kind == "integer" and not any(low <= one <= high for one in range(-10, 11)):
        return
    good = [one for one in choices or () if _can_be(kind, one, low, high)]
    if choices is not None and not good:
        return
    again = text.replace(
        json.dumps({"default": default})[1:-1], f'"default": {_quoted(kind, word)}'
    )
    left = told(again, "setting-default-invalid")
    assert not [one for one in left if "default " in one.message], (text, fix)


def _can_be(kind: str, value: float | str | bool, low: float, high: float) -> bool:
    if isinstance(value, (bool, str)):
        return kind == {bool: "boolean", str: "string"}[type(value)]
    if kind == "integer" and not isinstance(value, int):
        return False
    return kind in {"integer", "number"} and low <= value <= high


def _quoted(kind: str, word: str) -> str:
    return json.dumps(word.strip('"')) if kind == "string" else word


@pytest.mark.parametrize("default", [".inf", "-.inf", ".nan", "x", "true"])
@pytest.mark.parametrize("bounds", ["", ", min: 2", ", max: -2", ", min: .inf"])
def test_a_number_that_is_none_is_told(default: str, bounds: str) -> None:
    text = f"settings: {{depth: {{type: integer, default: {default}{bounds}}}}}\n"
    (one,) = told(text, "setting-default-invalid")
    if "min: 2" in bounds or "max" in bounds:
        assert one.repair == (f"default: {bounds[-2:].strip()}",)


def asset(path: str, *, host: str = "a", scheme: str = "https") -> str:
    return f'{{url: "{scheme}://{host}.example/a", path: {path}, license: MIT, sha256: SHA256}}'


def assets(*some: str) -> str:
    return f"machine: {{assets: [{', '.join(some)}]}}\n"


@pytest.mark.parametrize(
    ("path", "other"),
    [("a", "a-2"), ("a.bin", "a-2.bin"), ("m/a.tar.gz", "m/a.tar-2.gz"), ("m.d/a", "m.d/a-2")],
)
def test_two_assets_that_go_to_one_path_are_told_apart(path: str, other: str) -> None:
    (one,) = told(assets(asset(path), asset(path, host="b")), "asset-twice")
    assert one.repair == (f"path: {other}   for one of the two",)
    assert told(assets(asset(path), asset(other, host="b")), "asset-twice") == []


def test_one_asset_that_is_listed_twice_is_one() -> None:
    assert told(assets(asset("a"), asset("a")), "asset-twice") == []
    assert (
        len(told(assets(asset("a"), asset("a").replace("SHA256", f"'{'0' * 64}'")), "asset-twice"))
        == 1
    )
    assert SHA256 != "0" * 64


@pytest.mark.parametrize(
    ("scheme", "why", "fix"),
    [
        (
            "http",
            "anybody on the way can read and hold back what is fetched",
            "https://a.example/a",
        ),
        ("ftp", "assets are fetched by https", "https://a.example/a"),
        ("file", "assets are fetched by https", "https://…"),
    ],
)
def test_an_asset_that_is_fetched_otherwise(scheme: str, why: str, fix: str) -> None:
    (one,) = told(assets(asset("a", scheme=scheme)), "asset-insecure")
    assert (one.why, one.repair) == ((why,), (f"url: {fix}",))


@pytest.mark.parametrize(("name", "actuator"), [("wheel", "helm"), ("helm", "helm-actuator")])
def test_an_actuator_is_proposed_under_a_name_that_is_free(name: str, actuator: str) -> None:
    """Claims of one plugin have one name each, across all sections."""
    text = f"hardware: {{signals: {{{name}: {{function: output, gpio: 4, hazard: motion}}}}}}\n"
    (one,) = told(text, "actuator-undeclared")
    fix = one.repair[0].partition("   ")[0]
    assert (
        fix == f"hardware: {{actuators: {{{actuator}: {{hazard: motion, safe-state: stopped}}}}}}"
    )
    inner = fix.removeprefix("hardware: {")
    mended = text.replace("hardware: {", f"hardware: {{{inner.removesuffix('}')}, ")
    assert told(mended, "actuator-undeclared") == []


# The header of two boards, in small letters.
HEADERS = {
    BoardId("a,one"): frozenset({"gpio4", "gpio17"}),
    BoardId("a,two"): frozenset({"gpio4", "p9_22"}),
}


@pytest.mark.parametrize(
    ("boards", "claim", "message"),
    [
        ("[]", "signals: {leak: {function: input, gpio: GPIO99}}",
         "leak wants GPIO99, which no board has on its header"),
        ('["a,one"]', "signals: {leak: {function: input, gpio: P9_22}}",
         "leak wants P9_22, which a,one has not on its header"),
        ('["a,one", "a,two"]', "signals: {leak: {function: input, gpio: [GPIO99, GPIO98]}}",
         "leak wants GPIO99, GPIO98, which no board has on its header"),
        ('["a,one"]', "one-wire: {leak: {gpio: P9_22}}",
         "leak wants P9_22, which a,one has not on its header"),
    ],
)  # fmt: skip
def test_a_line_that_no_header_has(boards: str, claim: str, message: str) -> None:
    manifest = manifest_of(f"{MANIFEST}boards: {boards}\nhardware: {{{claim}}}\n")
    (one,) = [one for one in lint_manifest(manifest, headers=HEADERS) if one.rule == "line-nowhere"]
    assert one.message == message
    section = claim.partition(":")[0]
    assert one.repair[0].startswith(f"hardware: {{{section}: {{leak: {{gpio: any}}}}}}   in")


@pytest.mark.parametrize(
    ("boards", "claim"),
    [
        ("[]", "gpio: P9_22"),  # one of them has it
        ('["a,one"]', "gpio: [P9_22, GPIO17]"),
        ('["a,one"]', "gpio: any"),
        ('["b,strange"]', "gpio: GPIO99"),  # of that board nothing is known
        ('["b,strange", "a,two"]', "gpio: p9_22"),
    ],
)
def test_a_line_that_some_header_has(boards: str, claim: str) -> None:
    """A claim that passes does not keep the next one from being looked at."""
    signals = f"leak: {{function: input, {claim}}}"
    manifest = manifest_of(f"{MANIFEST}boards: {boards}\nhardware: {{signals: {{{signals}}}}}\n")
    rules = [one.rule for one in lint_manifest(manifest, headers=HEADERS)]
    assert "line-nowhere" not in rules
    if "strange" not in boards:
        more = f"{signals}, other: {{function: input, gpio: GPIO98}}"
        manifest = manifest_of(f"{MANIFEST}boards: {boards}\nhardware: {{signals: {{{more}}}}}\n")
        rules = [one.rule for one in lint_manifest(manifest, headers=HEADERS)]
        assert list(map(str, rules)).count("line-nowhere") == 1


@pytest.mark.parametrize(
    ("version", "fix"), [("1.2.3.4-final-5", "1.2.3"), ("7_x_8", "7.8"), ("first", "0.1.0")]
)
def test_a_version_is_proposed_of_three_numbers_at_the_most(version: str, fix: str) -> None:
    """As semantic versioning has them; PEP 440 reads them too."""
    text = MANIFEST.replace('"1.0"', f'"{version}"')
    (one,) = [one for one in lint_manifest(manifest_of(text)) if one.rule == "version-invalid"]
    assert one.repair == (f'version: "{fix}"',)


@pytest.mark.parametrize(
    ("kind", "default", "word"), [("string", "true", "true"), ("integer", "false", "false")]
)
def test_a_truth_value_is_told_as_yaml_writes_it(kind: str, default: str, word: str) -> None:
    (one,) = told(
        f"settings: {{dim: {{type: {kind}, default: {default}}}}}\n", "setting-default-invalid"
    )
    assert one.message == f"default {word} of setting dim is no {kind}"


def test_an_asset_of_a_variant_goes_nowhere_where_one_of_the_base_goes() -> None:
    """What a variant fetches is fetched beside the rest, so the two must not meet."""
    variant = f"variants: {{spi: {{{assets(asset('a', host='b')).strip()}}}}}\n"
    (one,) = told(assets(asset("a")) + variant, "asset-twice")
    assert len(one.places) == 2
    assert told(assets(asset("c")) + variant, "asset-twice") == []


E12 = [value * scale for scale in (1000, 10_000) for value in (1, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)]  # fmt: skip
"""IEC 60063, series E12, ohm."""


@pytest.mark.parametrize("volts", [3.4, 5, 6.6, 9, 12, 14.4, 24])
def test_a_divider_is_proposed_that_brings_the_level_down_and_no_further(volts: float) -> None:
    """Ohm's law: volts x lower / (upper + lower); 3.3 V itself is what a line bears."""
    claim = "hardware: {{signals: {{leak: {{function: input, gpio: any, volts: {}{}}}}}}}\n"
    (one,) = told(claim.format(volts, ""), "level-too-high")
    (fix,) = [line for line in one.repair if line.startswith("divider-ohm")]
    upper, lower = json.loads(fix.removeprefix("divider-ohm: "))
    level = volts * lower / (upper + lower)
    assert level <= 3.3 + 0.001
    assert lower in E12
    greater = [value for value in E12 if value > lower]
    assert not greater or volts * greater[0] / (upper + greater[0]) > 3.3
    assert told(claim.format(volts, f", {fix}"), "level-too-high") == []


@pytest.mark.parametrize(
    ("address", "why", "fix"),
    [
        # I2C-bus specification (UM10204), 3.1.12: 0000 XXX and 1111 XXX are reserved.
        (0x03, "0x00 to 0x07 and 0x78 to 0x7f are kept by the I2C specification", ()),
        (0x78, "come this far", ("address: 0x3c",)),
        (0x7F, "come this far", ("address: 0x3f",)),
        # An address of eight bits is the one of seven with the read-write bit behind it.
        (0x80, "7 bits end at 0x7f", ("address: 0x40",)),
        (0xEE, "7 bits end at 0x7f", ("address: 0x77",)),
        (0xF2, "7 bits end at 0x7f", ()),
    ],
)
def test_an_address_that_no_device_has(address: int, why: str, fix: tuple[str, ...]) -> None:
    claim = f"hardware: {{i2c: {{imu: {{address: {address:#04x}, bus: any}}}}}}\n"
    (one,) = told(claim, "address-reserved")
    assert why in one.why[0]
    assert ("come this far" in one.why[0]) is (0x78 <= address <= 0x7F)
    assert one.repair == fix


@pytest.mark.parametrize("address", [0x08, 0x77])
def test_the_first_and_the_last_address_of_a_device(address: int) -> None:
    claim = f"hardware: {{i2c: {{imu: {{address: {address:#04x}, bus: any}}}}}}\n"
    assert told(claim, "address-reserved") == []


@pytest.mark.parametrize(
    ("relation", "why"),
    [
        ("${python3:Depends}", "variables are filled in when a package is built"),
        ("libfoo (1.0)", "name, then a version in brackets"),
        ("LibFoo (>= 1)", "names of Debian packages have small letters only"),
        ("LibFoo (1.0)", "name, then a version in brackets"),
        ("libfoo>=1", "this is how Python writes it"),
        ("libfoo, libbar", "a comma parts items"),
        ("libfoo (> 1)", "a lone > was once read as >="),
    ],
)
def test_why_a_relation_is_none(relation: str, why: str) -> None:
    """Source: Debian Policy 7.1, 5.6.1; Deb-substvars(5)."""
    (one,) = told(f'debian: {{packages: ["{relation}"]}}\n', "debian-syntax-wrong")
    assert one.why[0].startswith(why)


def test_an_actuator_of_ones_own_may_be_commanded() -> None:
    hardware = "hardware: {actuators: {rudder: {hazard: motion, safe-state: centred}}}\n"
    for commands, count in (("[rudder]", 0), ("[ruder, rudder]", 1)):
        manifest = manifest_of(f"{MANIFEST}topics: {{commands: {commands}}}\n{hardware}")
        rules = [str(one.rule) for one in lint_manifest(manifest, actuators=frozenset())]
        assert rules.count("command-unknown") == count


@pytest.mark.parametrize(
    ("entry", "fix"),
    [
        ("moves-alone: [ruder, winch]", "moves-alone: [rudder, winch]"),
        ("inhibit: {pin: 15, stops: [winch, ruder]}", "inhibit: {stops: [winch, rudder]}"),
        ("moves-alone: [sail]", None),
        ("inhibit: {pin: 15, stops: [sail]}", None),
    ],
)
def test_an_actuator_that_a_controller_names_wrongly(entry: str, fix: str | None) -> None:
    plugin = manifest_of(
        MANIFEST
        + "hardware: {actuators: {rudder: {hazard: motion, safe-state: centred}, "
        + "winch: {hazard: motion, safe-state: stopped}}}\n"
    )
    robot = robot_of(f"{ROBOT}controllers: {{fin-mcu: {{chip: rp2040, link: usb, {entry}}}}}\n")
    found = lint_robot(robot, {PluginName("helm"): plugin})
    (one,) = [one for one in found if one.rule == "actuator-unknown"]
    key = "stops" if "stops" in entry else "moves-alone"
    assert one.repair == (
        f"remove sail from {key}"
        if fix is None
        else f"controllers: {{fin-mcu: {{{fix}}}}}   in robot.yaml",
    )


@pytest.mark.parametrize(
    ("address", "good"), [(0x07, False), (0x08, True), (0x77, True), (0x78, False)]
)
def test_an_address_of_a_controller(address: int, good: bool) -> None:
    """I2C-bus specification (UM10204), 3.1.12."""
    robot = robot_of(
        f"{ROBOT}controllers: {{fin-mcu: {{chip: rp2040, link: i2c, address: {address:#04x}}}}}\n"
    )
    rules = [one.rule for one in lint_robot(robot, {})]
    assert ("address-reserved" not in rules) is good


@pytest.mark.parametrize(
    ("value", "secret"),
    [
        # Common practice, no source: a token is long, mixed, varied, and no version or host.
        ("abcdefghijklm123", True),
        ("abc4567890123456", True),
        ("abcdefghijklm12", False),
        ("abcdefghijklmn12", False),
        ("ab34567890123456", False),
        ("abcde123abcde123", True),
        ("abcd123abcd12312", False),
        ("abcdefghij.1234567", False),
        ("abcdefghijklmnopqrst", False),
        ("12345678901234567890", False),
    ],
)
def test_what_looks_like_a_token(value: str, secret: bool) -> None:
    assert bool(list(lint_text(f"token: {value}\n", "robot.yaml"))) is secret


def test_an_address_with_a_password_is_proposed_without() -> None:
    """RFC 3986, 3.2.1: user information stands before the host, up to the @."""
    for rest in ("index.example/simple", "index.example:8443"):
        (one,) = lint_text(f'url: "https://me:hunter2secret@{rest}"\n', "robot.yaml")
        assert one.repair[0] == f"https://{rest}"


@pytest.mark.parametrize(
    ("bounds", "default", "fix"),
    [
        ("min: 2, max: 2.7", "2.5", "2"),
        ("min: 1.5, max: 2.5", "1.7", "2"),
        ("min: 2, max: 2", "1", "2"),
        ("max: 2.5", "2.6", "2"),
    ],
)
def test_a_whole_number_is_proposed_for_an_integer(bounds: str, default: str, fix: str) -> None:
    text = "settings: {{depth: {{type: integer, default: {}, {}}}}}\n"
    (one,) = told(text.format(default, bounds), "setting-default-invalid")
    assert one.repair == (f"default: {fix}",)
    assert told(text.format(fix, bounds), "setting-default-invalid") == []
