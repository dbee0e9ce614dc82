"""Start a plugin folder with a commented manifest and a few lines of code.

Examples:

  robokit-plan new

  robokit-plan new deck-camera

  robokit-plan new tilt --part bno055 --summary "Tilt of the deck"
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import RobotOption

if TYPE_CHECKING:
    from robokit_plan.model import Part


def new(
    plugin: Annotated[
        str | None,
        typer.Argument(metavar="PLUGIN", help="name, in kebab-case; without one, you are asked"),
    ] = None,
    robot: RobotOption = None,
    part: Annotated[
        str | None,
        typer.Option(
            "--part",
            metavar="NAME",
            help="fill in a known part",
            autocompletion=_complete.parts,
        ),
    ] = None,
    summary: Annotated[
        str | None, typer.Option("--summary", metavar="TEXT", help="one line")
    ] = None,
    spdx: Annotated[
        str, typer.Option("--license", metavar="LICENSE", help="SPDX expression")
    ] = "MIT",
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="where the plugin's folder goes"),
    ] = None,
) -> None:
    """Write the folder."""
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.cli._session import display
    from robokit_plan.cli._terminal import tell
    from robokit_plan.edge.files import write_folder
    from robokit_plan.render._new_plugin import is_plugin_name, new_plugin_files

    if plugin is None:
        plugin, summary, part = _asked(summary, part)
    if not is_plugin_name(plugin):
        import re

        near = re.sub(r"[^a-z0-9]+", "-", plugin.lower()).strip("-")
        raise WrongUse(
            f"{plugin!r} cannot name a plugin",
            why="names are kebab-case and begin with a letter",
            repair=(f"robokit-plan new {near}",) if is_plugin_name(near) else (),
        )
    parent = _parent(robot) if out is None else out
    folder = parent / plugin
    if folder.exists():
        raise WrongUse(f"{folder} is there already", why="nothing of it was touched")
    files = new_plugin_files(
        plugin,
        summary=summary or f"What {plugin} does, in one line",
        spdx=spdx,
        part=None if part is None else _part(part),
        schema=_schema(folder),
    )
    write_folder(folder, files)
    for name in files:
        tell(f"wrote {display(folder / name)}")


def _asked(summary: str | None, part: str | None) -> tuple[str, str, str | None]:
    """
    Return name, summary and part as the person at the terminal answers.

    Raises:
        WrongUse: Nobody is at a terminal, or a part is not known.
    """
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.cli._terminal import answer_to, is_person_there

    unnamed = WrongUse(
        "a plugin needs a name",
        why="nobody is at the terminal to be asked",
        repair=("robokit-plan new PLUGIN",),
    )
    if not is_person_there():
        raise unnamed
    name = answer_to("Name of the plugin, such as deck-camera")
    if name is not None and summary is None:
        summary = answer_to("What it does for the robot, in one line")
    if summary is not None and part is None:
        question = "Part that it wires up, such as bno055 (robokit-plan parts lists them)"
        part = answer_to(question, default="none")
    if name is None or summary is None or part is None:
        raise unnamed
    return name, summary, None if part == "none" else part


def _parent(robot: Path | None) -> Path:
    """Return the first folder of the robot's plugin-paths, or ``plugins`` here."""
    from robokit_plan.edge.files import read_text
    from robokit_plan.edge.reading import find_robot_file
    from robokit_plan.edge.robots import parse_robot
    from robokit_plan.formats.unreadable import UnreadableFile

    try:
        file = find_robot_file(robot)
    except UnreadableFile:
        if robot is not None:
            raise
        return Path("plugins")
    found, _ = parse_robot(read_text(file, file.name), file.name)
    from robokit_plan.model import is_relative_path

    paths = [one for one in (found.plugin_paths if found else ()) if is_relative_path(one)]
    return file.parent / (paths[0] if paths else "plugins")


def _part(name: str) -> Part:
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.edge.facts import read_parts
    from robokit_plan.model import find_part

    known = read_parts()
    found = find_part(known, name)
    if found is None:
        from robokit_plan.model import near_names

        near = near_names(name.casefold(), known)
        raise WrongUse(
            f"no part is called {name}",
            why=f"nearest: {', '.join(known[one].name for one in near)}" if near else "",
            repair=("robokit-plan parts   lists them all",),
        )
    return found


def _schema(folder: Path) -> str:
    """Return the schema's place: the file where it is beside the project, else its `$id`."""
    import os

    from robokit_plan.edge.schemas import read_schema, schema_folder

    path = schema_folder() / "manifest.schema.json"
    here = Path(os.path.abspath(folder))  # noqa: PTH100  links stay as typed
    for above in here.parents:
        if path.is_relative_to(above) and (above / "schemas").is_dir():
            return os.path.relpath(path, here)
    return str(read_schema("manifest")["$id"])
