"""The command `robokit-plan`: parse, read, call the core, render, exit."""

from __future__ import annotations

import sys
from collections.abc import Sequence


def main(argv: Sequence[str] | None = None) -> None:
    """
    Run the command line and leave with its exit status.

    0 no error-level finding, 1 error-level findings, 2 wrong use or unreadable input,
    3 something outside failed. Nothing ends in a traceback.
    """
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments == ["--version"]:
        from robokit_plan import __version__

        sys.stdout.write(f"robokit-plan {__version__}\n")
        return
    from robokit_plan.cli._failure import status_of

    status = status_of(lambda: _call(arguments))
    if argv is None:
        # At its end Python looks for cycles in all that is left, a fifth of a short command, and
        # all of it goes with the process anyway.
        import gc

        gc.freeze()
    sys.exit(status)


def _call(arguments: Sequence[str]) -> None:
    """Leave with the exit status of a call that is typed plainly, or as typer makes of it."""
    from robokit_plan.cli._plain import find_call

    call = find_call(arguments)
    if call is not None:
        sys.exit(call())
    from robokit_plan.cli._app import run

    sys.exit(run(arguments))
