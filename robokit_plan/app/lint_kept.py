"""
What lint told of single plugins of a library, kept while their folders stay as they are.

After one edit one plugin is read and judged, and the others are told as before. Kept is only what
a manifest's own folder decides: not of plugins that command actuators, which others declare, nor
of files with comments that speak to lint. Where a robot is looked at, all is read anew, since
planning it needs every manifest whole.
"""

from __future__ import annotations

import json
import os
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from robokit_plan.edge import kept_files
from robokit_plan.edge.cache import Cache, cache_file, find_unsealed, sealed
from robokit_plan.edge.kept_values import DamagedValue, packed, unpacked
from robokit_plan.edge.lint_targets import KeptManifest, LintTarget
from robokit_plan.edge.reading import MANIFEST_FILE
from robokit_plan.lint import actuators_of
from robokit_plan.model import Finding, Origin, Place, Severity

if TYPE_CHECKING:
    from robokit_plan.app.answers import Asked
    from robokit_plan.app.judged import Judged
    from robokit_plan.edge.kept_files import Looked

_KIND = "lint-plugins-1"
_CLASSES = (Finding, Origin, Place, Severity)


class _Row(NamedTuple):
    """`state`: SHA-256 over the plugin's folder."""

    state: str
    plugin: str
    actuators: tuple[str, ...]
    findings: tuple[Finding, ...]


class KeptPlugins:
    """
    What was told of the plugins that a call of lint is about.

    Args:
        asked: The call; the form of its answer does not matter.
        folders: Those that it names.
        looked: As in `files_state`.
    """

    def __init__(self, asked: Asked, folders: Sequence[Path], looked: Looked) -> None:
        self._key = sha256(json.dumps([os.getcwd(), asked.names]).encode()).hexdigest()  # noqa: PTH109
        self._tool = _tool()
        self._rows: Mapping[str, _Row] = _stored(self._key, self._tool)
        self._looked = looked
        if self._rows and not looked:
            watched = [kept_files.Watched("code", str(one.absolute())) for one in folders]
            kept_files.files_state(watched, looked)
        self._states = _Folders(looked)

    def find(self, path: Path, name: str) -> LintTarget | None:
        """Return what was told of the manifest at *path*, if its folder is what it was then."""
        row = self._rows.get(name)
        if row is None or row.state != self._states.below(str(path.parent)):
            return None
        kept = KeptManifest(plugin=row.plugin, actuators=frozenset(row.actuators))
        return LintTarget(name=name, path=path, findings=row.findings, kept=kept)

    def keep(self, cache: Cache, targets: Sequence[LintTarget], judged: Judged) -> None:
        """Keep what *targets* were told; this tool and they are what they were before reading."""
        states = self._states if self._rows else _Folders(self._looked)
        rows = {}
        for target in targets:
            manifest = target.manifest
            if target.kept is not None:
                rows[target.name] = self._rows[target.name]
            elif (
                manifest is not None
                and target.path.name == MANIFEST_FILE
                and not manifest.topics.commands
                and target.name not in judged.spoken
                and (state := states.below(str(target.path.parent)))
            ):
                actuators = tuple(sorted(actuators_of([manifest])))
                told = judged.by_file[target.name]
                rows[target.name] = _Row(state, str(manifest.plugin), actuators, told)
        values = tuple((name, *row) for name, row in rows.items())
        cache.put(_KIND, self._key, sealed(packed((self._tool, values))))


def _tool() -> str:
    """Return what stands for this tool and its surroundings."""
    files = kept_files.files_state(kept_files.tool_files())
    return sha256(json.dumps(kept_files.tool_state(files, os.environ)).encode()).hexdigest()


def _stored(key: str, tool_now: str) -> Mapping[str, _Row]:
    path = cache_file(os.environ)
    if not path.exists():
        return {}
    with Cache(path) as cache:
        stored = cache.get(_KIND, key)
    body = None if stored is None else find_unsealed(stored)
    if body is None:
        return {}
    try:
        tool, rows = unpacked(body, _CLASSES)
        return {name: _Row(*row) for name, *row in rows} if tool == tool_now else {}
    except (DamagedValue, TypeError, ValueError):
        return {}


class _Folders:
    """States of single folders, from which the state of all below one follows."""

    def __init__(self, looked: Looked) -> None:
        self._states = {folder: state for rows in looked.values() for folder, state in rows}
        # With a slash behind, what lies below a folder follows it at once.
        self._paths = sorted(f"{one}/" for one in self._states)
        self._below: dict[str, str] = {}

    def below(self, folder: str) -> str:
        """Return a SHA-256 over *folder* and all below it; "" where it was not looked at."""
        known = self._below.get(folder)
        if known is not None:
            return known
        start = f"{folder}/"
        at = bisect_left(self._paths, start)
        total = sha256()
        first = at
        while at < len(self._paths) and self._paths[at].startswith(start):
            total.update(self._states[self._paths[at][:-1]].digest.encode())
            at += 1
        found = self._below[folder] = total.hexdigest() if at > first else ""
        return found
