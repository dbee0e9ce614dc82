"""
No string of a lock file is more to the shell than a word, whichever field it stands in.

The fields are not listed here: every string of a plan is found by walking it, and replaced, one at
a time. What the shell sees of the script beside quoted words and here-documents must not depend on
what that string says (POSIX.1-2017, 2.2.2 and 2.7.4: neither is looked into).
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.formats.lock import LockError, parse_lock, render_lock
from robokit_plan.model import BootSetting, Plan
from robokit_plan.render import (
    Locked,
    UnsafeValueError,
    render_card,
    render_script,
)
from tests.render.plans import HERON, LOCK_ORIGIN, sha

HOSTILE = {
    "quotes": "a'; touch PWNED; '\"; touch PWNED; \"",
    "substitution": "$(touch PWNED)`touch PWNED`${IFS}",
    "new lines": "a\nEND\n}\ntouch PWNED\n{\n",
    "leading dashes": "--exec=touch PWNED",
    "look-alikes": "ｅｃｈｏ\u2028touch\u00a0PWNED\u202e",
}
PLAN = replace(
    HERON,
    profile="bench",
    boot=(
        *HERON.boot,
        BootSetting(kind="kernel-command-line", text="spidev.bufsiz=65536", source="x"),
        BootSetting(
            kind="overlay", text="dtoverlay=x", file="/etc/default/raspi-firmware-custom",
            apply="DEB_MAINT_PARAMS=configure /etc/kernel/postinst.d/z50-raspi-firmware",
        ),
    ),
)  # fmt: skip

Change = Callable[[str], Any]


def strings(value: Any, path: str = "plan") -> Iterator[tuple[str, Change]]:
    """Yield each string below *value*: where it is, and what gives *value* with another one."""
    if isinstance(value, str):
        yield path, lambda word: word
    elif is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            for where, change in strings(getattr(value, field.name), f"{path}.{field.name}"):
                yield where, _in_field(value, field.name, change)
    elif isinstance(value, tuple):
        for at, one in enumerate(value):
            for where, change in strings(one, f"{path}[{at}]"):
                yield where, _at(value, at, change)
    elif isinstance(value, Mapping):
        for key, one in value.items():
            yield f"{path}: {key}", _as_key(value, key)
            for where, change in strings(one, f"{path}.{key}"):
                yield where, _under(value, key, change)


def _in_field(value: Any, name: str, change: Change) -> Change:
    return lambda word: replace(value, **{name: change(word)})


def _at(value: tuple[Any, ...], at: int, change: Change) -> Change:
    return lambda word: (*value[:at], change(word), *value[at + 1 :])


def _as_key(value: Mapping[Any, Any], old: Any) -> Change:
    return lambda word: {(word if key == old else key): one for key, one in value.items()}


def _under(value: Mapping[Any, Any], key: Any, change: Change) -> Change:
    return lambda word: {**value, key: change(word)}


FIELDS = dict(strings(PLAN))
SAMPLE = [
    (path, kind) for at, path in enumerate(FIELDS) for kind in [list(HOSTILE)[at % len(HOSTILE)]]
]
"""Every field once, with the kinds in turn."""
WHOLE = [(path, kind) for path in FIELDS for kind in HOSTILE]
BOTH = pytest.mark.parametrize(
    "pairs", [SAMPLE, pytest.param(WHOLE, marks=pytest.mark.slow)], ids=["sample", "whole"]
)


def skeleton(script: str) -> str:
    """Return what the shell acts on: no comment, no quoted word, no here-document."""
    kept = ""
    lines = iter(script.split("\n"))
    quoted = double = False
    for line in lines:
        if not quoted and not double:
            here = re.fullmatch(r"  cat <<'(END_*)'", line)
            if here:
                kept += f"here {next(text for text in lines if text == here[1])[:3]}\n"
                continue
            if line.lstrip().startswith("#"):
                continue
        escaped = False
        for char in line:
            if quoted:
                quoted = char != "'"
            elif escaped:
                escaped = False
                kept += "" if char == "'" else f"\\{char}"  # how one quote stands in a quoted word
            elif char == "\\":
                escaped = True
            elif char == "'" and not double:
                quoted = True
            else:
                double ^= char == '"'
                kept += char
        kept += "" if quoted else "\n"
    return kept


def script_of(plan: Plan) -> str:
    return render_script(plan, lock_name="pylock.heron.toml", lock_sha256="0" * 64)


def test_the_walk_finds_every_part_of_a_plan() -> None:
    """One string of each kind that a manifest or robot file can bring."""
    assert len(FIELDS) > 200
    assert skeleton(script_of(PLAN)).count("\nstep_") == len(
        script_of(PLAN).split("steps='")[1].split("'")[0].split()
    )
    for part in (
        "plan.robot", "plan.profile", "plan.board", "plan.program", "plan.program_user",
        "plan.instances[0].settings", "plan.machine.groups: ", "plan.machine.start: ",
        "plan.machine.permissions: ", "plan.machine.environment[0][1].purpose",
        "plan.machine.assets[0].url", "plan.boot[0].text", "plan.sources[0].url",
        "plan.build_environment", "plan.modules: ", "plan.udev_rules[0]", "plan.indexes",
        "plan.debian[0].version", "plan.python[0].file.url", "plan.hazards: ",
    ):  # fmt: skip
        assert any(path.startswith(part) for path in FIELDS), part


@BOTH
def test_no_field_reaches_the_shell(pairs: list[tuple[str, str]]) -> None:
    """Refused, or a word: the rest of the script is the same as with a harmless word there."""
    accepted = 0
    for path, kind in pairs:
        try:
            script = script_of(FIELDS[path](HOSTILE[kind]))
        except UnsafeValueError:
            continue
        accepted += 1
        assert skeleton(script) == skeleton(script_of(FIELDS[path]("harmless"))), (path, kind)
    assert accepted > 40


def test_what_is_accepted_is_a_script_that_does_nothing_of_it(tmp_path: Path) -> None:
    """All accepted strings at once, in one script that a real shell reads and whose help it runs."""
    plan = PLAN
    word = "".join(HOSTILE.values())
    for path in FIELDS:
        changed = dict(strings(plan)).get(path)
        if changed is None:  # under a key that was changed already
            continue
        try:
            script_of(changed(word))
        except UnsafeValueError:
            continue
        plan = changed(word)
    script = tmp_path / "install.sh"
    script.write_text(script_of(plan), encoding="utf-8")
    assert subprocess.run(["sh", "-n", str(script)], check=False).returncode == 0
    helped = subprocess.run(
        ["sh", str(script), "--help"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (helped.returncode, helped.stderr) == (0, "")
    assert [one.name for one in tmp_path.iterdir()] == ["install.sh"]


@BOTH
def test_a_lock_file_with_it_is_refused_or_gives_no_other_script(
    pairs: list[tuple[str, str]],
) -> None:
    """The way over the file changes nothing."""
    for path, kind in pairs:
        try:
            read = parse_lock(render_lock(FIELDS[path](HOSTILE[kind])), file=LOCK_ORIGIN.file)
            script = script_of(read)
        except (LockError, UnsafeValueError):
            continue
        assert "touch" not in skeleton(script), (path, kind)


@BOTH
def test_no_field_reaches_the_first_start_of_a_card(pairs: list[tuple[str, str]]) -> None:
    texts = ("start.sh", "first-start.service", "user-data", "meta-data")
    for path, kind in pairs:
        plan = FIELDS[path](HOSTILE[kind])
        locked = [Locked(plan=plan, name="pylock.heron.toml", sha256=sha("lock"))]
        try:
            card = render_card(locked, offline=True, manifests={}, size=0)
        except UnsafeValueError:
            continue
        assert not any("PWNED" in card[name] for name in texts), (path, kind)
