"""Plan everything and print the findings and a short summary; write nothing.

Examples:

  robokit-plan check

  robokit-plan check --robot sample_robot --profile bench --notes

  robokit-plan check --release debian-12

  robokit-plan check --board raspberrypi,5-model-b
"""

from __future__ import annotations

from typing import Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import (
    AsOfOption,
    JsonOption,
    NotesOption,
    OfflineOption,
    ProfileOption,
    RobotOption,
)


def check(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    board: Annotated[
        str | None,
        typer.Option(
            "--board",
            metavar="COMPATIBLE",
            help="what if it were on this board",
            autocompletion=_complete.boards,
        ),
    ] = None,
    release: Annotated[
        str | None,
        typer.Option(
            "--release",
            metavar="NAME",
            help="what if it ran this release",
            autocompletion=_complete.releases,
        ),
    ] = None,
    as_of: AsOfOption = None,
    offline: OfflineOption = False,
    notes: NotesOption = False,
    json: JsonOption = False,
) -> None:
    """Plan and print."""
    from robokit_plan.app.answers import Asked
    from robokit_plan.app.forms import form_of
    from robokit_plan.cli._answer import check_status
    from robokit_plan.cli._terminal import width

    asked = Asked(
        robot=None if robot is None else str(robot),
        profile=profile,
        board=board,
        release=release,
        as_of=as_of,
        offline=offline,
        width=0 if board is None and release is None else width(),
    )
    raise typer.Exit(check_status(asked, form_of(notes=notes, json=json)))
