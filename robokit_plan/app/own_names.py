"""Names of outputs that two robots of one folder would share: told before anything is written."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import TYPE_CHECKING, NamedTuple

from robokit_plan.app.wrong_use import WrongUse

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_IS_ROBOT = re.compile(r"^robot[ \t]*:[ \t]*[\"']?(?P<name>[A-Za-z0-9-]+)", re.MULTILINE)
_HAS_FORMAT = re.compile(r"^format[ \t]*:", re.MULTILINE)


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
    for other in _others(file):
        if shared:
            raise WrongUse(
                f"{file.name} and {other.file} would both write {shared}",
                why=f"they are two robots in one folder, {robot} and {other.name}",
                repair=(_with_out(file, robot, profile, shared),),
            )
        if other.profiles is None and own.casefold().startswith(f"{other.name}-".casefold()):
            raise WrongUse(
                f"{other.file} cannot be read, so it is not known whether both it and {file.name} "
                f"would write pylock.{own}.toml",
                why=f"it names a robot {other.name}, whose profiles name its outputs",
                repair=(f"robokit-plan lint {other.file}",),
            )
        for theirs in (None, *(other.profiles or ())):
            if _stem(other.name, theirs).casefold() == own.casefold():
                raise WrongUse(
                    f"{_whose(robot, profile)} in {file.name} and "
                    f"{_whose(other.name, theirs)} in {other.file} would both write "
                    f"pylock.{own}.toml",
                    why="the name of a robot, and of one with its profile, names its outputs",
                    repair=("another name for one of the robots, or for the profile",),
                )


class _Other(NamedTuple):
    """A robot file beside this one; `profiles` is None where it names a robot and has mistakes."""

    file: str
    name: str
    profiles: tuple[str, ...] | None


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


def _others(file: Path) -> Iterator[_Other]:
    """Yield the other robot files beside *file*; one without `format` may be anybody's."""
    from robokit_plan.edge.files import read_text
    from robokit_plan.edge.robots import parse_robot
    from robokit_plan.formats.unreadable import UnreadableFile

    for path in sorted(file.absolute().parent.iterdir()):
        if path.suffix not in {".yaml", ".yml"} or path.name == file.name:
            continue
        try:
            text = read_text(path, path.name)
        except (UnreadableFile, OSError):
            continue
        named = _IS_ROBOT.search(text)
        if named is None or not _HAS_FORMAT.search(text):
            continue
        robot = None
        with suppress(UnreadableFile):
            robot, _ = parse_robot(text, path.name)
        if robot is not None:
            yield _Other(path.name, str(robot.name), tuple(robot.profiles))
        else:
            yield _Other(path.name, named["name"], None)
