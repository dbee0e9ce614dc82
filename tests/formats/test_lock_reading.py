"""Reading lock files back: whatever stands in one, a plan or a finding comes out."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from packaging.pylock import Pylock

from robokit_plan.edge.read_lock import read_lock
from robokit_plan.formats.lock import LockError, parse_lock, render_lock
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Finding
from robokit_plan.render import render_script
from tests.render.plans import HERON

# PEP 751, section "Example" (public domain), one package of it: a lock of another tool.
PEP_751_EXAMPLE = """\
lock-version = '1.0'
environments = ["sys_platform == 'win32'", "sys_platform == 'linux'"]
requires-python = '== 3.12'
created-by = 'mousebender'

[[packages]]
name = 'attrs'
version = '25.1.0'
requires-python = '>= 3.8'
wheels = [
  {name = 'attrs-25.1.0-py3-none-any.whl', upload-time = 2025-01-25T11:30:10.164985+00:00, url = 'https://files.example/attrs-25.1.0-py3-none-any.whl', size = 63152, hashes = {sha256 = 'c75a69e28a550a7e93789579c22aa26b0f5b83b75dc4e08fe092980051e1090a'}},
]
"""


def test_the_standards_own_example_is_known_as_another_tools() -> None:
    Pylock.from_dict(tomllib.loads(PEP_751_EXAMPLE))
    with pytest.raises(LockError) as caught:
        parse_lock(PEP_751_EXAMPLE, file="pylock.toml")
    found = caught.value.finding
    assert found.rule == "lock-invalid"
    assert found.message == ("the lock file has no table tool.robokit-plan: another tool wrote it")


def complaint(text: str) -> tuple[str, str, int]:
    with pytest.raises(LockError) as caught:
        parse_lock(text, file="pylock.heron.toml")
    found = caught.value.finding
    return found.rule, found.message, found.places[0].origin.line


def outcome(text: str) -> Finding | None:
    try:
        parse_lock(text, file="pylock.heron.toml")
    except LockError as error:
        return error.finding
    return None


def line_of(text: str, start: str) -> int:
    return next(at for at, line in enumerate(text.split("\n"), 1) if line.startswith(start))


@pytest.mark.parametrize(
    ("old", "new", "rule", "message"),
    [
        ("format = 1", "format = 2", "format-too-new",
         "tool.robokit-plan.format: format 2 is newer than 1, the newest that is known here"),
        ("format = 1", "format = 0", "lock-invalid", "tool.robokit-plan.format: 0 is not a format"),
        ('lock-version = "1.0"', 'lock-version = "2.0"', "format-too-new",
         "lock-version: '2.0' is not known, 1.0 is"),
        ("keep-logs = 2", 'keep-logs = "2"', "lock-invalid",
         "tool.robokit-plan.keep-logs: must be a whole number"),
        ("keep-logs = 2", "keep-loks = 2", "lock-invalid",
         "tool.robokit-plan.keep-loks: this key is not known"),
        ("keep-logs = 2", "keep-logs = true", "lock-invalid",
         "tool.robokit-plan.keep-logs: must be a whole number"),
        ("address = 0x28", "address = -1", "lock-invalid",
         "tool.robokit-plan.assignments[1].address: -1 is negative"),
        ('name = "paho-mqtt"', 'name = "Paho_MQTT"', "lock-invalid",
         "packages[1].name: 'Paho_MQTT' is not a normalised name (PEP 503)"),
        ('path = "models/voice.onnx"', 'path = "../../etc/passwd"', "lock-invalid",
         "tool.robokit-plan.machine.assets[0].path: '../../etc/passwd' is not a path below the robot's folder"),
        ('name = "SHORE_TOKEN"', 'name = "X=1; rm"', "lock-invalid",
         "tool.robokit-plan.machine.environment[0].name: 'X=1; rm' is not a name of an environment variable"),
        ('program-user = "robot"', 'program-user = "-o root"', "lock-invalid",
         "tool.robokit-plan.program-user: '-o root' is not a user name"),
    ],
)  # fmt: skip
def test_a_bent_value_is_named_with_its_line(old: str, new: str, rule: str, message: str) -> None:
    text = render_lock(HERON)
    assert text.count(f"\n{old}") + text.startswith(old) == 1
    assert complaint(text.replace(old, new)) == (
        rule,
        message,
        line_of(text.replace(old, new), new),
    )


ESPEAK = '  {name = "espeak-ng"'
STRANGERS = [
    ("boot", "text", 'GRUB_CMDLINE_LINUX=\\"$(reboot)\\"'),
    ("boot", "text", "dtparam=i2c_arm=on; reboot"),
    ("boot", "text", "dtparam=`reboot`"),
    ("machine.environment", "name", "BASH_ENV"),
    ("machine.environment", "name", "LD_PRELOAD"),
    ("machine.environment", "name", "PYTHONPATH"),
    ("machine.assets", "url", "file:///etc/shadow"),
    ("machine.assets", "url", "https://models.example/a b"),
    ("target", "architecture", "arm 64!"),
    ("instances", "name", "../helm"),
    ("instances", "name", "helm helm"),
]


@pytest.mark.parametrize(("section", "key", "value"), STRANGERS)
def test_a_strangers_value_is_refused(section: str, key: str, value: str) -> None:
    """Each would have done something on the robot that no header says."""
    text = render_lock(HERON)
    lines = text.split("\n")
    start = next(
        at for at, one in enumerate(lines) if one.strip("[]") == f"tool.robokit-plan.{section}"
    )
    at = next(at for at in range(start, len(lines)) if lines[at].startswith(f"{key} = "))
    lines[at] = f'{key} = "{value}"'
    rule, message, line = complaint("\n".join(lines))
    assert (rule, line) == ("lock-invalid", at + 1)
    assert " is not " in message


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("pool/main/e/espeak-ng/espeak-ng_1", "pool/main/e/x y/espeak-ng_1"),
        ('name = "paho_mqtt-2', 'name = "paho mqtt-2'),
        ('for = ["bow-lights"], direct', 'for = ["bow lights"], direct'),
        ('SPIDEV_CHECK = "1"', 'LD_AUDIT = "1"'),
        ('suites = ["trixie"', 'suites = ["trixie main"'),
    ],
)
def test_a_word_that_would_be_split_is_refused(old: str, new: str) -> None:
    text = render_lock(HERON)
    assert old in text
    assert " is not " in complaint(text.replace(old, new))[1]


def test_a_value_in_a_row_is_named_by_its_column() -> None:
    text = render_lock(HERON).replace('architecture = "arm64", suite', 'architecture = "a!", suite')
    with pytest.raises(LockError) as caught:
        parse_lock(text, file="pylock.heron.toml")
    assert str(caught.value) == (
        f"pylock.heron.toml:{line_of(text, ESPEAK)}:51:"
        " tool.robokit-plan.debian.packages[0].architecture: 'a!' is not a Debian architecture"
    )


def test_a_merge_mark_is_a_clear_error() -> None:
    text = render_lock(HERON).replace("keep-logs = 2", "<<<<<<< HEAD\nkeep-logs = 2")
    rule, message, line = complaint(text)
    assert (rule, line) == ("lock-invalid", line_of(text, "<<<<<<< HEAD"))
    assert message.startswith("the lock file is not TOML: ")


@given(st.text(max_size=60))
@settings(max_examples=50, deadline=None)
def test_any_text_ends_in_a_plan_or_a_finding(text: str) -> None:
    found = outcome(text)
    assert found is None or found.rule in {"lock-invalid", "format-too-new"}


@given(st.data())
@settings(max_examples=30, deadline=None)
def test_any_replaced_line_ends_in_a_plan_or_a_finding(data: st.DataObject) -> None:
    lines = render_lock(HERON).split("\n")
    at = data.draw(st.integers(0, len(lines) - 1))
    value = data.draw(
        st.sampled_from(["1", "-1", '""', "[]", "{}", "true", "[[]]", "nan", '"\\n"'])
    )
    key = lines[at].partition(" = ")[0]
    lines[at] = f"{key} = {value}"
    found = outcome("\n".join(lines))
    assert found is None or found.places[0].origin.file == "pylock.heron.toml"


def test_read_lock_reads_a_file_and_complains_about_others(tmp_path: Path) -> None:
    path = tmp_path / "pylock.heron.toml"
    path.write_bytes(render_lock(HERON).encode())
    assert read_lock(path) == HERON
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(UnreadableFile, match="cannot be read: it is not UTF-8 at byte 0"):
        read_lock(path)
    with pytest.raises(UnreadableFile, match="no such file or directory"):
        read_lock(tmp_path / "pylock.none.toml")
    with pytest.raises(UnreadableFile, match="it is a folder"):
        read_lock(tmp_path)


def hostile_lines() -> list[tuple[int, str]]:
    """Return each string of the lock file, by line and key, in turn."""
    lines = render_lock(HERON).split("\n")
    return [
        (at, key) for at, line in enumerate(lines) for key in re.findall(r'([a-z0-9-]+) = "', line)
    ]


EVIL = [
    "a b",
    "$(id)",
    "-x",
    "a;b",
    "a'b",
    'a\\"b',
    "../x",
    "/etc/shadow",
    "A",
    "a\\nb",
    "",
    "module-load",
]


@pytest.mark.parametrize("evil", EVIL)
def test_what_is_read_can_always_be_made_a_script(evil: str) -> None:
    """Whatever string of a lock file is bent: it is refused here, or the script can be written."""
    lines = render_lock(HERON).split("\n")
    for at, key in hostile_lines():
        bent = list(lines)
        bent[at] = re.sub(rf'\b{key} = "[^"]*"', lambda _: f'{key} = "{evil}"', bent[at])  # noqa: B023
        text = "\n".join(bent)
        try:
            plan = parse_lock(text, file="pylock.heron.toml")
        except LockError:
            continue
        render_script(plan, lock_name="pylock.heron.toml", lock_sha256="0" * 64)
