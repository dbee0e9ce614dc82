"""Ask the pure planner, fetch what it needs, ask again, until there is a plan."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.model import (
    DebianName,
    DistributionName,
    Finding,
    Need,
    Origin,
    Place,
    Plan,
    Severity,
    Snapshot,
    finding,
    replace,
)

if TYPE_CHECKING:
    from robokit_plan.edge.debian_archive import DebianReader
    from robokit_plan.edge.kept_rows import Rows
    from robokit_plan.model import Robot
    from robokit_plan.planner import Problem

_HINT = "plan-rows-1"
MAX_ROUNDS = 6_000
"""Each learns something new; a chain of requirements takes one for each of its links."""


class World:
    """
    The indices, as far as they were read; one world serves any number of plans of one robot.

    Args:
        robot: Names further indices, mirrors and sources.
        root: The robot's folder; key files stand beside the robot file.
        offline: Ask nobody; use what the cache holds.
        listener: Told about the work.
    """

    def __init__(
        self,
        robot: Robot,
        *,
        root: Path,
        offline: bool,
        listener: Listener = NOBODY,
        builds: bool = False,
    ) -> None:
        from robokit_plan.app.solved import SolvedBefore
        from robokit_plan.edge._debian_apt_config import read_apt_settings
        from robokit_plan.edge.cache import Cache, cache_file
        from robokit_plan.edge.debian_archive import debian_archive
        from robokit_plan.edge.python_index import PythonIndexes, index_settings, kept_for

        self._cache = Cache(cache_file(os.environ))
        self.settings = index_settings(robot.indexes, os.environ)
        self._python = PythonIndexes(
            self.settings,
            self._cache,
            offline=offline,
            progress=listener.step,
            keep=kept_for(robot.system.architecture),
            kept_as=robot.system.architecture,
        )
        self._builds = builds
        self._debian: DebianReader | None
        self.debian_reason = ""
        self.apt = read_apt_settings(os.environ)
        found = debian_archive(
            robot.system,
            root=root,
            environ=os.environ,
            offline=offline,
            progress=listener.step,
            settings=self.apt,
        )
        if isinstance(found, str):
            self._debian, self.debian_reason = None, found
        else:
            self._debian = found
        told = () if self._debian is None else self._debian.findings
        self.snapshot = Snapshot(
            debian=None if self._debian is None else self._debian.archive,
            debian_reason=self.debian_reason,
        )
        self.findings = [at_robot(one, robot) for one in (*self.settings.findings, *told)]
        self.age_s = 0 if self._debian is None else self._debian.age_s
        self.solved = None
        if not builds:
            self.solved = SolvedBefore(
                self._cache, indexes=self.settings.indexes, system=robot.system, offline=offline
            )
            if self._debian is not None:
                self.solved.reads(self._debian.archive, self._debian.grounds)
        self._asked = Need()
        self._recalled: set[tuple[str, str]] = set()
        self._pages: dict[str, str] = {}
        self._built: dict[str, str] = {}
        self._doubtful = builds

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._python.close()
        if self._debian is not None:
            self._debian.close()
        self._cache.close()

    @property
    def indexes(self) -> Mapping[str, str]:
        """Configured indices, name -> address without credentials; not those of the robot file."""
        return {one.name: one.url for one in self.settings.indexes if not one.only}

    @property
    def rows(self) -> Rows | None:
        """What was read so far; None where the next run might read something else."""
        from robokit_plan.edge.kept_rows import NO_ROWS

        if self._doubtful or not all(self._pages.values()):
            return None
        grounds: Rows | None = NO_ROWS if self._debian is None else self._debian.grounds
        if grounds is None:
            return None
        read = NO_ROWS._replace(pages=self._pages, built=self._built)
        return (
            grounds.beside(read)
            if self.solved is None
            else grounds.beside(read).beside(self.solved.rows)
        )

    def keep(self, kind: str, key: str, value: bytes) -> None:
        """Keep *value* beside the rows that were read."""
        self._cache.put(kind, key, value)

    def recall(self, robot: str, need: Need | None = None) -> None:
        """
        Read at once what the last plan of *robot* asked for, round by round.

        Where *need* is given, only on the sides that it asks about, since the others are known.
        A hint only: rows that are read in vain never change the answer. One round of parallel
        requests takes the place of many.
        """
        sides = {"pages", "debian"} if need is None else _sides(need)
        sides -= {side for one, side in self._recalled if one == robot}
        if not sides:
            return
        self._recalled |= {(robot, side) for side in sides}
        hint = _hint(self._cache.get(_HINT, robot))
        pages = tuple(map(DistributionName, hint["pages"])) if "pages" in sides else ()
        debian = tuple(map(DebianName, hint["debian"])) if "debian" in sides else ()
        if not pages and not debian:
            return
        self.learn(Need(pages=pages, debian=debian))
        keys = frozenset(hint["metadata"]) if pages else frozenset()
        files = {
            file.key: file
            for page in self.snapshot.pages.values()
            for one in page
            for file in one.files
            if file.key in keys
        }
        if files:
            self.learn(Need(metadata=tuple(files[key] for key in sorted(files))))

    def remember(self, robot: str) -> None:
        """Keep what this plan asked for, for the next run's `recall`."""
        stored = self._cache.get(_HINT, robot)
        # What was known was not asked for: the last hint for it stays.
        hint = _hint(stored)
        if self._asked.pages:
            hint["pages"] = list(self._asked.pages)
            hint["metadata"] = [one.key for one in self._asked.metadata]
        if self._asked.debian:
            hint["debian"] = list(self._asked.debian)
        body = json.dumps(hint).encode()
        if body != stored:
            self._cache.put(_HINT, robot, body)

    def learn(self, need: Need) -> None:
        """Add the answers to *need* to the snapshot."""
        self._asked = Need(
            pages=tuple(sorted({*self._asked.pages, *need.pages})),
            debian=tuple(sorted({*self._asked.debian, *need.debian})),
            metadata=tuple(
                {one.key: one for one in (*self._asked.metadata, *need.metadata)}.values()
            ),
        )
        old = self.snapshot
        # Contents: what a wheel really brings decides collisions of imports and missing modules.
        fetched = self._python.fetch(need.pages, need.metadata, contents=True)
        self.age_s = max(self.age_s, fetched.age_s)
        self._pages.update(fetched.states)
        self._built.update(fetched.built)
        self._doubtful = self._doubtful or fetched.doubtful
        metadata = dict(fetched.metadata)
        if self._builds:
            unknown = [one for one in need.metadata if metadata[one.key].requires_dist is None]
            metadata.update(self._python.build_metadata(unknown, os.environ))
        debian = old.debian
        if need.debian and self._debian is not None:
            debian = self._debian.read(need.debian)
        self.snapshot = replace(
            old,
            pages={**old.pages, **fetched.pages},
            metadata={**old.metadata, **metadata},
            debian=debian,
        )


