"""
Ctrl-C, a closed terminal, a polite kill: how they end a command, and what they must not cut in two.

    BaseException
    └── Interrupted

The command line says which function handles a signal; here is what the rest needs to know of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor


class Interrupted(BaseException):
    """
    The person, or the system, ends this command.

    No `KeyboardInterrupt`, since libraries on the way make other things of that.
    """

    def __init__(self, number: int) -> None:
        self.number = number
        """Of the signal."""
        super().__init__(number)


class _State:
    depth = 0
    number: int | None = None


def interrupt(number: int) -> None:
    """
    End what runs, now or as soon as nothing would be cut in two.

    Raises:
        Interrupted: Nothing stands against it.
    """
    _State.number = number
    if not _State.depth:
        raise Interrupted(number)


def interruption() -> int | None:
    """Return the number of the signal that came, None where none did."""
    return _State.number


def is_whole() -> bool:
    """Whether the process could end at this moment and leave nothing cut in two."""
    return not _State.depth


@contextmanager
def uninterrupted() -> Iterator[None]:
    """
    Let an interruption wait until the end of this block.

    For the moment in which several files change their names together; nothing in it may wait.
    """
    _State.depth += 1
    try:
        yield
    finally:
        _State.depth -= 1
    # Not where the block failed: that is said first.
    if _State.number is not None and not _State.depth:
        raise Interrupted(_State.number)


def forget_interruption() -> None:
    """Begin anew, for a process that carries on after a command."""
    _State.number = None


@contextmanager
def worker_pool(workers: int) -> Iterator[ThreadPoolExecutor]:
    """Give a pool of so many threads; who is interrupted does not wait for what they wait for."""
    from concurrent.futures import ThreadPoolExecutor

    pool = ThreadPoolExecutor(max_workers=workers)
    waits = False
    try:
        yield pool
        waits = True
    except Exception:
        waits = True
        raise
    finally:
        pool.shutdown(wait=waits, cancel_futures=True)
