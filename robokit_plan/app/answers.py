"""
What a command printed, kept until anything that it rests on changes.

An answer is a function of the call, the files that were read, the environment, this tool, and
the rows that were read of the indices. All of these are looked at again, by digest, before a
kept answer is printed; rows must also be fresh, so nobody would be asked. Then the answer is the
very text that planning anew would print, and planning, with all that it imports, is left out.

The cache is only ever believed about what this user asked on this machine; it may be deleted.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from robokit_plan.app.forms import NOTES, TEXT

if TYPE_CHECKING:
    from robokit_plan.app.planning import World
    from robokit_plan.app.session import Session
    from robokit_plan.edge.kept_files import Looked, Watched
    from robokit_plan.edge.kept_rows import Rows

_KIND = "answer-1"


class Asked(NamedTuple):
    """
    One call as far as the answer depends on it; the form is apart.

    `names` of plugins, as typed; `width` columns, 0 where the answer is not laid out for any.
    """

    command: str = "check"
    names: tuple[str, ...] = ()
    robot: str | None = None
    profile: str | None = None
    board: str | None = None
    release: str | None = None
    as_of: str | None = None
    offline: bool = False
    width: int = 0

    @property
    def key(self) -> str:
        """What the answer is kept under; paths in it begin at the working folder."""
        return sha256(json.dumps([os.getcwd(), *self]).encode()).hexdigest()  # noqa: PTH109


class Answer(NamedTuple):
    """What a call prints, and its exit status."""

    text: str
    status: int


def lint_asked(
    paths: Iterable[str | os.PathLike[str]], *, layout: str, notes: bool
) -> tuple[Asked, str]:
    """Return the question and the form of ``lint``; *notes* say more in text alone."""
    form = NOTES if notes and layout == TEXT else layout
    names = tuple(str(Path(one)) for one in paths)
    return Asked(command=f"lint {form}", names=names, offline=True), form


def find_answer(asked: Asked, form: str, looked: Looked | None = None) -> Answer | None:
    """
    Return what the call prints in *form*, where that is known without planning.

    *looked* is filled as by `files_state`, where files were looked at.
    """
    try:
        return _kept(asked, form, looked)
    except OSError:
        # The working folder is gone, say: the command itself tells about it.
        return None


def _kept(asked: Asked, form: str, looked: Looked | None) -> Answer | None:
    from robokit_plan.edge.cache import Cache, cache_file, find_unsealed
    from robokit_plan.edge.kept_files import Watched, files_state, tool_files, tool_state
    from robokit_plan.edge.kept_rows import parse_rows, rows_stand

    path = cache_file(os.environ)
    if not path.exists():
        return None
    with Cache(path) as cache:
        stored = cache.get(_KIND, asked.key)
        if stored is None:
            return None
        body = find_unsealed(stored)
        if body is None:
            return None
        try:
            entry = json.loads(body)
            watched = [Watched(kind, path) for kind, path in entry["watched"]]
            rows = parse_rows(entry["rows"])
            answer = Answer(str(entry["forms"][form]), int(entry["status"]))
            if entry["tool"] != tool_state(files_state(tool_files()), os.environ):
                return None
        except (ValueError, RecursionError, KeyError, TypeError, AttributeError):
            return None
        if files_state(watched, looked).digest != entry["files"]:
            return None
        if not rows_stand(rows, cache, now=time.time(), offline=asked.offline):
            return None
    return answer


class Keeper:
    """
    Keeps the answer to one call.

    Made before anything is read: what changes from then on makes the answer unfit to keep,
    since nobody can say which state of it was read.
    """

    def __init__(self, asked: Asked) -> None:
        self._asked = asked
        self._start = time.time()

    def keep(
        self, world: World, session: Session, forms: Mapping[str, Callable[[], str]], status: int
    ) -> None:
        """Keep what *forms* give, in each form, if it can be known when it no longer holds."""
        from robokit_plan.edge.inputs import apt_files, pip_files, robot_files
        from robokit_plan.edge.kept_files import Watched

        rows = world.rows
        apt = apt_files(world.apt, os.environ)
        unusable_lock = session.lock_path.exists() and session.problem.locked is None
        if rows is None or apt is None or unusable_lock:
            return
        watched = (
            *robot_files(
                session.reading.file,
                session.problem.robot,
                asked=None if self._asked.robot is None else Path(self._asked.robot),
                plugins=self._asked.names,
            ),
            Watched("bytes", str(session.lock_path)),
            *pip_files(os.environ),
            *apt,
        )
        self.keep_over(
            watched, rows, {name: make() for name, make in forms.items()}, status, put=world.keep
        )

    def keep_over(
        self,
        watched: Sequence[Watched],
        rows: Rows,
        forms: Mapping[str, str],
        status: int,
        *,
        put: Callable[[str, str, bytes], None],
        looked: Looked | None = None,
    ) -> bool:
        """
        Keep *forms*, which rest on *watched* and *rows*, by *put*; not where these changed.

        *looked* is as in `files_state`. Returns whether it was kept.
        """
        from robokit_plan.edge.cache import sealed
        from robokit_plan.edge.kept_files import files_state, tool_files, tool_state

        files, tool = files_state(watched, looked), files_state(tool_files())
        if not (files.held_since(self._start) and tool.held_since(self._start)):
            return False
        body = json.dumps(
            {
                "tool": tool_state(tool, os.environ),
                "watched": watched,
                "files": files.digest,
                "rows": rows._asdict(),
                "forms": forms,
                "status": status,
            }
        ).encode()
        put(_KIND, self._asked.key, sealed(body))
        return True
