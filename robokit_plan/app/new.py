"""What ``new`` does: a plugin's folder, with a manifest to be filled in and a few lines of code."""

from __future__ import annotations

import os
import re
from pathlib import Path

from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge.facts import read_parts
from robokit_plan.edge.files import read_text, write_folder
from robokit_plan.edge.reading import find_robot_file
from robokit_plan.edge.robots import parse_robot
from robokit_plan.edge.schemas import read_schema, schema_folder
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Part, find_part, is_relative_path, near_names
from robokit_plan.render._new_plugin import is_plugin_name, new_plugin_files


def new(
    plugin: str,
    robot: Path | None = None,
    *,
    part: str | None = None,
    summary: str | None = None,
    spdx: str = "MIT",
    out: Path | None = None,
) -> tuple[Path, ...]:
    """
    Write the folder of *plugin*, and return the files in it.

    Args:
        plugin: Its name, in kebab-case.
        robot: Robot file or its folder; None: the nearest from here upward, if any.
        part: A known part that is filled in.
        summary: What it does, in one line.
        spdx: Its licence, an SPDX expression.
        out: Where its folder goes; None: the first of the robot's plugin-paths.

    Raises:
        WrongUse: The name cannot be one or is taken, or a part is not known.
        UnreadableFile: There is no robot file at *robot*.
        CannotWrite: The folder cannot be written.
    """
    if not is_plugin_name(plugin):
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
    return tuple(folder / name for name in files)


def _parent(robot: Path | None) -> Path:
    """Return the first folder of the robot's plugin-paths, or ``plugins`` here."""
    try:
        file = find_robot_file(robot)
    except UnreadableFile:
        if robot is not None:
            raise
        return Path("plugins")
    found, _ = parse_robot(read_text(file, file.name), file.name)
    paths = [one for one in (found.plugin_paths if found else ()) if is_relative_path(one)]
    return file.parent / (paths[0] if paths else "plugins")


def _part(name: str) -> Part:
    known = read_parts()
    found = find_part(known, name)
    if found is None:
        near = near_names(name.casefold(), known)
        raise WrongUse(
            f"no part is called {name}",
            why=f"nearest: {', '.join(known[one].name for one in near)}" if near else "",
            repair=("robokit-plan parts   lists them all",),
        )
    return found


def _schema(folder: Path) -> str:
    """Return the schema's place: the file where it is beside the project, else its `$id`."""
    path = schema_folder() / "manifest.schema.json"
    here = Path(os.path.abspath(folder))  # noqa: PTH100  links stay as typed
    for above in here.parents:
        if path.is_relative_to(above) and (above / "schemas").is_dir():
            return os.path.relpath(path, here)
    return str(read_schema("manifest")["$id"])
