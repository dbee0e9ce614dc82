"""What the pages say is so: commands exist, and what they are said to print is printed."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest
import typer
import yaml

from robokit_plan.cli._app import COMMANDS, _command, application
from robokit_plan.edge.rules import read_rules
from robokit_plan.model import RuleName
from tests.cli.conftest import Command, command
from tests.cli.test_first_hour import heron

__all__ = ["command", "heron"]  # fixtures

ROOT = Path(__file__).parents[1]
PAGES = [
    ROOT / "README.md",
    *(ROOT / "sample_robot" / name for name in ("README.md", "TOGGLES.md")),
]
TEXT = {page.relative_to(ROOT).as_posix(): page.read_text("utf-8") for page in PAGES}
_FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_NEEDS_INDEX = {"python-conflict", "debian-conflict"}
"""Findings about software: tests/real shows them over real rows."""


def _typed(text: str) -> list[list[str]]:
    """Return the words of each call that *text* quotes, in a fence or in backticks."""
    found = []
    outside = _FENCE.sub("", text)
    for fence in _FENCE.findall(text):
        found += re.findall(r"(?m)^(?:\$ )?\S*robokit-plan +(.*)$", fence[1])
        found += re.findall(r"robokit-plan +([^`&\n]+)$", fence[1]) if fence[0] == "sh" else []
    found += re.findall(r"`robokit-plan +([^`]+)`", outside)
    return [shlex.split(one.split("   ")[0]) for one in found]


CALLS = [
    (page, words)
    for page, text in TEXT.items()
    for words in _typed(text)
    if words[0] not in {"COMMAND", "..."}
]


@pytest.mark.parametrize(
    ("page", "words"), CALLS, ids=[f"{page}: {' '.join(words)}" for page, words in CALLS]
)
def test_a_quoted_call_can_be_typed(page: str, words: list[str]) -> None:
    """The command is there and takes every option that is shown with it."""
    program = typer.main.get_command(application())
    named = [words[0]] if words[0] in COMMANDS else []
    assert named or words[0].startswith("--"), page
    command = _command(words[0]) if named else program
    options = {name for one in command.params for name in one.opts}
    assert [one for one in words[len(named) :] if one.startswith("--") and one not in options] == []


def test_enough_is_quoted() -> None:
    """The search finds what a reader sees."""
    assert len(CALLS) >= 15


ROWS = re.findall(
    r"(?m)^\| (`[a-z].*?`) \| (.*) \|$", TEXT["README.md"].partition("## Commands")[2]
)


@pytest.mark.parametrize(("names", "does"), ROWS, ids=[names for names, _ in ROWS])
def test_the_table_of_commands_names_options_that_exist(names: str, does: str) -> None:
    """Each command of a row takes every option of that row."""
    for name in re.findall(r"`([a-z]+)", names):
        assert name in COMMANDS
        options = {opt for one in _command(name).params for opt in one.opts}
        assert set(re.findall(r"--[a-z-]+", does)) <= options


def _blocks(page: str) -> list[tuple[str, str]]:
    """Return (call, quoted text) of each text fence that shows what a call prints."""
    found = []
    call = ""
    for kind, body in _FENCE.findall(TEXT[page]):
        lines = body.rstrip("\n")
        if kind == "console":
            call = re.findall(r"robokit-plan (.*)", lines)[-1] if "robokit-plan" in lines else ""
        elif kind == "text":
            if lines.startswith("$ robokit-plan "):
                head, _, lines = lines.partition("\n")
                call = head.removeprefix("$ robokit-plan ")
            found.append((call or "check", lines))
            call = ""
    return found


QUOTED = [
    (page, call, block)
    for page in ("README.md", "sample_robot/README.md")
    for call, quoted in _blocks(page)
    for block in quoted.split("\n\n")
]


@pytest.mark.parametrize(
    ("page", "call", "block"),
    QUOTED,
    ids=[f"{page}: {call}: {block.split(':')[0][:40]}" for page, call, block in QUOTED],
)
def test_what_is_quoted_is_printed(
    page: str, call: str, block: str, heron: Path, command: Command
) -> None:
    """Line for line up to `...`; software is left out, for which index and mirror answer."""
    assert page in TEXT
    assert heron.is_dir()
    printed = command(*shlex.split(call)).out
    for line in block.split("\n"):
        if re.match(r"(python|debian) +\d", line):
            continue
        said = line.partition("...")[0].rstrip() if line.endswith("...") else f"{line}"
        assert re.search(rf"(?m)^{re.escape(said)}", printed), (line, printed)


def test_the_table_of_toggles_tells_what_happens(heron: Path, command: Command) -> None:
    """Each row's finding is what `enable` or `disable` prints, and is in the catalogue."""
    rows = re.findall(
        r"(?m)^\| `((?:en|dis)able [a-z-]+)` \| `([a-z-]+)` \|", TEXT["sample_robot/TOGGLES.md"]
    )
    assert len(rows) >= 8
    assert heron.is_dir()
    for call, rule in rows:
        assert RuleName(rule) in read_rules()
        if rule in _NEEDS_INDEX:
            continue
        done = command(*call.split(), "--dry-run")
        assert done.status == 1
        assert re.findall(r"(?m)^error ([a-z-]+):", done.out) == [rule], call


@pytest.mark.parametrize("name", COMMANDS)
def test_examples_of_the_help_can_be_typed(name: str) -> None:
    """Each `--help` shows calls of its own command, with options that it has."""
    options = {opt for one in _command(name).params for opt in (*one.opts, *one.secondary_opts)}
    examples = re.findall(r"robokit-plan (.*)", _command(name).help.partition("Examples:")[2])
    assert examples
    for words in map(shlex.split, examples):
        assert words[0] == name
        assert {one for one in words if one.startswith("--")} <= options


def test_the_hook_is_a_call_that_lints() -> None:
    """
    Keys of a hook: pre-commit.com, "Creating new hooks", read 2026-11; the README names it.

    It is run where manifests, robot files or code change, and nowhere else.
    """
    (hook,) = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text("utf-8"))
    assert {"id", "name", "entry", "language"} <= set(hook)
    assert f"{{id: {hook['id']}}}" in TEXT["README.md"]
    program, name = hook["entry"].split()
    scripts = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["scripts"]
    assert program in scripts
    assert name in COMMANDS
    paths = ["robot.yaml", "a/plugins/b/manifest.yaml", "a/b.py", "my-robot.yaml", "b.yaml", "a.md"]
    assert [bool(re.search(hook["files"], one)) for one in paths] == [1, 1, 1, 0, 0, 0]
