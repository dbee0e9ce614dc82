"""
Run the command line with one fault at the Nth step that touches a disk.

A server that forks: ``python -m tests.cli.faulty_run`` reads one JSON object a line, ``{"arguments",
"folder", "environ", "fault", "at"}``, and answers each with ``{"status", "out", "err", "steps"}``.
Faults: ``none``; ``kill``: SIGKILL just before the step, as if the plug were pulled, or just after it
where the step opens a file that it empties; the name of an
errno (``ENOSPC``, ``EROFS``, ``EACCES``): the step and all later ones fail with it.

Steps come from Python's audit events (PEP 578): opening a file to write, renaming, removing, making a
folder, changing a mode. What SQLite writes by itself is its own affair; that it starts is a step.
"""

from __future__ import annotations

import errno
import io
import json
import os
import signal
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
CHANGES = frozenset(
    {
        "os.chmod",
        "os.link",
        "os.mkdir",
        "os.remove",
        "os.rename",
        "os.rmdir",
        "os.symlink",
        "os.truncate",
        "os.utime",
        "sqlite3.connect",
    }
)


class Faults:
    """Counts steps and makes the one that is asked for fail."""

    def __init__(self, fault: str, at: int) -> None:
        self.fault = fault
        self.at = at
        self.steps: list[str] = []

    def __call__(self, event: str, about: tuple[Any, ...]) -> None:
        path, _, flags = about if event == "open" else ("", "", 0)
        if event == "open":
            if not isinstance(flags, int) or not flags & WRITES or path == os.devnull:
                return
        elif event not in CHANGES:
            return
        self.steps.append(event)
        if len(self.steps) < self.at or self.fault == "none":
            return
        if self.fault == "kill":
            if event == "open" and flags & os.O_TRUNC and Path(path).is_file():
                # What is opened to be written anew is empty before the first byte is written.
                self.fault = "none"
                os.truncate(about[0], 0)
            os.kill(os.getpid(), signal.SIGKILL)
        # Taking away still works on a full disk; on one that may not be written nothing does.
        if self.fault == "ENOSPC" and event in {"os.remove", "os.rmdir", "os.chmod", "os.rename"}:
            return
        number = getattr(errno, self.fault)
        if event == "sqlite3.connect":
            return
        raise OSError(number, os.strerror(number), str(about[0]))


def _run(asked: dict[str, Any]) -> dict[str, Any]:
    from robokit_plan.cli import main

    os.chdir(asked["folder"])
    os.environ.clear()
    os.environ.update(asked["environ"])
    faults = Faults(asked["fault"], asked["at"])
    out, err = io.StringIO(), io.StringIO()
    status = 0
    with redirect_stdout(out), redirect_stderr(err):
        sys.addaudithook(faults)
        try:
            main(asked["arguments"])
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 0 if ended.code is None else 1
        except BaseException:  # noqa: BLE001  a traceback is what is looked for
            import traceback

            traceback.print_exc()
            status = 70
        steps = [*faults.steps]
        faults.fault = "none"  # what follows is the test's own
    return {"status": status, "out": out.getvalue(), "err": err.getvalue(), "steps": steps}


def _serve() -> None:
    import pkgutil
    from importlib import import_module

    import robokit_plan.cli

    # A child that has them all starts in no time.
    for module in pkgutil.iter_modules(robokit_plan.cli.__path__, "robokit_plan.cli."):
        import_module(module.name)
    for line in sys.stdin:
        ours, theirs = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(ours)
            answer = json.dumps(_run(json.loads(line))).encode()
            with os.fdopen(theirs, "wb") as stream:
                stream.write(answer)
            os._exit(0)
        os.close(theirs)
        with os.fdopen(ours, "rb") as stream:
            answer = stream.read()
        _, ended = os.waitpid(child, 0)
        if not answer:
            code = os.waitstatus_to_exitcode(ended)
            answer = json.dumps({"status": code, "out": "", "err": "", "steps": []}).encode()
        sys.stdout.buffer.write(answer + b"\n")
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    _serve()
