"""Write the lock file; what is locked is kept unless --upgrade says otherwise.

Examples:

  robokit-plan lock

  robokit-plan lock --upgrade numpy pyserial

  robokit-plan lock --upgrade --as-of 2026-11-01
"""

from __future__ import annotations

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
    from robokit_plan.app.lock import planned_lock
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
        session, plan = planned_lock(
            robot,
            listener,
            profile=profile,
            as_of=as_of,
            upgrade=frozenset(names or ()) if upgrade else None,
            offline=offline,
            build_metadata=build_metadata,
        )
    wrote = []
    if plan.ok and str(out) == "-":
        show(render_lock(plan))
    elif plan.ok:
        wrote.append(session.write_lock(plan, out))
    show(session.text_of(plan, json=json, notes=notes))
    if not json:
        tell_written(*wrote)
    raise typer.Exit(0 if plan.ok else 1)
