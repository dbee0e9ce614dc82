"""Where a command's result goes: standard output, or a file."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

from robokit_plan.app.listener import Listener
from robokit_plan.cli._terminal import Progress, tell

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@contextmanager
def listening(title: str = "reading the indices") -> Iterator[Listener]:
    """Give who says on standard error what a use case tells, and shows how far it is."""
    with Progress(title) as progress:
        yield Listener(tell=tell, step=progress.step)


def write_out(text: str, path: Path, *, mode: int | None = None) -> None:
    """Write *text* to *path* and say so, or to standard output where *path* is ``-``."""
    from robokit_plan.edge.files import write_atomically

    if str(path) == "-":
        sys.stdout.write(text)
        return
    write_atomically(path, text, mode=mode)
    tell_written(path)


def tell_written(*paths: Path) -> None:
    """Say that *paths* were written."""
    from robokit_plan.app.session import display

    for path in paths:
        tell(f"wrote {display(path)}")
