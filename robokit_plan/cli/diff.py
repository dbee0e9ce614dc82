"""Show what changes between two lock files, robot files, profiles or git revisions.

Each side is a lock file, a robot file or its folder, the name of a profile, or a git revision.
What is new and gone of findings is shown as well, and the exit status is 1 where the new side has
errors; a lock file holds no findings.
OLD alone is compared with the robot as it stands; neither: the lock file with the robot as it
stands.

With --format markdown, revisions and no --robot: a comment for a review, with every robot of the
repository that enables a plugin which the change touches.

Examples:

  robokit-plan diff

  robokit-plan diff HEAD~1

  robokit-plan diff main --format markdown

  robokit-plan diff main feature --robot sample_robot

  robokit-plan diff bench show
"""

from __future__ import annotations

from typing import Annotated

import typer

from robokit_plan.app.forms import DIFF_FORMATS
from robokit_plan.cli import _complete
from robokit_plan.cli._options import OfflineOption, ProfileOption, RobotOption


def diff(
    old: Annotated[
        str | None,
        typer.Argument(
            metavar="OLD", help="default: the lock file", autocompletion=_complete.sides
        ),
    ] = None,
    new: Annotated[
        str | None,
        typer.Argument(
            metavar="NEW",
            help="default: the robot file as it stands",
            autocompletion=_complete.sides,
        ),
    ] = None,
    robot: RobotOption = None,
    profile: ProfileOption = None,
    layout: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help="text, json or markdown",
            autocompletion=_complete.words(DIFF_FORMATS),
        ),
    ] = "text",
    json: Annotated[bool, typer.Option("--json", help="the same as --format json")] = False,
    offline: OfflineOption = False,
) -> None:
    """Print the difference."""
    from robokit_plan.app.diff import Compare
    from robokit_plan.app.diff import diff as compared
    from robokit_plan.cli._output import listening
    from robokit_plan.cli._terminal import show, width

    asked = Compare(
        old=old,
        new=new,
        robot=robot,
        profile=profile,
        offline=offline,
        layout="json" if json else layout,
        columns=width(),
    )
    with listening() as listener:
        answer = compared(asked, listener)
    show(answer.text)
    raise typer.Exit(answer.status)
