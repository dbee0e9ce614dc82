"""Show what changes between two lock files, robot files, profiles or git revisions.

Each side is a lock file, a robot file or its folder, the name of a profile, or a git revision.
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

from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import OfflineOption, ProfileOption, RobotOption

FORMATS = ("text", "json", "markdown")


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
            autocompletion=_complete.words(FORMATS),
        ),
    ] = "text",
    json: Annotated[bool, typer.Option("--json", help="the same as --format json")] = False,
    offline: OfflineOption = False,
) -> None:
    """Print the difference."""
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.cli._sides import Sides
    from robokit_plan.cli._terminal import show, width
    from robokit_plan.render import (
        diff_plans,
        render_diff_json,
        render_diff_markdown,
        render_diff_text,
    )

    layout = "json" if json else layout
    if layout not in FORMATS:
        raise WrongUse(f"no format is called {layout}", why=f"formats: {', '.join(FORMATS)}")
    if layout == "markdown" and robot is None and old is not None and _is_change(old, new):
        from robokit_plan.cli._review import Change, reviews
        from robokit_plan.render import render_review_markdown

        change = Change(old=old, new=new, profile=profile, offline=offline)
        found, looked_at = reviews(change, here=Path.cwd())
        show(render_review_markdown(found, looked_at=looked_at))
        raise typer.Exit(0)
    sides = Sides(robot=robot, profile=profile, offline=offline)
    before = sides.locked() if old is None else sides.plan(old)
    after = sides.current() if new is None else sides.plan(new)
    difference = diff_plans(before, after)
    match layout:
        case "json":
            show(render_diff_json(difference))
        case "markdown":
            show(render_diff_markdown(difference))
        case _:
            show(render_diff_text(difference, width=width()))
    raise typer.Exit(0)


def _is_change(*words: str | None) -> bool:
    """Whether *words* are git revisions, and neither files nor profiles, which go before."""
    from robokit_plan.edge.names import robot_names
    from robokit_plan.edge.revisions import is_revision

    profiles = robot_names(None).profiles
    return all(
        word not in profiles and not Path(word).exists() and is_revision(Path.cwd(), word)
        for word in words
        if word is not None
    )
