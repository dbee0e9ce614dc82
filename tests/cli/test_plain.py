"""A call that is typed plainly does the same with and without typer."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from robokit_plan.app.answers import Answer, Asked
from robokit_plan.app.listener import Listener
from robokit_plan.app.switch import Switch
from robokit_plan.cli import _app, _plain, main
from robokit_plan.cli._answer import Manner
from tests.cli.conftest import Command

CHECKS = [
    [],
    ["--json"],
    ["--notes", "--offline"],
    ["--robot", "x/robot.yaml", "--profile=bench"],
    ["--board", "raspberrypi,5-model-b", "--release=debian-12", "--as-of", "2026-11-01"],
    ["--robot", "x/", "--notes", "--json"],
]
SWITCHES = [
    ["horn", "--dry-run"],
    ["--dry-run", "horn", "log", "--json"],
    ["horn", "--yes", "--robot=x", "--profile", "bench", "--offline", "--notes"],
]
NOT_PLAIN = [
    [],
    ["--version"],
    ["check", "--help"],
    ["check", "--prof", "bench"],
    ["check", "--profile"],
    ["check", "--profile", "-x"],
    ["check", "--profile="],
    ["check", "--profile", "a", "--profile", "b"],
    ["check", "extra"],
    ["check", "--", "extra"],
    ["check", ""],
    ["enable"],
    ["enable", "--undo"],
    ["enable", "--dry-run"],
    ["enable", "horn"],
    ["enable", "horn", "--yes", "--undo"],
    ["lint", "--fix"],
    ["lint", "--since", "HEAD"],
]


@pytest.mark.parametrize("arguments", CHECKS)
def test_check_asks_the_same_question(
    arguments: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every option of ``check``."""
    asked: list[tuple[Asked, str]] = []

    def check(question: Asked, form: str, _: Listener) -> Answer:
        asked.append((question, form))
        return Answer("", 0)

    monkeypatch.setattr("robokit_plan.app.check.check", check)
    call = _plain.find_call(["check", *arguments])
    assert call is not None
    assert call() == 0
    assert _app.run(["check", *arguments]) == 0
    assert asked[0] == asked[1]


@pytest.mark.parametrize("command", ["enable", "disable"])
@pytest.mark.parametrize("arguments", SWITCHES)
def test_a_switch_is_the_same(
    command: str, arguments: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every option that does not lead to a question."""
    asked: list[tuple[Switch, Manner]] = []

    def switched(switch: Switch, manner: Manner) -> int:
        asked.append((switch, manner))
        return 1

    monkeypatch.setattr("robokit_plan.cli._answer.switch_status", switched)
    call = _plain.find_call([command, *arguments])
    assert call is not None
    assert call() == 1
    assert _app.run([command, *arguments]) == 1
    assert asked[0] == asked[1]


@pytest.mark.parametrize("arguments", NOT_PLAIN)
def test_all_else_is_left_to_typer(arguments: list[str]) -> None:
    """Wrong use, help, questions and the other commands."""
    assert _plain.find_call(arguments) is None


@pytest.mark.parametrize(
    "arguments",
    [
        ["check"],
        ["check", "--profile", "none"],
        ["enable", "mast", "--dry-run"],
        ["enable", "x", "--yes"],
    ],
)
def test_the_screen_shows_the_same(
    dinghy: Path, command: Command, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Output, notices and status, over the same frozen rows."""
    through_typer = command(*arguments)
    with pytest.raises(SystemExit) as left:
        main(arguments)
    said = capsys.readouterr()
    assert dinghy == Path.cwd()
    assert (said.out, said.err) == (through_typer.out, through_typer.err)
    assert left.value.code == through_typer.status


def test_options_known_here_are_those_of_the_commands() -> None:
    """An option that a command gains is not forgotten here: it is left to typer, or added."""
    known: dict[str, Callable[[], set[str]]] = {
        "check": lambda: {*_plain._CHECK_VALUES, *_plain._CHECK_FLAGS},
        "enable": lambda: {*_plain._SWITCH_VALUES, *_plain._SWITCH_FLAGS, "--undo", "--instead-of"},
        "disable": lambda: {
            *_plain._SWITCH_VALUES,
            *_plain._SWITCH_FLAGS,
            "--undo",
            "--instead-of",
        },
    }
    for name, options in known.items():
        command = _app._command(name)
        offered = {
            one for parameter in command.params for one in parameter.opts if one.startswith("--")
        }
        assert offered - {"--help"} == options()
