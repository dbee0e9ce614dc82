"""Make a folder for a fresh card: script, lock file, the robot's code, first start, a page.

The folder card-NAME/ goes onto the boot partition of a fresh image; READ-ME.md in it says how, in
five steps. With --offline it carries every file, and the robot needs no network; with --built as
well what a robot of the same kind has built already (a copy of its /opt/ROBOT/built). With --also
it carries further profiles, which the robot switches to without installing anything.

Examples:

  robokit-plan card

  robokit-plan card --offline --archive

  robokit-plan card --offline --built built

  robokit-plan card --also bench --also show
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.cli._options import AlsoOption, ProfileOption, RobotOption


def card(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    also: AlsoOption = None,
    offline: Annotated[
        bool, typer.Option("--offline", help="fetch every file, so that the robot need not")
    ] = False,
    built: Annotated[
        list[Path] | None,
        typer.Option(
            "--built",
            metavar="FOLDER",
            help="with --offline: wheels that a robot of this kind built, its /opt/ROBOT/built",
        ),
    ] = None,
    archive: Annotated[
        bool, typer.Option("--archive", help="write the folder as card-NAME.tar as well")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="where the folder is made: the robot's own"),
    ] = None,
) -> None:
    """Write the card."""
    from robokit_plan.app.card import Cargo
    from robokit_plan.app.card import card as made
    from robokit_plan.cli._output import listening
    from robokit_plan.cli._terminal import show

    cargo = Cargo(offline=offline, built=tuple(built or ()), archive=archive)
    with listening("fetching the files") as listener:
        page = made(robot, cargo, listener, profile=profile, also=also or (), out=out)
    show(page)
    raise typer.Exit(0)
