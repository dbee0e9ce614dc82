"""Write the lock file; what is locked is kept unless --upgrade says otherwise.

The robot's other lock files, of its profiles, are renewed with it: all of them, or none.

Examples:

  robokit-plan lock

  robokit-plan lock --upgrade numpy pyserial

  robokit-plan lock --upgrade --as-of 2026-11-01
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.cli._options import (
    AsOfOption,
    JsonOption,
    NotesOption,
    OfflineOption,
    OutOption,
    ProfileOption,
    RobotOption,
)


def lock(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="NAME", help="with --upgrade: only these may move"),
    ] = None,
    robot: RobotOption = None,
    profile: ProfileOption = None,
    upgrade: Annotated[
        bool, typer.Option("--upgrade", help="let locked versions move: all, or those named")
    ] = False,
    build_metadata: Annotated[
        bool,
        typer.Option(
            "--build-metadata",
            help="allow isolated builds to learn what an sdist needs (runs the sdist's code)",
        ),
    ] = False,
    as_of: AsOfOption = None,
    offline: OfflineOption = False,
    out: OutOption = None,
    notes: NotesOption = False,
    json: JsonOption = False,
) -> None:
    """Plan and write."""
    from robokit_plan.app.lock import planned_locks, write_locks
    from robokit_plan.app.wrong_use import WrongUse
    from robokit_plan.cli._output import listening, tell_written
    from robokit_plan.cli._terminal import show
    from robokit_plan.formats.lock import render_lock

    if names and not upgrade:
        raise WrongUse(
            f"{names[0]} is not expected here",
            why="names of distributions go with --upgrade",
            repair=(f"robokit-plan lock --upgrade {' '.join(names)}",),
        )
    with listening() as listener:
        planned = planned_locks(
            robot,
            listener,
            profile=profile,
            as_of=as_of,
            upgrade=frozenset(names or ()) if upgrade else None,
            offline=offline,
            build_metadata=build_metadata,
            alone=out is not None,
        )
    session, plan = planned[0]
    refused = [one for one in planned[1:] if not one.plan.ok]
    wrote: tuple[Path, ...] = ()
    if plan.ok and str(out) == "-":
        show(render_lock(plan))
    elif plan.ok and out is not None:
        wrote = (session.write_lock(plan, out),)
    elif plan.ok and not refused:
        wrote = write_locks(planned)
    told = refused[0] if json and plan.ok and refused else planned[0]
    show(told.session.text_of(told.plan, json=json, notes=notes))
    if not json:
        # What keeps another lock file from being renewed keeps all of them as they are.
        for other in refused:
            show(other.session.text_of(other.plan, json=False, notes=False))
        tell_written(*wrote)
    raise typer.Exit(0 if plan.ok and not refused else 1)
