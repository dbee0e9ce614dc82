"""Start a plugin folder with a commented manifest and a few lines of code.

Examples:

  robokit-plan new

  robokit-plan new deck-camera

  robokit-plan new tilt --part bno055 --summary "Tilt of the deck"
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import RobotOption


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
    from robokit_plan.app.new import new as written
    from robokit_plan.app.session import display
    from robokit_plan.cli._terminal import tell

    if plugin is None:
        plugin, summary, part = _asked(summary, part)
    for path in written(plugin, robot, part=part, summary=summary, spdx=spdx, out=out):
        tell(f"wrote {display(path)}")


def _asked(summary: str | None, part: str | None) -> tuple[str, str, str | None]:
    """
    Return name, summary and part as the person at the terminal answers.

    Raises:
        WrongUse: Nobody is at a terminal, or a part is not known.
    """
    from robokit_plan.app.wrong_use import WrongUse
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
