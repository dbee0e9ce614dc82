"""
What commands did to one robot's files, step by step, and how the last step is taken back.

Steps are kept in the user's cache folder, one file a robot file: they are a convenience of one
machine, and the robot's folder belongs to the builder's version control.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.session import display, tell_written, text_of_lock
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.model import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from robokit_plan.formats.taking_back import LineChange

FOLDER = "undo"
MOST_STEPS = 20
"""Older ones are forgotten."""
_MOST_BYTES = 400_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class LockChange:
    """What a step did to one lock file; `before` is None where it made the file."""

    name: str
    before: str | None
    after: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One command that edited a robot file: `before` and `after` are its text."""

    command: str
    names: tuple[str, ...]
    robot: str
    profile: str | None
    before: str
    after: str
    locks: tuple[LockChange, ...] = ()

    @property
    def words(self) -> str:
        """What was typed, as far as it matters."""
        profile = f" --profile {self.profile}" if self.profile else ""
        return f"{' '.join((self.command, *self.names))}{profile}"


def add_step(file: Path, step: Step, listener: Listener = NOBODY) -> None:
    """Keep *step* as the last one of the robot in *file*; say so where that cannot be done."""
    from robokit_plan.edge.files import CannotWrite

    try:
        _write(file, [*_steps(file), step][-MOST_STEPS:])
    except (CannotWrite, OSError) as error:
        listener.tell(f"note: this change cannot be undone by --undo: {error}")


def take_back(
    robot: Path | None,
    listener: Listener = NOBODY,
    *,
    names: Sequence[str] = (),
    profile: str | None = None,
    dry_run: bool,
) -> str:
    """
    Take the last step back: its edit of the robot file, and its lock files.

    What was changed in the robot file since stays, byte for byte. A lock file that was made anew
    since stays as it is.

    Args:
        robot: As every command has it.
        listener: Told what was written.
        names: Of the plugins that were switched, where the person says which step is meant.
        profile: The profile that was switched; None says nothing.
        dry_run: Only say; neither files nor the list of steps change.

    Returns:
        What would be taken back; "" once it is.

    Raises:
        WrongUse: There is no such step, or lines that it wrote were changed since.
    """
    from robokit_plan.edge.files import check_unchanged, held, read_text
    from robokit_plan.edge.reading import find_robot_file
    from robokit_plan.edge.robots import parse_robot
    from robokit_plan.formats.taking_back import InTheWay, taken_back

    file = find_robot_file(robot)
    with held(file.parent):
        steps = _steps(file)
        if not steps:
            raise WrongUse(
                "there is nothing to take back",
                why="no enable or disable of this robot was done on this machine, or it was undone",
            )
        step = steps[-1]
        now = read_text(file, file.name)
        found, _ = parse_robot(now, file.name)
        _check_meant(step, names, profile, None if found is None else str(found.name))
        try:
            text, changes = taken_back(now, before=step.before, after=step.after)
        except InTheWay as trouble:
            lines = ", ".join(str(one) for one in trouble.lines)
            many = len(trouble.lines) > 1
            raise WrongUse(
                f"{step.words} cannot be taken back: {file.name} was changed since in "
                f"line{'s' if many else ''} {lines}",
                why="what you wrote there would be lost; nothing was changed",
                repair=(f"edit {display(file)} by hand",),
            ) from trouble
        if dry_run:
            return _shown(step, changes, file)
        check_unchanged(file, now)
        _restore(step, file, now, text, listener)
        _write(file, steps[:-1])
    return ""


