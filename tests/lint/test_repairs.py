"""What a finding says to type is accepted once it is typed, and says what it is about."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.lint import lint_manifest
from robokit_plan.model import BoardId, Finding
from tests.lint.test_rules import MANIFEST, SHA256, manifest_of

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
