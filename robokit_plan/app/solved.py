"""
What the planner's two questions about software were answered, kept while the rows stand.

Most edits of a robot change neither what its plugins ask of Python nor what they ask of Debian.
Then the old answers are the new ones, and neither the indices' pages nor the solvers are needed.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterable
from functools import cache
from typing import TYPE_CHECKING

from robokit_plan import model
from robokit_plan.edge import kept_files
from robokit_plan.edge.cache import find_unsealed, sealed
from robokit_plan.edge.kept_rows import NO_ROWS, Rows, parse_rows, rows_stand
from robokit_plan.edge.kept_values import digest, packed, unpacked
from robokit_plan.model import PythonFacts, replace
from robokit_plan.resolve import debian, python

if TYPE_CHECKING:
    from robokit_plan.edge._pip_config import IndexSource
    from robokit_plan.edge.cache import Cache
    from robokit_plan.model import DebianArchive, System
    from robokit_plan.planner import Solved
    from robokit_plan.resolve.debian import DebianAnswer, DebianProblem
    from robokit_plan.resolve.python import PythonAnswer, PythonProblem

_SETTLED_S = 2.0
_PYTHON, _DEBIAN = "python-answer-1", "debian-answer-1"


class SolvedBefore:
    """
    The answers in *cache*, as `Planner` asks for them.

    Args:
        cache: Where they are kept, beside the rows.
        indexes: Where Python's rows come from.
        system: What decides which archive is read, and how.
        offline: Nobody is asked; so rows hold at any age.
    """

    def __init__(
        self, cache: Cache, *, indexes: tuple[IndexSource, ...], system: System, offline: bool
    ) -> None:
        self._cache = cache
        self._indexes = indexes
        # Where it stands in its file decides nothing.
        self._system = replace(system, places={})
        self._offline = offline
        files = kept_files.files_state(kept_files.tool_files())
        self._tool = tuple(kept_files.tool_state(files, os.environ))
        # Code that was changed just now may have been imported before.
        self._settled = files.held_since(time.time() - _SETTLED_S)
        self._rows = NO_ROWS
        self._archive: DebianArchive | None = None
        self._archive_rows: Rows | None = None

    @property
    def rows(self) -> Rows:
        """What the Python answers that were found rest on."""
        return self._rows

    def reads(self, archive: DebianArchive, grounds: Rows | None) -> None:
        """Take note of the archive as it was opened; *grounds* None: nothing can be kept."""
        self._archive, self._archive_rows = archive, grounds

    def find_python(self, asked: PythonProblem) -> PythonAnswer | None:
        """Return the answer to *asked*, if it is known and its rows still stand."""
        stored = self._found(_PYTHON, self._python_key(asked))
        if stored is None:
            return None
        head, _, text = stored.partition(b"\n")
        rows = parse_rows(json.loads(head))
        if not rows_stand(rows, self._cache, now=time.time(), offline=self._offline):
            return None
        answer: PythonAnswer = unpacked(text, _classes())
        self._rows = self._rows.beside(rows)
        return answer

    def find_debian(self, asked: DebianProblem) -> DebianAnswer | None:
        """Return the answer to *asked*, if it is known for the archive as it is now."""
        key = self._debian_key(asked)
        stored = None if key is None else self._found(_DEBIAN, key)
        answer: DebianAnswer | None = None if stored is None else unpacked(stored, _classes())
        return answer

    def _found(self, kind: str, key: str) -> bytes | None:
        stored = self._cache.get(kind, key)
        return None if stored is None else find_unsealed(stored)

    def keep(self, solved: Iterable[Solved], rows: Rows | None) -> None:
        """Keep what was *solved* over *rows*; None: over what may be different next time."""
        if rows is None or not self._settled:
            return
        head = json.dumps(rows.of_python()._asdict()).encode()
        items = []
        for asked, answer in solved:
            if isinstance(asked, python.PythonProblem):
                body = head + b"\n" + packed(answer)
                items.append((_PYTHON, self._python_key(asked), sealed(body)))
            elif (key := self._debian_key(asked)) is not None:
                items.append((_DEBIAN, key, sealed(packed(answer))))
        self._cache.put_many(items)

    def _python_key(self, asked: PythonProblem) -> str:
        # The facts are files of this tool, so its state stands for them.
        return digest(replace(asked, facts=PythonFacts()), self._indexes, self._tool)

    def _debian_key(self, asked: DebianProblem) -> str | None:
        archive, rows = self._archive, self._archive_rows
        if archive is None or rows is None:
            return None
        # A card's own status file may be any; without one, few packages stand for it.
        return digest(asked, self._system, archive.base, rows.releases, self._tool)


@cache
def _classes() -> tuple[type, ...]:
    """Return every class that an answer may be made of."""
    return tuple(
        one
        for home in (model, debian, python)
        for one in (getattr(home, name) for name in home.__all__ if name[0].isupper())
        if isinstance(one, type)
    )
