"""What the two sides of a diff can be, as plans."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.session import display_prefix, find_lock, open_lock, open_session
from robokit_plan.app.wrong_use import WrongUse

if TYPE_CHECKING:
    from robokit_plan.app.session import Session
    from robokit_plan.model import Plan


class Side(NamedTuple):
    """One side; `prefix` stands before its file names for display."""

    plan: Plan
    prefix: str = ""


class Sides:
    """Turns a word of the command line into a plan."""

    def __init__(
        self,
        listener: Listener = NOBODY,
        *,
        robot: Path | None,
        profile: str | None,
        offline: bool,
    ) -> None:
        self._listener = listener
        self._robot = robot
        self._profile = profile
        self._offline = offline

    def current(self) -> Side:
        """Return the plan of the robot as it stands."""
        return self._planned(open_session(self._robot, profile=self._profile))

    def _planned(self, session: Session) -> Side:
        plan = session.plan(offline=self._offline, listener=self._listener)
        return Side(plan, session.prefix)

    def locked(self) -> Side:
        """
        Return what the robot's lock file holds.

        Raises:
            WrongUse: There is none.
        """
        path = find_lock(self._robot, self._profile)
        if not path.exists():
            raise WrongUse(
                f"there is no lock file {path.name} to compare with",
                why="without OLD, the lock file is the old side",
                repair=("robokit-plan lock", "robokit-plan diff HEAD   for the last commit"),
            )
        return Side(open_lock(path))

    def side(self, word: str) -> Side:
        """
        Return the plan that *word* means: a file, a profile or a git revision, in this order.

        Raises:
            WrongUse: It is none of these.
        """
        path = Path(word)
        if path.name.endswith(".toml") and path.is_file():
            return Side(open_lock(path))
        if path.is_dir() or (path.is_file() and path.suffix in {".yaml", ".yml"}):
            return self._planned(open_session(path, profile=self._profile))
        from robokit_plan.edge.reading import find_robot_file
        from robokit_plan.edge.revisions import NoRevision, inside_of, open_repository
        from robokit_plan.edge.robots import parse_robot
        from robokit_plan.formats.tree import shown

        file = find_robot_file(self._robot)
        from robokit_plan.edge.files import read_text

        found, _ = parse_robot(read_text(file, file.name), file.name)
        if found is not None and word in found.profiles:
            return self._planned(open_session(self._robot, profile=word))
        try:
            here = file.parent.resolve()
            with (
                open_repository(here, word) as repository,
                repository.folder(word, inside_of(here, repository.top)) as folder,
            ):
                for shelf in () if found is None else found.plugin_paths:
                    for one in folder.lost_plugins(shelf):
                        where = shown(str(one))
                        self._listener.tell(
                            f"{where} of {word} is a submodule; plugins in it are not seen there"
                        )
                session = open_session(folder.path / file.name, profile=self._profile)
                # Files are named as in the work tree: the revision's own folder is gone by then.
                plan = session.plan(offline=self._offline, listener=self._listener)
                return Side(plan, display_prefix(file.parent.absolute()))
        except NoRevision as error:
            profiles = ", ".join(sorted(found.profiles)) if found is not None else ""
            raise WrongUse(
                f"{word} is no lock file, robot file, profile or git revision",
                why=f"profiles: {profiles or 'none'}; git: {error.why}",
            ) from error
