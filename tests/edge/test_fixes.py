"""Safe repairs: one meaning only, nothing else touched, never worse than before."""

from __future__ import annotations

import copy
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.edge.fixes import fix_text
from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.formats.unreadable import UnreadableFile
from tests import plain_yaml

from .manifest_example import FILE, GOOD

BASE = 'format: 1\nplugin: lamp\nversion: "1"\n'


@pytest.mark.parametrize(
    ("bad", "good"),
    [
        ("boards: [raspberrypi,4-model-b]  # one", 'boards: ["raspberrypi,4-model-b"]  # one'),
        (
            "python: {requires: [numpy>=1.24,<3, scipy]}",
            'python: {requires: ["numpy>=1.24,<3", scipy]}',
        ),
        ("python: {requires-python: 3.11}", 'python: {requires-python: "3.11"}'),
        ("sumary: lights", "summary: lights"),
        (
            "hardware: {signals: {a: {function: input, gpoi: 4}}}",
            "hardware: {signals: {a: {function: input, gpio: 4}}}",
        ),
        (
            "hardware: {signals: {a: {function: input, gpio:4}}}",
            "hardware: {signals: {a: {function: input, gpio: 4}}}",
        ),
        (
            "hardware: {signals: {a: {function: input, optional: yes}}}",
            "hardware: {signals: {a: {function: input, optional: true}}}",
        ),
        (
            "hardware: {signals: {a: {function: pwm, hz: 25_000}}}",
            "hardware: {signals: {a: {function: pwm, hz: 25000}}}",
        ),
        (
            "hardware: {usb: {a: {id: 0bda:2838, serial: 12345}}}",
            'hardware: {usb: {a: {id: 0bda:2838, serial: "12345"}}}',
        ),
        (
            "hardwar: {signals: {a: {functoin: input}}}",
            "hardware: {signals: {a: {function: input}}}",
        ),
        ("summary: 1:30", 'summary: "1:30"'),
        ("license: true", 'license: "true"'),
    ],
)
def test_what_has_one_meaning_is_mended(bad: str, good: str) -> None:
    fixed, words = fix_text(BASE + bad + "\n", FILE)
    assert fixed == BASE + good + "\n"
    assert words
    assert all(word.startswith("line 4: ") for word in words)
    assert parse_manifest(fixed, FILE)[1] == ()


@pytest.mark.parametrize(
    "text",
    [
        "hardware: {signals: {a: {function: input, gpio: 010}}}",
        "hardware: {signals: {a: {function: input, pull: off}}}",
        "hardware: {i2c: {a: {address: 0x28,0x29}}}",
        "hardware: {signals: {a: {function: input, gpio: 4, gpoi: 5}}}",
        "hardware: {signals: {a: {function: imput}}}",
        "provides: lights",
        "foo: 1",
        "x-on: on",
        "summary: ok",
    ],
)
def test_what_could_mean_two_things_stays(text: str) -> None:
    assert fix_text(BASE + text + "\n", FILE) == (BASE + text + "\n", ())


def test_a_missing_format_is_added_below_the_comments() -> None:
    fixed, words = fix_text('# mine\nplugin: lamp\nversion: "1"\n', FILE)
    assert fixed == '# mine\nformat: 1\nplugin: lamp\nversion: "1"\n'
    assert words == ("added format: 1",)


def test_robot_files_are_mended_too() -> None:
    text = 'format: 1\nrobot: x\nboard: "a,b"\nsystem: {python: 3.13}\nenabeld: [helm]\n'
    fixed, words = fix_text(text, "robot.yaml")
    assert fixed == (
        'format: 1\nrobot: x\nboard: "a,b"\nsystem: {python: "3.13"}\nenabled: [helm]\n'
    )
    assert words == ('line 4: `3.13` became `"3.13"`', "line 5: key `enabeld` became `enabled`")


@pytest.mark.parametrize("text", ["", "a: [", "- x", "3", "{}", "\t"])
def test_what_cannot_be_read_is_left_alone(text: str) -> None:
    assert fix_text(text, FILE) == (text, ())


def test_a_good_text_is_not_touched() -> None:
    assert fix_text(GOOD, FILE) == (GOOD, ())


class TestNeverWorse:
    """Laws: no repair brings a finding; a second run finds nothing to do."""

    example: Any = plain_yaml.load(GOOD)

    @settings(max_examples=25, deadline=None)
    @given(st.data())
    def test_misspelt_keys_come_back(self, data: st.DataObject) -> None:
        changed = copy.deepcopy(self.example)
        parent = changed["hardware"][data.draw(st.sampled_from(["signals", "i2c", "power"]))]
        claim = parent[data.draw(st.sampled_from(sorted(parent)))]
        key = data.draw(st.sampled_from(sorted(claim)))
        at = data.draw(st.integers(0, len(key) - 1))
        claim[key[:at] + key[at + 1 :] + "z" * data.draw(st.integers(0, 1))] = claim.pop(key)
        self.law(yaml.safe_dump(changed, sort_keys=False))

    @settings(max_examples=60, deadline=3000)
    @given(
        st.text(alphabet="abx-:[]{}, \n0123456789.<>=#\"'", max_size=60),
        st.sampled_from(["provides: [", "python: {requires: [", "summary: ", "hardware: {", ""]),
    )
    def test_any_text(self, tail: str, head: str) -> None:
        self.law(BASE + head + tail)

    def law(self, text: str) -> None:
        fixed, words = fix_text(text, FILE)
        try:
            before = parse_manifest(text, FILE)[1]
        except UnreadableFile:
            assert (fixed, words) == (text, ())
            return
        after = parse_manifest(fixed, FILE)[1]
        assert len(after) <= len(before)
        assert bool(words) == (fixed != text)
        again, _ = fix_text(fixed, FILE)
        assert again == fixed
