"""Edits of `enabled`: exactly the entry changes, every other byte stays."""

from __future__ import annotations

import difflib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.edge.robots import parse_robot
from robokit_plan.formats.edits import CannotEdit, disabled_text, enabled_text, entry_text
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import EnabledPlugin, InstanceName, Origin, PluginName

HEAD = 'format: 1\nrobot: x\nboard: "a,b"\n'
BLOCK = (
    HEAD
    + """\
enabled:
  # steering
  - helm              # way-points
  - {as: bow, plugin: nav-lights, set: {leds: 8}}   # bow

  - as: stern
    plugin: nav-lights
    # fewer
    set:
      leds: 4
  # the last word
profiles:
  bench: [helm, nav, 'x']   # short
  none: []
  lines: [
    a,    # first, of two
    b     # second
  ]
  comma: [
    a,
    b,  # second
  ]
  bare:
"""
)


def entry(instance: str, plugin: str, **settings_: int | str) -> EnabledPlugin:
    return EnabledPlugin(
        instance=InstanceName(instance),
        plugin=PluginName(plugin),
        settings=settings_,
        origin=Origin(file="robot.yaml"),
    )


def changes(before: str, after: str) -> list[str]:
    """Return the lines that went (-) and came (+)."""
    lines = difflib.ndiff(before.splitlines(), after.splitlines())
    return [line for line in lines if line[0] in "+-"]


def names(text: str, profile: str | None = None) -> list[str]:
    robot, _ = parse_robot(text, "robot.yaml")
    assert robot is not None
    return [one.instance for one in robot.chosen(profile)]


@pytest.mark.parametrize(
    ("profile", "changed"),
    [
        (None, ["+   - fog"]),
        (
            "bench",
            ["-   bench: [helm, nav, 'x']   # short", "+   bench: [helm, nav, 'x', fog]   # short"],
        ),
        ("none", ["-   none: []", "+   none: [fog]"]),
        ("lines", ["-     b     # second", "+     b,     # second", "+     fog"]),
        ("comma", ["+     fog,"]),
        ("bare", ["-   bare:", "+   bare: [fog]"]),
    ],
)
def test_an_entry_is_added_in_the_lists_own_style(profile: str | None, changed: list[str]) -> None:
    after = enabled_text(BLOCK, ["fog"], profile=profile)
    assert changes(BLOCK, after) == changed
    assert names(after, profile)[-1] == "fog"


@pytest.mark.parametrize(
    ("profile", "name", "changed"),
    [
        (None, "helm", ["-   - helm              # way-points"]),
        (None, "bow", ["-   - {as: bow, plugin: nav-lights, set: {leds: 8}}   # bow"]),
        (
            None,
            "stern",
            [
                "-   - as: stern",
                "-     plugin: nav-lights",
                "-     # fewer",
                "-     set:",
                "-       leds: 4",
            ],
        ),
        (
            "bench",
            "helm",
            ["-   bench: [helm, nav, 'x']   # short", "+   bench: [nav, 'x']   # short"],
        ),
        (
            "bench",
            "nav",
            ["-   bench: [helm, nav, 'x']   # short", "+   bench: [helm, 'x']   # short"],
        ),
        (
            "bench",
            "x",
            ["-   bench: [helm, nav, 'x']   # short", "+   bench: [helm, nav]   # short"],
        ),
        ("lines", "a", ["-     a,    # first, of two"]),
        ("lines", "b", ["-     b     # second"]),
        ("comma", "b", ["-     b,  # second"]),
    ],
)
def test_an_entry_is_taken_out_and_nothing_else(
    profile: str | None, name: str, changed: list[str]
) -> None:
    after = disabled_text(BLOCK, [name], profile=profile)
    assert sorted(changes(BLOCK, after)) == sorted(changed)
    assert name not in names(after, profile)


def test_the_last_entry_leaves_an_empty_list() -> None:
    text = HEAD + "enabled:   # what runs\n  - helm\n# end\n"
    assert disabled_text(text, ["helm"]) == HEAD + "enabled: []   # what runs\n# end\n"
    text = HEAD + "enabled: [helm]\n"
    assert disabled_text(text, ["helm"]) == HEAD + "enabled: []\n"


def test_a_missing_key_is_put_where_a_reader_looks() -> None:
    text = HEAD + "plugin-paths: [plugins]  # here\nroles: {}\n"
    assert enabled_text(text, ["helm"]) == (
        HEAD + "plugin-paths: [plugins]  # here\nenabled: [helm]\nroles: {}\n"
    )
    assert enabled_text(HEAD.rstrip("\n"), ["helm"]) == HEAD + "enabled: [helm]"
    assert enabled_text("{robot: x, board: 'a,b'}", ["helm"]) == (
        "{robot: x, board: 'a,b', enabled: [helm]}"
    )


def test_windows_line_ends_stay() -> None:
    text = (HEAD + "enabled:\n  - helm\n  - nav\n").replace("\n", "\r\n")
    assert enabled_text(text, ["fog"]) == text + "  - fog\r\n"
    assert disabled_text(text, ["nav"]) == text.replace("  - nav\r\n", "")


def test_an_instance_with_settings_is_written_as_a_map() -> None:
    one = entry("bow-lights", "nav-lights", leds=8, hue="on")
    assert entry_text(one) == '{as: bow-lights, plugin: nav-lights, set: {leds: 8, hue: "on"}}'
    assert entry_text(entry("helm", "helm")) == "helm"
    after = enabled_text(HEAD + "enabled: []\n", [one])
    robot, findings = parse_robot(after, "robot.yaml")
    assert robot is not None
    assert [one.rule for one in findings] == []
    (held,) = robot.enabled
    assert (held.instance, held.plugin, dict(held.settings)) == (
        "bow-lights",
        "nav-lights",
        {"leds": 8, "hue": "on"},
    )


