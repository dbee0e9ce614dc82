"""
Calls that are typed plainly, told apart without the machinery that judges all the others.

Typer and what it brings take longer to import than a kept answer takes to print. So the
daily commands are looked at here first. Only what can have one meaning is taken: known options,
each once, none shortened. For all else the answer is None, and typer, which knows wrong use and
help, has the call.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from robokit_plan.app.answers import Asked

_CHECK_VALUES = ("--robot", "--profile", "--board", "--release", "--as-of")
_CHECK_FLAGS = ("--offline", "--notes", "--json")
_SWITCH_VALUES = ("--robot", "--profile")
_SWITCH_FLAGS = ("--dry-run", "--yes", "--offline", "--notes", "--json")


class Words(NamedTuple):
    """A command line taken apart; `names` are what is no option."""

    values: dict[str, str]
    flags: frozenset[str]
    names: tuple[str, ...]


def find_call(arguments: Sequence[str]) -> Callable[[], int] | None:
    """Return what *arguments* ask for, to be called for its exit status; None: ask typer."""
    match arguments:
        case ["check", *rest]:
            asked = check_asked(rest)
            return None if asked is None else lambda: _check(*asked)
        case ["enable" | "disable" as command, *rest]:
            words = find_words(rest, values=_SWITCH_VALUES, flags=_SWITCH_FLAGS)
            # Where a question may be asked, typer asks it.
            if words is None or not words.names or not words.flags & {"--dry-run", "--yes"}:
                return None
            return lambda: _switch(words, on=command == "enable")
        case ["lint", *rest]:
            return _lint_call(rest)
        case _:
            return None


def find_words(
    arguments: Iterable[str], *, values: Sequence[str], flags: Sequence[str]
) -> Words | None:
    """Return *arguments* taken apart; None for all that is not plain."""
    found: dict[str, str] = {}
    raised: set[str] = set()
    names: list[str] = []
    rest = iter(arguments)
    for word in rest:
        option, equals, value = word.partition("=")
        if word in flags:
            raised.add(word)
        elif option in values and option not in found:
            value = value if equals else next(rest, "")
            if not value or value.startswith("-"):
                return None
            found[option] = value
        elif word and not word.startswith("-"):
            names.append(word)
        else:
            return None
    return Words(found, frozenset(raised), tuple(names))


def check_asked(arguments: Iterable[str]) -> tuple[Asked, str] | None:
    """Return the question and the form that ``check`` with *arguments* means; None: ask typer."""
    from robokit_plan.app.answers import Asked
    from robokit_plan.app.forms import form_of

    words = find_words(arguments, values=_CHECK_VALUES, flags=_CHECK_FLAGS)
    if words is None or words.names:
        return None
    robot, board, release = (words.values.get(f"--{one}") for one in ("robot", "board", "release"))
    columns = 0
    if board is not None or release is not None:
        from robokit_plan.cli._terminal import width

        columns = width()
    asked = Asked(
        robot=None if robot is None else str(Path(robot)),
        profile=words.values.get("--profile"),
        board=board,
        release=release,
        as_of=words.values.get("--as-of"),
        offline="--offline" in words.flags,
        width=columns,
    )
    return asked, form_of(notes="--notes" in words.flags, json="--json" in words.flags)


def _lint_call(arguments: Iterable[str]) -> Callable[[], int] | None:
    words = find_words(arguments, values=("--format",), flags=("--json", "--notes"))
    if words is None:
        return None
    from robokit_plan.app.answers import lint_asked

    layout = "json" if "--json" in words.flags else words.values.get("--format", "text")
    asked = lint_asked(words.names, layout=layout, notes="--notes" in words.flags)

    def lint() -> int:
        from robokit_plan.cli._answer import lint_status

        return lint_status(*asked)

    return lint


def _check(asked: Asked, form: str) -> int:
    from robokit_plan.cli._answer import check_status

    return check_status(asked, form)


def _switch(words: Words, *, on: bool) -> int:
    from robokit_plan.app.forms import form_of
    from robokit_plan.app.switch import Switch
    from robokit_plan.cli._answer import Manner, switch_status
    from robokit_plan.cli._terminal import width

    robot = words.values.get("--robot")
    switch = Switch(
        names=words.names,
        on=on,
        robot=None if robot is None else Path(robot),
        profile=words.values.get("--profile"),
        offline="--offline" in words.flags,
        columns=width(),
    )
    form = form_of(notes="--notes" in words.flags, json="--json" in words.flags)
    return switch_status(
        switch, Manner(form=form, dry_run="--dry-run" in words.flags, yes="--yes" in words.flags)
    )