def _sides(need: Need) -> set[str]:
    return {side for side in ("pages", "debian") if getattr(need, side)}


def _hint(stored: bytes | None) -> dict[str, list[str]]:
    """Return what `World.remember` kept; nothing where it is damaged."""
    parts = ("pages", "debian", "metadata")
    try:
        hint = json.loads(stored or b"{}")
        return {part: [str(one) for one in hint.get(part, ())] for part in parts}
    except (ValueError, RecursionError, AttributeError, TypeError):
        return {part: [] for part in parts}


def at_robot(one: Finding, robot: Robot) -> Finding:
    """Return *one* with places outside the robot's folder told in words at the robot file."""
    ours = robot.origin.file
    return replace(
        one,
        places=tuple(
            place
            if place.origin.file == ours
            else Place(
                origin=Origin(file=ours),
                label=": ".join(word for word in (str(place.origin), place.label) if word),
            )
            for place in one.places
        ),
    )


def planned(
    problem: Problem,
    *,
    offline: bool,
    build_metadata: bool,
    root: Path,
    listener: Listener = NOBODY,
    then: Callable[[World, Plan], None] | None = None,
) -> Plan:
    """
    Return the plan of *problem* over the configured indices.

    Args:
        problem: What is planned.
        offline: Ask nobody.
        build_metadata: Let builds tell what sdists need.
        root: The robot's folder.
        listener: Told about the work.
        then: Called with the plan while the indices are still open.

    Raises:
        IndexTrouble: An index gave no usable answer.
        WrongUse: The robot file names a release or architecture without facts.
    """
    with World(
        problem.robot, root=root, offline=offline, listener=listener, builds=build_metadata
    ) as world:
        plan = plan_in(world, problem)
        if then is not None:
            then(world, plan)
        return plan


def rounds() -> Iterator[int]:
    """
    Yield a number for each time that indices are asked.

    Raises:
        IndexTrouble: So many times that this is no index of ordinary packages.
    """
    from robokit_plan.edge._index_errors import IndexTrouble

    yield from range(MAX_ROUNDS)
    raise IndexTrouble(
        f"the indices were asked {MAX_ROUNDS} times in a row, and there is always more to ask",
        index="default",
        why="each answer names what nothing named before, in a chain that no real software has",
        repair=("robokit-plan disable PLUGIN   of the one whose requirements begin the chain",),
    )


def plan_in(world: World, problem: Problem, *, hint: bool = True) -> Plan:
    """
    Return the plan of *problem*, letting *world* learn what it takes.

    Args:
        world: What is known of the indices.
        problem: The robot.
        hint: Whether to recall what its last plan asked for, and to remember what this one did;
            not for what-if plans, whose questions are not the robot's own.
    """
    from robokit_plan.planner import Planner
    from robokit_plan.resolve.python import UnknownTargetError

    problem = replace(
        problem,
        indexes=world.indexes,
        reading=problem.reading + tuple(world.findings) + _unplanned(problem.robot, world),
    )
    try:
        planner = Planner(problem, known=world.solved)
    except UnknownTargetError as error:
        raise WrongUse(
            str(error), repair=("system: {release: debian-13}   in robot.yaml",)
        ) from error
    for _ in rounds():
        answer = planner.resolve(world.snapshot)
        if isinstance(answer, Plan):
            if hint:
                world.remember(problem.robot.name)
            if world.solved is not None:
                world.solved.keep(planner.solved, world.rows)
            return answer
        if hint:
            world.recall(problem.robot.name, answer)
        world.learn(answer)
    raise AssertionError("rounds end by raising")


def _unplanned(robot: Robot, world: World) -> tuple[Finding, ...]:
    if world.snapshot.debian is not None:
        return ()
    return (
        finding(
            "debian-unplanned",
            Severity.WARNING,
            "the Debian part is not planned",
            places=[Place(origin=robot.places.get("system", robot.origin))],
            why=world.debian_reason,
            repair='system: {mirror: "https://mirror.example/debian"}   in robot.yaml, with a '
            "mirror near you",
        ),
    )
