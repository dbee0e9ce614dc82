"""Names of outputs that two robots of one folder would share: told before anything is written."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import TYPE_CHECKING

from robokit_plan.cli._failure import WrongUse

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from robokit_plan.model import Robot

_IS_ROBOT = re.compile(r"^robot[ \t]*:", re.MULTILINE)


def check_own_names(file: Path, robot: str, profile: str | None, *, shared: str = "") -> None:
    """
    Refuse to write what another robot file of the folder of *file* would write as well.

    Args:
        file: The robot file.
        robot: Its robot.
        profile: The profile that is written of, or None.
        shared: A name that every robot file of a folder writes to, such as ``install.sh``.

    Raises:
        WrongUse: Another robot file is there that has the same name for it; letters that differ
            in case alone are the same, since some cards and disks take them for that.
    """
    own = _stem(robot, profile)
    for other_file, other in _others(file):
        if shared:
            raise WrongUse(
                f"{file.name} and {other_file.name} would both write {shared}",
                why=f"they are two robots in one folder, {robot} and {other.name}",
                repair=(_with_out(file, robot, profile, shared),),
            )
        for theirs in (None, *other.profiles):
            if _stem(str(other.name), theirs).casefold() == own.casefold():
                raise WrongUse(
                    f"{_whose(robot, profile)} in {file.name} and "
                    f"{_whose(str(other.name), theirs)} in {other_file.name} would both write "
                    f"pylock.{own}.toml",
                    why="the name of a robot, and of one with its profile, names its outputs",
                    repair=("another name for one of the robots, or for the profile",),
                )


def _with_out(file: Path, robot: str, profile: str | None, shared: str) -> str:
    stem, _, ending = shared.rpartition(".")
    words = ["robokit-plan script --robot", file.name]
    if profile is not None:
        words += ["--profile", profile]
    return " ".join([*words, "--out", f"{stem}-{_stem(robot, profile)}.{ending}"])


def _stem(robot: str, profile: str | None) -> str:
    return robot if profile is None else f"{robot}-{profile}"


def _whose(robot: str, profile: str | None) -> str:
    return f"robot {robot}" + (f" with profile {profile}" if profile else "")


def _others(file: Path) -> Iterator[tuple[Path, Robot]]:
    """Yield the other robot files beside *file*; one that cannot be read is none."""
    from robokit_plan.edge.files import read_text
    from robokit_plan.edge.robots import parse_robot
    from robokit_plan.formats.unreadable import UnreadableFile

    for path in sorted(file.absolute().parent.iterdir()):
        if path.suffix not in {".yaml", ".yml"} or path.name == file.name:
            continue
        with suppress(UnreadableFile, OSError):
            text = read_text(path, path.name)
            robot = parse_robot(text, path.name)[0] if _IS_ROBOT.search(text) else None
            if robot is not None:
                yield path, robot
