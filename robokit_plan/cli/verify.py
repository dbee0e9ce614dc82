"""Compare this machine with the lock file; changes nothing, disturbs nothing.

Run it on the robot, or on a card that is mounted somewhere (--root). What cannot be seen without
disturbing it, such as a chip on a bus, is said to be unseen.

Examples:

  robokit-plan verify

  robokit-plan verify --all

  robokit-plan verify --root /mnt/card --json
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.cli._options import JsonOption, ProfileOption, RobotOption


def verify(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    json: JsonOption = False,
    everything: Annotated[
        bool, typer.Option("--all", help="print what is as planned as well")
    ] = False,
    lock: Annotated[
        Path | None, typer.Option("--lock", metavar="FILE", help="a lock file without robot file")
    ] = None,
    root: Annotated[
        Path, typer.Option("--root", metavar="FOLDER", help="where the machine's root is mounted")
    ] = Path("/"),
    home: Annotated[
        str | None,
        typer.Option("--home", metavar="FOLDER", help="where install.sh put things: /opt/ROBOT"),
    ] = None,
) -> None:
    """Compare and print."""
    from robokit_plan.app.verify import Machine
    from robokit_plan.app.verify import verify as compared
    from robokit_plan.cli._terminal import show, tell, width
    from robokit_plan.model import listed
    from robokit_plan.render import render_machine_json, render_machine_text

    found = compared(robot, Machine(root=root, home=home), profile=profile, lock=lock)
    if json:
        show(render_machine_json(found.plan, found.rows, stale=found.stale))
    else:
        if found.stale:
            tell(
                f"note  since the lock file was written {listed(found.stale)} changed; the machine "
                "is held against the lock file\n"
            )
        show(render_machine_text(found.plan, found.rows, width=width(), everything=everything))
    raise typer.Exit(0 if found.ok else 1)
