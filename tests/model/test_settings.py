"""An instance's settings replace the numbers that bear their names."""

from __future__ import annotations

from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.model import Needs, with_settings

TEXT = """\
format: 1
plugin: lamp
version: "1"
settings: {leds: {type: integer, default: 12}, hue: {type: string, default: red}}
hardware:
  signals:
    data: {function: led-string, leds: 12, ma-per-led: 60}
    fan: {function: pwm, hz: 25000}
    button: {function: input}
  uart: {gnss: {baud: 9600}}
  usb: {stick: {id: "0bda:2838", ma: 300}}
  power: {pump: {supply: 5V, typical-ma: 400, count: 2}, lamp: {supply: 5V}}
"""


def needs() -> Needs:
    manifest, findings = parse_manifest(TEXT, "plugins/lamp/manifest.yaml")
    assert not findings
    assert manifest is not None
    return manifest.base


def held(changed: Needs, name: str, field: str) -> object:
    return next(getattr(one, field) for one in changed.hardware if one.key.name == name)


def test_numbers_take_the_value_that_is_set() -> None:
    changed = with_settings(
        needs(), {"leds": 8, "hz": 1000, "baud": 115200, "ma": 500, "typical-ma": 90, "count": 3}
    )
    assert held(changed, "data", "leds") == 8
    assert held(changed, "fan", "frequency") == 1000
    assert held(changed, "gnss", "baud") == 115_200
    assert held(changed, "stick", "current") == 500
    assert held(changed, "pump", "typical") == 90
    assert held(changed, "pump", "count") == 3


def test_keys_that_a_claim_does_not_have_stay_absent() -> None:
    changed = with_settings(needs(), {"leds": 8, "typical-ma": 90, "count": 3})
    assert held(changed, "button", "leds") is None
    assert held(changed, "lamp", "typical") is None
    assert held(changed, "lamp", "count") == 1


def test_brightness_limits_strings_alone() -> None:
    changed = with_settings(needs(), {"brightness": 100})
    assert held(changed, "data", "brightness") == 100
    assert held(changed, "fan", "brightness") == 255


def test_what_is_no_number_changes_nothing() -> None:
    base = needs()
    assert with_settings(base, {}) is base
    assert with_settings(base, {"leds": True, "hz": "fast", "hue": "green"}) is base