def _check_meant(step: Step, names: Sequence[str], profile: str | None, robot: str | None) -> None:
    again = f"robokit-plan {step.command} --undo" + (
        f" --profile {step.profile}" if step.profile else ""
    )
    if robot is not None and robot != step.robot:
        raise WrongUse(
            f"the last switch here was of robot {step.robot}, and this is {robot}",
            why="nothing was changed",
            repair=(f"robot: {step.robot}   in the robot file, then {again}",),
        )
    if profile != step.profile:
        of = f"profile {step.profile}" if step.profile else "no profile"
        raise WrongUse(
            f"the last switch was of {of}: {step.words}", why="nothing was changed", repair=(again,)
        )
    if names and set(names) != set(step.names):
        raise WrongUse(
            f"the last switch was {step.words}",
            why="steps are taken back in turn, the last first; nothing was changed",
            repair=(again,),
        )


def _shown(step: Step, changes: Sequence[LineChange], file: Path) -> str:
    lines = [f"{step.words} would be taken back in {display(file)}"]
    for one in changes:
        lines += [
            f"  line {one.line + at} goes     {text.rstrip()}" for at, text in enumerate(one.gone)
        ]
        lines += [f"  line {one.line} returns  {text.rstrip()}" for text in one.come]
    for lock in step.locks:
        found = text_of_lock(file.parent / lock.name)
        if found != lock.after:
            lines.append(f"  {lock.name} was made anew since and stays")
        elif lock.before is None:
            lines.append(f"  {lock.name} goes, since the switch made it")
        else:
            lines.append(f"  {lock.name} is as it was before")
    return "\n".join(lines)


def _restore(step: Step, file: Path, now: str, text: str, listener: Listener) -> None:
    from robokit_plan.edge.files import CannotWrite, write_atomically

    written: list[tuple[Path, str]] = []
    try:
        for lock in step.locks:
            path = file.parent / lock.name
            found = text_of_lock(path)
            if found != lock.after:
                listener.tell(
                    f"{lock.name} was made anew since and stays; robokit-plan lock plans it again"
                )
            elif lock.before is None:
                path.unlink(missing_ok=True)
                written.append((path, found))
            else:
                write_atomically(path, lock.before)
                tell_written(listener, path)
                written.append((path, found))
        # Last: as long as it is the old one, the same command does it all again.
        if text != now:
            write_atomically(file, text)
            tell_written(listener, file)
    except (CannotWrite, OSError):
        for path, found in written:
            write_atomically(path, found)
        raise


# --- where steps are kept --------------------------------------------------------------------


def _path(file: Path) -> Path:
    from hashlib import sha256

    from robokit_plan.edge.cache import cache_file

    name = sha256(os.fsencode(file.resolve())).hexdigest()[:16]
    return cache_file(os.environ).parent / FOLDER / f"{name}.json"


def _steps(file: Path) -> list[Step]:
    """Return the steps of the robot in *file*, the last one last; none where nothing is kept."""
    import json

    from robokit_plan.edge.ordinary import read_text

    try:
        return [_step(one) for one in json.loads(read_text(_path(file), _MOST_BYTES))["steps"]]
    except (OSError, ValueError, RecursionError, KeyError, TypeError, AttributeError):
        return []


def _step(row: dict[str, Any]) -> Step:
    return Step(
        command=row["command"],
        names=tuple(row["names"]),
        robot=row["robot"],
        profile=row["profile"],
        before=row["before"],
        after=row["after"],
        locks=tuple(
            LockChange(name=Path(one["name"]).name, before=one["before"], after=one["after"])
            for one in row["locks"]
        ),
    )


def _write(file: Path, steps: Sequence[Step]) -> None:
    import json

    from robokit_plan.edge.files import write_atomically

    path = _path(file)
    if not steps:
        path.unlink(missing_ok=True)
        return
    rows = [
        {
            "command": one.command,
            "names": list(one.names),
            "robot": one.robot,
            "profile": one.profile,
            "before": one.before,
            "after": one.after,
            "locks": [
                {"name": lock.name, "before": lock.before, "after": lock.after}
                for lock in one.locks
            ],
        }
        for one in steps
    ]
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomically(path, json.dumps({"steps": rows}), mode=0o600)
