"""Words and functions of a POSIX shell, as this package writes them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.render._plain import plain


class UnsafeValueError(ValueError):
    """A value of the plan cannot stand in a script; `what` names it, `value` is it."""

    def __init__(self, what: str, value: str) -> None:
        self.what = what
        self.value = value
        super().__init__(f"{what} cannot stand in a script: {plain(value)}")


def sh_quote(word: str) -> str:
    """
    Return *word* as one word of a POSIX shell (POSIX.1-2017, 2.2.2).

    Raises:
        UnsafeValueError: It holds NUL, which no argument can.
    """
    if "\0" in word:
        raise UnsafeValueError("a word", word)
    return "'" + word.replace("'", "'\\''") + "'"


def here_document(name: str, content: str) -> str:
    """Return a function *name* that prints *content*, which the shell never looks into."""
    mark = "END"
    lines = set(content.split("\n"))
    while mark in lines:
        mark += "_"
    body = content if content.endswith("\n") or not content else content + "\n"
    return f"{name}() {{\n  cat <<'{mark}'\n{body}{mark}\n}}\n"


def row_function(name: str, rows: Iterable[Sequence[str]]) -> str:
    """Return a function *name* that calls its argument once for each row."""
    lines = [f'  "$1" {" ".join(sh_quote(word) for word in row)}' for row in rows]
    return f"{name}() {{\n" + "\n".join(lines or ["  :"]) + "\n}\n"
