"""What a command line of a robot's program starts."""

from __future__ import annotations

import re
import shlex

_PYTHON = re.compile(r"(?:.*/)?python(?:3(?:\.\d+)?)?")
_WITH_VALUE = frozenset({"-W", "-X", "--check-hash-based-pycs"})
"""Options of Python that take the word behind them (python(1))."""


def program_paths(run: str) -> tuple[str, ...]:
    """
    Return files below the robot's folder, one of which must be there for *run* to start.

    Nothing where that cannot be told: a program of the system, or a text that only a shell reads.

    >>> program_paths("python -m heron --fast")
    ('heron.py', 'heron/__main__.py')
    >>> [program_paths(one) for one in ("python3 -u tools/start.py", "./start.sh", "heron")]
    [('tools/start.py',), ('start.sh',), ()]
    """
    try:
        words = shlex.split(run)
    except ValueError:
        return ()
    if not words:
        return ()
    if not _PYTHON.fullmatch(words[0]):
        return _own(words[0]) if "/" in words[0] else ()
    rest = words[1:]
    while rest:
        word = rest.pop(0)
        if word == "-m" and rest:
            module = rest[0].replace(".", "/")
            return (f"{module}.py", f"{module}/__main__.py")
        if word in _WITH_VALUE:
            rest = rest[1:]
        elif word.startswith("-"):
            if word in {"-c", "-"}:
                return ()
        else:
            return _own(word)
    return ()


def module_run(run: str) -> str | None:
    """Return the import name that ``python -m`` is given, None where *run* is no such command."""
    paths = program_paths(run)
    if len(paths) == 2:
        return paths[0].removesuffix(".py").replace("/", ".")
    return None


def _own(path: str) -> tuple[str, ...]:
    if path.startswith(("/", "~", "$")):
        return ()
    return (path.removeprefix("./"),)
