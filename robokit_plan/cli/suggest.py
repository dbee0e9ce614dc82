"""Say what still fits: what is free, what could move, which plugins go together, what one costs.

With CLAIM, only where else that claim could go; of a plugin that is not enabled as if it were.

Examples:

  robokit-plan suggest

  robokit-plan suggest --no-software

  robokit-plan suggest compass.imu

  robokit-plan suggest --robot sample_robot --profile bench --json
"""

from __future__ import annotations

from typing import Annotated

import typer

from robokit_plan.cli._options import JsonOption, OfflineOption, ProfileOption, RobotOption


def suggest(
    claim: Annotated[
        str | None, typer.Argument(metavar="CLAIM", help="one claim, as instance.claim")
    ] = None,
    robot: RobotOption = None,
    profile: ProfileOption = None,
    software: Annotated[
        bool,
        typer.Option("--software/--no-software", help="whether to plan Python and Debian too"),
    ] = True,
    offline: OfflineOption = False,
    json: JsonOption = False,
) -> None:
    """Look and print."""
    from robokit_plan.app.suggest import suggest as looked
    from robokit_plan.cli._output import listening
    from robokit_plan.cli._terminal import show, width
    from robokit_plan.render import render_suggestions_json, render_suggestions_text

    with listening("looking for what fits") as listener:
        found = looked(robot, claim, listener, profile=profile, software=software, offline=offline)
    show(render_suggestions_json(found) if json else render_suggestions_text(found, width=width()))
