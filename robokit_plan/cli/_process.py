"""
The process around one command: its streams and its signals.

A reader that has gone, a full disk behind ``>``, a closed stream: none of them may change what a
command does to files, nor the status that it owes. So the streams take every byte, remember what
went wrong, and it is said at the end.
"""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, NoReturn

OUTSIDE = 3
GRACE_S = 0.5
"""What is under way may tidy up for so long after a signal."""
_GONE = frozenset({errno.EPIPE, errno.EBADF, errno.ECONNRESET, errno.ESHUTDOWN, errno.ENOTCONN})
"""Nobody reads any more: nothing to say, and nobody to say it to."""


class _Sink(io.RawIOBase):
    """Writes to a descriptor, and never fails; `error` is the first one that it met."""

    def __init__(self, descriptor: int, *, closed: bool) -> None:
        super().__init__()
        self._descriptor = descriptor
        self._terminal = os.isatty(descriptor)
        self.error: OSError | None = OSError(errno.EBADF, os.strerror(errno.EBADF))
        if not closed:
            self.error = None

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._descriptor

    def isatty(self) -> bool:
        return self._terminal

    def write(self, data: Any) -> int:
        view = memoryview(data).cast("B")
        size = len(view)
        while view and self.error is None:
            try:
                view = view[os.write(self._descriptor, view) :]
            except BlockingIOError:
                import select

                select.select((), (self._descriptor,), ())
            except OSError as error:
                self.error = error
        return size

    @property
    def lost(self) -> str:
        """Why something that was asked for is nowhere, "" where nothing is lost."""
        error = self.error
        if error is None or error.errno in _GONE or (self._terminal and error.errno == errno.EIO):
            return ""
        return (error.strerror or str(error)).lower()


class Streams:
    """The streams of this process while a command runs."""

    def __init__(self) -> None:
        self._out: _Sink | None = None

    @contextmanager
    def guarded(self) -> Iterator[None]:
        """Put streams that never fail in the place of the process's own; others stay."""
        held = sys.stdin, sys.stdout, sys.stderr
        # A descriptor that is free would be given to the next file that is opened.
        closed = [_occupied(number) for number in range(3)]
        if sys.stdin is None:
            sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115  lives on
        if sys.stdout is sys.__stdout__:
            self._out = _Sink(1, closed=closed[1])
            sys.stdout = _text_over(self._out, sys.stdout)
        if sys.stderr is sys.__stderr__:
            sys.stderr = _text_over(_Sink(2, closed=closed[2]), sys.stderr, at_once=True)
        try:
            yield
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            sys.stdin, sys.stdout, sys.stderr = held

    def settled(self, status: int) -> int:
        """Return the status to leave with: *status*, or 3 where what was printed is lost."""
        if self._out is None:
            return status
        sys.stdout.flush()
        if not self._out.lost:
            return status
        sys.stderr.write(f"error standard output cannot be written: {self._out.lost}\n")
        return OUTSIDE


def _occupied(number: int) -> bool:
    """Whether the descriptor *number* was closed; it leads nowhere then."""
    try:
        os.fstat(number)
    except OSError:
        opened = os.open(os.devnull, os.O_RDWR)
        if opened != number:
            os.dup2(opened, number)
            os.close(opened)
        return True
    return False


def _text_over(sink: _Sink, like: Any, *, at_once: bool = False) -> io.TextIOWrapper:
    """Return a stream of text over *sink*, with the encoding of *like*, that encodes anything."""
    errors = getattr(like, "errors", None) or "strict"
    return io.TextIOWrapper(
        io.BufferedWriter(sink),
        encoding=getattr(like, "encoding", None) or "utf-8",
        errors="backslashreplace" if errors == "strict" else errors,
        line_buffering=at_once or sink.isatty(),
    )


# --- signals ----------------------------------------------------------------------------------


class Signals:
    """Makes Ctrl-C, a hang-up and a termination end the command in under a second."""

    def __init__(self) -> None:
        self._before: dict[int, Any] = {}
        self._number = 0

    def leave_at_once(self) -> None:
        """Let a signal end the process where it is: nothing is under way that could tidy up."""
        self._handle(lambda number, _: leave_stopped(number))

    def watch(self) -> None:
        """Let what is under way hear of a signal, as `Interrupted`, and have time to tidy up."""
        self._handle(self._begin)

    def _handle(self, handler: Callable[[int, Any], None]) -> None:
        import signal
        import threading

        if threading.current_thread() is not threading.main_thread():
            return  # signals do not go there
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            held = signal.getsignal(number)
            # What was begun with nohup, or behind an &, goes on.
            if held is not signal.SIG_IGN:
                self._before.setdefault(number, held)
                signal.signal(number, handler)

    def close_ears(self) -> None:
        """Let no signal change the end any more: all is done and said, and Python tidies up."""
        import signal

        for number in self._before:
            signal.signal(number, signal.SIG_IGN)

    def bring_back(self) -> None:
        """Undo `watch`, for a process that carries on."""
        import signal

        if self._number:
            signal.setitimer(signal.ITIMER_REAL, 0)
        for number, held in self._before.items():
            signal.signal(number, held)

    def _begin(self, number: int, _: object) -> None:
        if self._number:
            return  # heard the first time
        self._number = number
        import signal

        from robokit_plan.edge.interruption import interrupt

        # Raised in a callback of the interpreter's own, it would be lost, and told at length;
        # the clock ends what goes on then.
        sys.unraisablehook = lambda _: None
        signal.signal(signal.SIGALRM, self._late)
        signal.setitimer(signal.ITIMER_REAL, GRACE_S, 0.05)
        interrupt(number)

    def _late(self, *_: object) -> None:
        from robokit_plan.edge.interruption import is_whole

        if is_whole():
            leave_stopped(self._number)


def leave_stopped(number: int) -> NoReturn:
    """End the process at once, with one line and the status of the signal *number*."""
    # By the descriptor: whoever is in the middle of a write holds the stream. Threads that wait for
    # a network are not waited for.
    with suppress(OSError):
        os.write(2, stopped_line().encode())
    os._exit(128 + number)


def stopped_line() -> str:
    """Return what is said of a command that a signal ended."""
    # A terminal shows ^C, and its cursor stands behind that.
    begin = "\n" if os.isatty(2) else ""
    return f"{begin}robokit-plan: stopped; no file is half written\n"