def test_what_is_there_already_is_passed_over() -> None:
    assert enabled_text(BLOCK, ["helm", "bow"]) == BLOCK


def test_an_unknown_name_is_refused_with_the_nearest() -> None:
    with pytest.raises(CannotEdit) as caught:
        disabled_text(BLOCK, ["hlem"])
    # The first item of the list stands on line 6; the block itself begins at its dash.
    assert str(caught.value) == (
        "robot.yaml:6:3 cannot be edited: `hlem` is not in enabled (disable helm)"
    )
    with pytest.raises(CannotEdit) as caught:
        enabled_text(BLOCK, ["fog"], profile="bnech")
    assert caught.value.repair == "--profile bench"


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "x-base: &b [helm]\nenabled: *b\n",
        HEAD + "enabled: &b [helm, nav]\nprofiles: {bench: *b}\n",
        HEAD + "enabled: helm\n",
        HEAD + "enabled: {a: 1}\n",
        "- helm\n",
        "",
    ],
)
def test_what_cannot_be_cut_safely_is_refused(text: str) -> None:
    with pytest.raises(CannotEdit):
        enabled_text(text, ["fog"])


def test_an_item_that_is_an_alias_is_refused() -> None:
    text = HEAD + "x-a: &a helm\nenabled:\n  - *a\n  - nav\n"
    with pytest.raises(CannotEdit):
        disabled_text(text, ["helm"])


def test_text_that_does_not_parse_raises_the_readers_exception() -> None:
    with pytest.raises(UnreadableFile):
        enabled_text("enabled: [", ["fog"])


# -- laws ---------------------------------------------------------------------------------------

_NAMES = ["helm", "nav-lights", "fog-signal", "on", "a1", "leak-guard"]
_COMMENTS = st.sampled_from(["", "  # why", "   # a, b: [c]", " # - helm"])


@st.composite
def robot_texts(draw: st.DrawFn) -> tuple[str, list[str]]:
    """Draw a robot file whose `enabled` is laid out in some way, and the instances in it."""
    instances = draw(st.lists(st.sampled_from(_NAMES), unique=True, max_size=5))
    items = []
    for name in instances:
        quoted = f'"{name}"' if name == "on" else name
        shape = draw(st.sampled_from(["word", "map"]))
        items.append(quoted if shape == "word" else f"{{as: {quoted}, plugin: helm}}")
    style = draw(st.sampled_from(["block", "flow", "lines", "comma"]))
    lead = draw(st.sampled_from(["", "  ", "    "]))
    newline = draw(st.sampled_from(["\n", "\r\n"]))
    end = draw(
        st.sampled_from(["", newline, newline + "# end" + newline, newline * 2 + "roles: {}"])
    )
    comments = [draw(_COMMENTS) for _ in items]
    head = HEAD.replace("\n", newline)
    if not items:
        body = "enabled: []" + draw(_COMMENTS)
    elif style == "block":
        lines = [f"{lead}- {item}{note}" for item, note in zip(items, comments, strict=True)]
        body = newline.join(["enabled:" + draw(_COMMENTS), *lines])
    elif style == "flow":
        gap = draw(st.sampled_from([", ", ",", " , "]))
        body = f"enabled: [{gap.join(items)}]" + draw(_COMMENTS)
    else:
        lines = [f"  {item}," + note for item, note in zip(items, comments, strict=True)]
        if style == "lines":
            lines[-1] = f"  {items[-1]}" + (comments[-1] and " " + comments[-1])
        body = newline.join(["enabled: [", *lines, "]"])
    return head + body + end, instances


class TestOnlyTheEntryChanges:
    """
    Laws: after an edit the file says exactly what was meant; every other line is there still,
    in order; taking out what was put in gives the same text.
    """

    @settings(max_examples=120, deadline=None)
    @given(robot_texts())
    def test_enable_then_disable(self, drawn: tuple[str, list[str]]) -> None:
        text, instances = drawn
        assert names(text) == instances
        more = enabled_text(text, ["sonar"])
        assert names(more) == [*instances, "sonar"]
        back = disabled_text(more, ["sonar"])
        assert names(back) == instances
        if instances and not text.endswith("]"):
            assert back.replace(",", "").split() == text.replace(",", "").split()

    @settings(max_examples=120, deadline=None)
    @given(robot_texts(), st.data())
    def test_disable_one(self, drawn: tuple[str, list[str]], data: st.DataObject) -> None:
        text, instances = drawn
        if not instances:
            return
        gone = data.draw(st.sampled_from(instances))
        after = disabled_text(text, [gone])
        assert names(after) == [name for name in instances if name != gone]
        kept = [line for line in text.splitlines() if gone not in line and "enabled" not in line]
        rest = after.splitlines()
        for line in kept:
            if line.rstrip(" ,") and "[" not in line:
                assert any(line.rstrip(", ") in other for other in rest), (line, after)
        assert after.startswith(text[: text.index("enabled")])

    @settings(max_examples=60, deadline=None)
    @given(robot_texts())
    def test_disable_all(self, drawn: tuple[str, list[str]]) -> None:
        text, instances = drawn
        assert names(disabled_text(text, instances)) == []
