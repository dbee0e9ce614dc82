"""What goes wrong outside the core, as one clear block and an exit status."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

from robokit_plan.edge.interruption import Interrupted, forget_interruption, interruption

if TYPE_CHECKING:
    from robokit_plan.model import Finding

OK, FINDINGS, WRONG_USE, OUTSIDE = 0, 1, 2, 3
STOPPED_BY = 128
"""With a signal's number added, as shells have it: 130 for Ctrl-C."""


def asks_json(arguments: Sequence[str]) -> bool:
    """Whether *arguments*, right or wrong, ask for JSON."""
    words = list(arguments)
    if "--" in words:
        words = words[: words.index("--")]
    return "--json" in words or "--format=json" in words or ("--format", "json") in pairwise(words)


def status_of(call: Callable[[], Any], *, json: bool = False) -> int:
    """
    Run *call* and return its exit status; every failure becomes words on standard error.

    A fault of our own is said to be one; ROBOKIT_PLAN_TRACE=1 lets its traceback through.

    Args:
        call: One command.
        json: Whether a failure is a JSON document on standard output as well.
    """
    from robokit_plan.cli._terminal import Output

    Output.begun = False
    try:
        call()
    except SystemExit as done:
        return done.code if isinstance(done.code, int) else (WRONG_USE if done.code else OK)
    except (Interrupted, KeyboardInterrupt) as stop:
        return _stopped(stop)
    except BrokenPipeError:
        # The reader of our output has gone (head, less): nothing to say, nobody to say it to.
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123  lives to the end
        return OK
    except Exception as error:
        if interruption() is not None:
            return _stopped(error)  # tidying up met something
        if os.environ.get("ROBOKIT_PLAN_TRACE"):
            raise
        return _said(error, json=json)
    return OK


def _stopped(_: BaseException) -> int:
    from signal import SIGINT

    from robokit_plan.cli._process import stopped_line

    number = interruption() or SIGINT
    forget_interruption()
    sys.stderr.write(stopped_line())
    return STOPPED_BY + int(number)


def unread_status(findings: Iterable[Finding]) -> int:
    """Return 2 where a file cannot be read or parsed, 1 where it was read and is wrong."""
    unreadable = any(one.rule == "file-unreadable" for one in findings)
    return WRONG_USE if unreadable else FINDINGS


class Failure(NamedTuple):
    """What is said where a command cannot be carried out, and the status it leaves with."""

    status: int
    message: str
    why: str = ""
    repair: tuple[str, ...] = ()


def _said(error: Exception, *, json: bool) -> int:
    from robokit_plan.formats.unreadable import UnreadableFile

    if isinstance(error, UnreadableFile):
        status = unread_status(error.findings)
        if json:
            _show_json(status, error.findings, None)
        else:
            from robokit_plan.render import render_findings_text

            sys.stderr.write(render_findings_text(error.findings, notes=True).rstrip() + "\n")
        return status
    failure = _failure(error)
    if json:
        _show_json(failure.status, (), failure)
    if failure.message:
        _block(failure.message, failure.why, failure.repair)
    return failure.status


def _show_json(status: int, findings: Iterable[Finding], failure: Failure | None) -> None:
    """Print one document, unless something was printed before."""
    from robokit_plan.cli._terminal import Output, show

    if Output.begun:
        return
    from robokit_plan.render import failure_object, render_json

    error = (
        None
        if failure is None
        else {
            "message": failure.message,
            "why": failure.why or None,
            "repair": list(failure.repair),
        }
    )
    show(render_json(failure_object(findings, status=status, error=error)))


def _failure(error: Exception) -> Failure:
    # Somebody else's module fails in any way, also while the failure is looked at.
    with suppress(Exception):
        known = _known(error)
        if known is not None:
            return known
    foreign = _foreign(error)
    if foreign is not None:
        return foreign
    if isinstance(error, ImportError):
        return Failure(
            OUTSIDE,
            f"the Python module {error.name or 'that robokit-plan needs'} cannot be used",
            str(error)[:200] + (f", in {error.path}" if error.path else ""),
            ("install robokit-plan again, with what it needs",),
        )
    return Failure(
        OUTSIDE,
        f"robokit-plan met a fault of its own ({_brief(error)})",
        "this is not your robot's fault; no file is half written",
        ("ROBOKIT_PLAN_TRACE=1 robokit-plan ...   shows where, for a report",),
    )


def _brief(error: Exception) -> str:
    return f"{type(error).__name__}: {str(error)[:200]}"


def _known(error: Exception) -> Failure | None:
    from robokit_plan.app.wrong_use import WrongUse

    if isinstance(error, WrongUse):
        return Failure(WRONG_USE, error.message, error.why, error.repair)
    from robokit_plan.edge._index_errors import IndexTrouble
    from robokit_plan.edge.files import CannotWrite
    from robokit_plan.render import UnsafeValueError

    match error:
        case UnsafeValueError():
            why = "a lock file may come from a stranger"
            return Failure(FINDINGS, str(error), why, ("robokit-plan lock",))
        case IndexTrouble():
            return Failure(OUTSIDE, error.message, error.why, error.repair)
        case CannotWrite():
            return Failure(OUTSIDE, str(error))
        case OSError():
            what = f"{error.filename}: {error.strerror}" if error.filename else str(error)
            return Failure(OUTSIDE, what)
        case _:
            return None


# --- modules of others ------------------------------------------------------------------------


def _foreign(error: Exception) -> Failure | None:
    """Return what to say where a module that is needed is somebody else's of the same name."""
    for name, distribution in _NEEDED.items():
        path = _elsewhere(name, distribution)
        if path is not None:
            return Failure(
                OUTSIDE,
                f"the Python module {name} is not the one that robokit-plan needs",
                f"it comes from {path} ({_brief(error)})",
                ("unset PYTHONPATH", "install robokit-plan again, with what it needs"),
            )
    return None


_NEEDED = {
    "typer": "typer",
    "rich": "rich",
    "yaml": "PyYAML",
    "packaging": "packaging",
    "urllib3": "urllib3",
    "resolvelib": "resolvelib",
    "jsonschema": "jsonschema",
    "referencing": "referencing",
    "attr": "attrs",
    "platformdirs": "platformdirs",
    "typing_extensions": "typing_extensions",
}
"""Module -> the distribution that it should be of."""


def _elsewhere(name: str, distribution: str) -> str | None:
    """Return the file of the module *name* where it is none of its *distribution*'s."""
    from importlib.machinery import PathFinder
    from importlib.metadata import PackageNotFoundError, files

    spec = PathFinder.find_spec(name)
    path = getattr(sys.modules.get(name), "__file__", None) or getattr(spec, "origin", None)
    if path is None:
        return None
    try:
        own = files(distribution) or ()
    except PackageNotFoundError:
        own = ()
    places = {os.path.realpath(str(one.locate())) for one in own if one.suffix == ".py"}
    return None if os.path.realpath(path) in places else path


def _block(message: str, why: str, repair: tuple[str, ...]) -> None:
    lines = [f"error {message}"]
    lines += [f"  why  {why}"] if why else []
    lines += [f"  fix  {one}" for one in repair]
    sys.stderr.write("\n".join(_plain(line) for line in lines) + "\n")


def _plain(text: str) -> str:
    """Return *text* without anything that a terminal would act on."""
    return "".join(one if one.isprintable() else "?" for one in text)
