"""Write install.sh from the lock file, beside the robot file.

The script is made from the lock file alone; robokit-plan lock makes that. With --also it carries
further profiles: sudo sh install.sh --profile NAME switches between them and installs nothing.

Examples:

  robokit-plan script

  robokit-plan script --out - | less

  robokit-plan script --also bench --also show
"""

from __future__ import annotations

import typer

from robokit_plan.cli._options import AlsoOption, OutOption, ProfileOption, RobotOption


def script(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    also: AlsoOption = None,
    out: OutOption = None,
) -> None:
    """Write the script."""
    from robokit_plan.app.script import MODE
    from robokit_plan.app.script import script as made
    from robokit_plan.cli._output import write_out

    found = made(robot, profile=profile, also=also or (), shared=out is None)
    write_out(found.text, found.path if out is None else out, mode=MODE)
    raise typer.Exit(0)
