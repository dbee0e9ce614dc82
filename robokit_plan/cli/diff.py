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
        MovedFindings,
        diff_plans,
        findings_moved,
        render_diff_json,
        render_diff_markdown,
        render_diff_text,
        render_moved_markdown,
        render_moved_text,
        render_verdict,
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
        raise typer.Exit(0 if all(one.ok for one in found) else 1)
    sides = Sides(robot=robot, profile=profile, offline=offline)
    before = sides.locked() if old is None else sides.side(old)
    after = sides.current() if new is None else sides.side(new)
    difference = diff_plans(before.plan, after.plan)
    fresh, gone = findings_moved(before.plan.findings, after.plan.findings)
    moved = MovedFindings(new=fresh, gone=gone, prefix=after.prefix)
    ok = after.plan.ok
    match layout:
        case "json":
            show(render_diff_json(difference, moved, ok=ok))
        case "markdown":
            parts = render_diff_markdown(difference), render_moved_markdown(moved)
            show("\n".join(one for one in parts if one))
        case _:
            parts = render_diff_text(difference, width=width()), render_moved_text(moved)
            verdict = () if ok else (render_verdict(after.plan),)
            show("\n".join(one for one in (*parts, *verdict) if one))
    raise typer.Exit(0 if ok else 1)


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
