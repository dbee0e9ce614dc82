"""The options of `enable` and `disable`, which differ in one word."""

from __future__ import annotations

from collections.abc import Callable
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
        from robokit_plan.cli import _toggle
        from robokit_plan.cli._failure import WrongUse

        if undo:
            from robokit_plan.cli._undo import take_back

            raise typer.Exit(
                take_back(robot, names=tuple(plugins or ()), profile=profile, dry_run=dry_run)
            )
        if not plugins:
            raise WrongUse("name a plugin", repair=(f"robokit-plan {verb} PLUGIN",))
        raise typer.Exit(
            _toggle.toggle(
                _toggle.Switch(
                    names=tuple(plugins),
                    on=on,
                    robot=robot,
                    profile=profile,
                    dry_run=dry_run,
                    yes=yes,
                    offline=offline,
                    json=json,
                    notes=notes,
                )
            )
        )

    return command
