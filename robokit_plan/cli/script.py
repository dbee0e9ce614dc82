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
    from robokit_plan.cli._locked import check_locked, read_locked
    from robokit_plan.cli._own_names import check_own_names
    from robokit_plan.cli._session import write_out
    from robokit_plan.edge.reading import find_robot_file
    from robokit_plan.render import render_script

    root, (first, *others) = read_locked(robot, profile, also or (), what="the script")
    text = render_script(
        first.plan, lock_name=first.name, lock_sha256=first.sha256, also=tuple(others)
    )
    if out is None:
        file = find_robot_file(robot)
        check_own_names(file, str(first.plan.robot), profile, shared="install.sh")
    check_locked(root, (first, *others))
    write_out(text, root / "install.sh" if out is None else out, mode=0o755)
    raise typer.Exit(0)
