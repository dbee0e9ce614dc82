"""What goes wrong outside the core, as one clear block and an exit status."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from robokit_plan.model import Finding

OK, FINDINGS, WRONG_USE, OUTSIDE = 0, 1, 2, 3


class WrongUse(Exception):  # noqa: N818  named after what happened
    """The call cannot be carried out as typed (exit status 2)."""

    def __init__(self, message: str, *, why: str = "", repair: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.why = why
        self.repair = repair


def status_of(call: Callable[[], Any]) -> int:
    """
    Run *call* and return its exit status; every failure becomes words on standard error.

    A fault of our own is said to be one; ROBOKIT_PLAN_TRACE=1 lets its traceback through.
    """
    try:
        call()
    except SystemExit as done:
        return done.code if isinstance(done.code, int) else (WRONG_USE if done.code else OK)
    except KeyboardInterrupt:
        sys.stderr.write("\nrobokit-plan: stopped; nothing was written\n")
        return 130
    except BrokenPipeError:
        # The reader of our output has gone (head, less): nothing to say, nobody to say it to.
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123  lives to the end
        return OK
    except Exception as error:
        if os.environ.get("ROBOKIT_PLAN_TRACE"):
            raise
        return _said(error)
    return OK


def unread_status(findings: Iterable[Finding]) -> int:
    """Return 2 where a file cannot be read or parsed, 1 where it was read and is wrong."""
    unreadable = any(one.rule == "file-unreadable" for one in findings)
    return WRONG_USE if unreadable else FINDINGS


def _said(error: Exception) -> int:
    from robokit_plan.edge._index_errors import IndexTrouble
    from robokit_plan.edge.files import CannotWrite
    from robokit_plan.formats.unreadable import UnreadableFile
    from robokit_plan.render import UnsafeValueError

    if isinstance(error, UnreadableFile):
        from robokit_plan.render import render_findings_text

        sys.stderr.write(render_findings_text(error.findings, notes=True).rstrip() + "\n")
        return unread_status(error.findings)
    if isinstance(error, WrongUse):
        _block(error.message, error.why, error.repair)
        return WRONG_USE
    if isinstance(error, UnsafeValueError):
        _block(str(error), "a lock file may come from a stranger", ("robokit-plan lock",))
        return FINDINGS
    if isinstance(error, IndexTrouble):
        _block(error.message, error.why, error.repair)
        return OUTSIDE
    if isinstance(error, CannotWrite):
        _block(str(error), "", ())
        return OUTSIDE
    if isinstance(error, OSError):
        what = f"{error.filename}: {error.strerror}" if error.filename else str(error)
        _block(what, "", ())
        return OUTSIDE
    name = type(error).__name__
    _block(
        f"robokit-plan met a fault of its own ({name}: {str(error)[:200]})",
        "this is not your robot's fault; nothing was written",
        ("ROBOKIT_PLAN_TRACE=1 robokit-plan ...   shows where, for a report",),
    )
    return OUTSIDE


def _block(message: str, why: str, repair: tuple[str, ...]) -> None:
    lines = [f"error {message}"]
    lines += [f"  why  {why}"] if why else []
    lines += [f"  fix  {one}" for one in repair]
    sys.stderr.write("\n".join(_plain(line) for line in lines) + "\n")


def _plain(text: str) -> str:
    """Return *text* without anything that a terminal would act on."""
    return "".join(one if one.isprintable() else "?" for one in text)
