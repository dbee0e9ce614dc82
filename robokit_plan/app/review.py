"""Every robot of a repository that a change touches, planned on both sides of it."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain
from pathlib import Path, PurePosixPath

from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.session import open_session
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge.reading import ROBOT_FILE, Reading, read_robot
from robokit_plan.edge.revisions import (
    Changes,
    NoRevision,
    Repository,
    RevisionFolder,
    open_repository,
)
from robokit_plan.formats.tree import shown
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Finding, Plan, dataclass
from robokit_plan.render import RobotReview


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """What is reviewed: from `old` to `new`, or to the work tree where `new` is None."""

    old: str
    new: str | None
    profile: str | None
    offline: bool

    @property
    def sides(self) -> tuple[str, str | None]:
        """Both, the old one first."""
        return self.old, self.new


def reviews(
    change: Change, listener: Listener = NOBODY, *, here: Path
) -> tuple[tuple[RobotReview, ...], int]:
    """
    Return what *change* does to each robot that it touches, and how many robots there are.

    A robot is touched where its robot file or lock file is, or any file of a plugin that it
    enables, on either side. Its profiles are looked at where they enable a touched plugin that
    the robot itself does not.

    Raises:
        WrongUse: git does not know a revision, or *here* is in no repository.
        IndexTrouble: As planning does.
    """
    try:
        with open_repository(here, change.old) as repository:
            changes = repository.changes(change.old, change.new)
            sides = [set(repository.files_named(side, ROBOT_FILE)) for side in change.sides]
            robots = sorted(set.union(*sides))
            found = [
                review
                for file in robots
                for review in _robot(
                    change,
                    repository,
                    PurePosixPath(file).parent,
                    changes,
                    [file in one for one in sides],
                    listener,
                )
            ]
    except NoRevision as error:
        raise WrongUse(str(error)) from error
    return tuple(found), len(robots)


def _robot(
    change: Change,
    repository: Repository,
    folder: PurePosixPath,
    changes: Changes,
    there: list[bool],
    listener: Listener,
) -> Iterator[RobotReview]:
    inside = "" if str(folder) == "." else str(folder)
    if not changes.touch(folder):
        return
    with (
        _side(repository, change.old, inside, there[0], listener) as old,
        _side(repository, change.new, inside, there[1], listener) as new,
    ):
        before, after = _Side(old, change, listener), _Side(new, change, listener)
        own = any(
            path.parent == folder and (path.name == ROBOT_FILE or path.match("pylock.*.toml"))
            for path in changes.paths
        )
        touched = {
            name
            for side in (before, after)
            for name, where in side.plugins.items()
            if changes.touch(folder / where)
        }
        for profile in _profiles(change, before, after, touched, own=own):
            on = before.enabled(profile) | after.enabled(profile)
            yield RobotReview(
                robot=after.name or before.name or inside or ROBOT_FILE,
                profile=profile,
                folder=inside,
                touched=tuple(sorted(touched & on)),
                before=before.plan(profile),
                after=after.plan(profile),
                unread=after.unread,
                call=_call(change, inside, profile),
            )


def _profiles(
    change: Change, before: _Side, after: _Side, touched: set[str], *, own: bool
) -> Iterator[str | None]:
    """Yield None for the robot itself, then the profiles that bring further touched plugins."""

    def on(profile: str | None) -> set[str]:
        return before.enabled(profile) | after.enabled(profile)

    if change.profile is not None:
        if own or touched & on(change.profile):
            yield change.profile
        return
    if own or touched & on(None) or after.unread:
        yield None
    if before.name and after.name:
        for profile in sorted(before.profiles | after.profiles):
            if touched & (on(profile) - on(None)):
                yield profile


def _call(change: Change, inside: str, profile: str | None) -> str:
    words = ["robokit-plan", "diff", change.old, *([change.new] if change.new else [])]
    words += ["--robot", inside or "."]
    words += ["--profile", profile] if profile is not None else []
    return shlex.join(words)


@contextmanager
def _side(
    repository: Repository, revision: str | None, inside: str, there: bool, listener: Listener
) -> Iterator[Path | None]:
    if not there:
        yield None
    elif revision is None:
        yield repository.top / inside
    else:
        with repository.folder(revision, inside) as folder:
            _tell_submodules(folder, revision, inside, listener)
            yield folder.path


def _tell_submodules(
    folder: RevisionFolder, revision: str, inside: str, listener: Listener
) -> None:
    """Say of which plugins nothing is seen in *revision*."""
    try:
        robot = read_robot(folder.path).robot
    except UnreadableFile:
        return
    for shelf in () if robot is None else robot.plugin_paths:
        for one in folder.lost_plugins(shelf):
            where = shown(str(PurePosixPath(inside) / one))
            listener.tell(f"{where} of {revision} is a submodule; plugins in it are not seen there")


class _Side:
    """A robot as one revision has it; without a folder there is none."""

    def __init__(self, folder: Path | None, change: Change, listener: Listener) -> None:
        self._folder = folder
        self._listener = listener
        self._change = change
        self.unread: tuple[Finding, ...] = ()
        self._reading: Reading | None = None
        if folder is None:
            return
        try:
            self._reading = read_robot(folder)
        except UnreadableFile as error:
            self.unread = error.findings
        else:
            if self._reading.robot is None:
                self.unread = self._reading.findings

    @property
    def name(self) -> str:
        """The robot's name, "" where it has none that can be read."""
        robot = None if self._reading is None else self._reading.robot
        return "" if robot is None else robot.name

    @property
    def profiles(self) -> set[str]:
        """The names of its profiles."""
        robot = None if self._reading is None else self._reading.robot
        return set() if robot is None else set(robot.profiles)

    @property
    def plugins(self) -> dict[str, str]:
        """Plugin -> its folder below the robot's."""
        if self._reading is None:
            return {}
        return {str(one.plugin): one.folder for one in self._reading.manifests.values()}

    def enabled(self, profile: str | None) -> set[str]:
        """Return the plugins that the robot or its profile enables."""
        robot = None if self._reading is None else self._reading.robot
        if robot is None or (profile is not None and profile not in robot.profiles):
            return set()
        return {str(one.plugin) for one in robot.chosen(profile)}

    def plan(self, profile: str | None) -> Plan | None:
        """Return the plan; None where there is no such robot or it cannot be read."""
        if self._folder is None or not self.name:
            return None
        if profile is not None and profile not in self.profiles:
            return None
        try:
            session = open_session(self._folder, profile=profile)
            return session.plan(offline=self._change.offline, listener=self._listener)
        except UnreadableFile as error:
            self.unread = tuple(chain(self.unread, error.findings))
            return None
