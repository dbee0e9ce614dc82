"""What the two sides of a diff can be, as plans."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.cli._failure import WrongUse
from robokit_plan.cli._session import find_lock, open_session

if TYPE_CHECKING:
    from robokit_plan.model import Plan


class Sides:
    """Turns a word of the command line into a plan."""

    def __init__(self, *, robot: Path | None, profile: str | None, offline: bool) -> None:
        self._robot = robot
        self._profile = profile
        self._offline = offline

    def current(self) -> Plan:
        """Return the plan of the robot as it stands."""
        return open_session(self._robot, profile=self._profile).plan(offline=self._offline)

    def locked(self) -> Plan:
        """
        Return what the robot's lock file holds.

        Raises:
            WrongUse: There is none.
        """
        path = find_lock(self._robot, self._profile)
        if not path.is_file():
            raise WrongUse(
                f"there is no lock file {path.name} to compare with",
                why="without OLD, the lock file is the old side",
                repair=("robokit-plan lock", "robokit-plan diff HEAD   for the last commit"),
            )
        return _read(path)

    def plan(self, word: str) -> Plan:
        """
        Return the plan that *word* means: a file, a profile or a git revision, in this order.

        Raises:
            WrongUse: It is none of these.
        """
        path = Path(word)
        if path.name.endswith(".toml") and path.is_file():
            return _read(path)
        if path.is_dir() or (path.is_file() and path.suffix in {".yaml", ".yml"}):
            return open_session(path, profile=self._profile).plan(offline=self._offline)
        from robokit_plan.edge.reading import find_robot_file
        from robokit_plan.edge.revisions import NoRevision, revision_folder
        from robokit_plan.edge.robots import parse_robot

        file = find_robot_file(self._robot)
        from robokit_plan.edge.files import read_text

        found, _ = parse_robot(read_text(file, file.name), file.name)
        if found is not None and word in found.profiles:
            return open_session(self._robot, profile=word).plan(offline=self._offline)
        try:
            with revision_folder(file.parent.absolute(), word) as folder:
                session = open_session(folder / file.name, profile=self._profile)
                return session.plan(offline=self._offline)
        except NoRevision as error:
            profiles = ", ".join(sorted(found.profiles)) if found is not None else ""
            raise WrongUse(
                f"{word} is no lock file, robot file, profile or git revision",
                why=f"profiles: {profiles or 'none'}; git: {error.why}",
            ) from error


def _read(path: Path) -> Plan:
    from robokit_plan.edge.read_lock import read_lock
    from robokit_plan.formats.lock import LockError
    from robokit_plan.formats.unreadable import UnreadableFile

    try:
        return read_lock(path)
    except LockError as error:
        raise UnreadableFile((error.finding,)) from error
