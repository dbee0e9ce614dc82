"""The options of `enable` and `disable`, which differ in one word."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import (
    JsonOption,
    NotesOption,
    OfflineOption,
    ProfileOption,
    RobotOption,
)


def switch_command(*, on: bool) -> Callable[..., None]:
    """Return the function that typer makes a command of."""
    verb = "enable" if on else "disable"

    def command(
        plugins: Annotated[
            list[str] | None,
            typer.Argument(
                metavar="PLUGIN",
                help="plugins or instances",
                autocompletion=_complete.switchable,
            ),
        ] = None,
        instead_of: Annotated[
            list[str] | None,
            typer.Option(
                "--instead-of",
                metavar="PLUGIN",
                help="enable alone: switched off in the same step",
                autocompletion=_complete.switchable,
            ),
        ] = None,
        robot: RobotOption = None,
        profile: ProfileOption = None,
        dry_run: Annotated[bool, typer.Option("--dry-run", help="only show")] = False,
        yes: Annotated[bool, typer.Option("--yes", help="do not ask")] = False,
        undo: Annotated[bool, typer.Option("--undo", help="take the last switch back")] = False,
        offline: OfflineOption = False,
        notes: NotesOption = False,
        json: JsonOption = False,
    ) -> None:
        """Switch plugins."""
        from robokit_plan.app.forms import form_of
        from robokit_plan.app.wrong_use import WrongUse
        from robokit_plan.cli._answer import Manner, switch_status
        from robokit_plan.cli._terminal import width

        if undo:
            raise typer.Exit(_take_back(robot, plugins or (), profile, dry_run=dry_run))
        if instead_of and not on:
            raise WrongUse(
                "--instead-of goes with enable",
                repair=(f"robokit-plan enable {instead_of[0]} --instead-of PLUGIN",),
            )
        if not plugins:
            raise WrongUse("name a plugin", repair=(f"robokit-plan {verb} PLUGIN",))
        from robokit_plan.app.switch import Switch

        switch = Switch(
            names=tuple(plugins),
            on=on,
            robot=robot,
            profile=profile,
            offline=offline,
            columns=width(),
            instead_of=tuple(instead_of or ()),
        )
        manner = Manner(form=form_of(notes=notes, json=json), dry_run=dry_run, yes=yes)
        raise typer.Exit(switch_status(switch, manner))

    return command


def _take_back(
    robot: Path | None, names: Sequence[str], profile: str | None, *, dry_run: bool
) -> int:
    from robokit_plan.app.listener import Listener
    from robokit_plan.app.undo import take_back
    from robokit_plan.cli._terminal import show, tell

    listener = Listener(tell=tell)
    text = take_back(robot, listener, names=names, profile=profile, dry_run=dry_run)
    if text:
        show(text)
    return 0
