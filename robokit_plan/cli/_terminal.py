"""What reaches the screen: colour and progress only where a person is looking."""

from __future__ import annotations

import os
import re
import sys
from typing import IO, Self

# Okabe and Ito, "Color Universal Design" (2008): safe for colour-blind readers. The word that is
# coloured says the same, so colour carries no meaning alone.
_COLOURS = {"error": "#D55E00", "warning": "#E69F00", "note": "#56B4E9"}
_HEAD = re.compile(r"^(error|warning|note)(?= )", re.MULTILINE)
# What is read and not typed: heads of findings, their reasons, the lines of a summary. Repairs stay
# whole, so that they can be copied.
_PROSE = re.compile(r"(?P<head>(?:error|warning|note|caution):? )|  why  |[a-z]+ +(?=\S)")
_LABELS = frozenset({len("  why  "), len("plugins  ")})
"""Columns that a label fills; other lines of words are prose of another kind."""
_CAUTION = re.compile(r"^caution.*(?:\n  \S.*)*", re.MULTILINE)
"""With the lines that a pipe gets it in."""


class Output:
    """Whether something was printed; a second JSON document would make the first unreadable."""

    begun = False


def wants_colour(stream: IO[str]) -> bool:
    """Whether *stream* is a terminal and nobody asked for plain text (https://no-color.org)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def show(text: str) -> None:
    """Print the result that was asked for."""
    Output.begun = True
    if not text.endswith("\n"):
        text += "\n"
    if sys.stdout.isatty():
        text = _CAUTION.sub(lambda found: re.sub(r"\n +", " ", found[0]), text)
        text = "\n".join(wrapped(line, width()) for line in text.split("\n"))
    if wants_colour(sys.stdout):
        text = _HEAD.sub(lambda found: _painted(found[0]), text)
    sys.stdout.write(text)
    sys.stdout.flush()


def wrapped(line: str, columns: int) -> str:
    """Return *line* as a paragraph of so many *columns* where it is one to be read."""
    if len(line) <= columns:
        return line
    found = _PROSE.match(line)
    if found is None or (found["head"] is None and len(found[0]) not in _LABELS):
        return line
    import textwrap

    indent = 2 if found["head"] else len(found[0])
    return textwrap.fill(
        line,
        max(columns, 30),
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def tell(text: str) -> None:
    """Print a notice beside the result, on standard error."""
    sys.stderr.write(text.rstrip("\n") + "\n")


def is_person_there() -> bool:
    """Whether somebody can be asked."""
    return sys.stdin is not None and not sys.stdin.closed and sys.stdin.isatty()


def agreed(question: str, *, default: bool) -> bool:
    """Ask *question*; who ends the input without an answer says no."""
    import typer

    try:
        return typer.confirm(question, default=default, err=True)
    except (typer.Abort, EOFError):
        tell("")
        return False


def answer_to(question: str, *, default: str | None = None) -> str | None:
    """Return what is typed behind *question*; None where the input ends."""
    import typer

    try:
        return str(typer.prompt(question, default=default, err=True)).strip()
    except (typer.Abort, EOFError):
        tell("")
        return None


def width() -> int:
    """Return the columns to lay tables out for: the terminal's, 100 in a pipe."""
    import shutil

    return shutil.get_terminal_size((100, 24)).columns if sys.stdout.isatty() else 100


def list_width() -> int | None:
    """Return the terminal's columns; None in a pipe: there each entry is one line, for grep."""
    return width() if sys.stdout.isatty() else None


def _painted(word: str) -> str:
    from rich.color import Color, ColorSystem

    colour = Color.parse(_COLOURS[word])
    system = ColorSystem.TRUECOLOR if os.environ.get("COLORTERM") else ColorSystem.EIGHT_BIT
    codes = colour.downgrade(system).get_ansi_codes()
    return f"\x1b[1;{';'.join(codes)}m{word}\x1b[0m"


class Progress:
    """
    A line on the terminal for long work, called by its title; nothing for work under half a second.

    Used as a context; `step` may be called from the thread that waits.
    """

    def __init__(self, title: str = "reading the indices") -> None:
        self._shown = None if not sys.stderr.isatty() else _Line(title)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown is not None:
            self._shown.close()

    def step(self, done: int, known: int, label: str) -> None:
        """Say that *done* of *known* requests are answered, *label* being the last one."""
        if self._shown is not None:
            self._shown.update(done, known, label)


class _Line:
    """Rich's progress, started late."""

    def __init__(self, title: str) -> None:
        import time

        self._title = title
        self._clock = time.monotonic
        self._begin = self._clock()
        self._live: object | None = None

    def update(self, done: int, known: int, label: str) -> None:
        if self._live is None:
            if self._clock() - self._begin < 0.5:
                return
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
            from rich.progress import Progress as RichProgress

            self._live = RichProgress(
                TextColumn(self._title),
                BarColumn(bar_width=24, complete_style="#0072B2", finished_style="#0072B2"),
                MofNCompleteColumn(),
                TextColumn("{task.description}", markup=False),
                console=Console(stderr=True),
                transient=True,
            )
            self._live.start()
            self._task = self._live.add_task("", total=known)
        self._live.update(self._task, completed=done, total=known, description=label[:40])  # type: ignore[attr-defined]

    def close(self) -> None:
        if self._live is not None:
            self._live.stop()  # type: ignore[attr-defined]
