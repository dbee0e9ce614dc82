"""The command `robokit-plan`: parse, read, call the core, render, exit."""

from __future__ import annotations

import sys
from collections.abc import Sequence


def main(argv: Sequence[str] | None = None) -> None:
    """
    Run the command line and leave with its exit status.

    0 no error-level finding, 1 error-level findings, 2 wrong use or unreadable input,
    3 something outside failed, 128 and a signal's number where that one stopped it (130: Ctrl-C).
    Nothing ends in a traceback. Without *argv* the process is the command's own.
    """
    import os

    if argv is None:
        from robokit_plan.cli._modules import own_modules_first

        own_modules_first()
    from robokit_plan.cli._process import Signals, Streams

    signals = Signals()
    signals.leave_at_once()
    arguments = list(sys.argv[1:] if argv is None else argv)
    streams = Streams()
    with streams.guarded():
        from robokit_plan.cli._failure import STOPPED_BY, asks_json, status_of

        def call() -> None:
            signals.watch()
            try:
                _call(arguments)
            finally:
                signals.leave_at_once()

        status = streams.settled(status_of(call, json=asks_json(arguments)))
    if argv is not None:
        signals.bring_back()
        sys.exit(status)
    if status > STOPPED_BY:
        os._exit(status)  # threads that wait for a network are not waited for
    signals.close_ears()
    # At its end Python looks for cycles in all that is left, a fifth of a short command, and
    # all of it goes with the process anyway.
    import gc

    gc.freeze()
    sys.exit(status)


def _call(arguments: Sequence[str]) -> None:
    """Leave with the exit status of a call that is typed plainly, or as typer makes of it."""
    if arguments == ["--version"]:
        from robokit_plan._version import __version__

        sys.stdout.write(f"robokit-plan {__version__}\n")
        return
    from robokit_plan.cli._plain import find_call

    call = find_call(arguments)
    if call is not None:
        sys.exit(call())
    from robokit_plan.cli._app import run

    sys.exit(run(arguments))
