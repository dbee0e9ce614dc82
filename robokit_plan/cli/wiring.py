"""Say where each pin of each part goes, and what is still free.

Supply, ground and the straps of addresses are wires like any other; the names of pins are those
of a part's data sheet where it is known.

Of the robot as its files stand; with --locked of its lock file.

Examples:

  robokit-plan wiring

  robokit-plan wiring --by position

  robokit-plan wiring --format parts

  robokit-plan wiring --format nets --out nets.csv

  robokit-plan wiring --format json --out wiring.json

  robokit-plan wiring --format c-header --out firmware/pins.h
"""

from __future__ import annotations

from typing import Annotated

import typer

from robokit_plan.app.forms import WIRING_FORMATS
from robokit_plan.cli import _complete
from robokit_plan.cli._options import OfflineOption, OutOption, ProfileOption, RobotOption


def wiring(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    layout: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help=", ".join(WIRING_FORMATS),
            autocompletion=_complete.words(WIRING_FORMATS),
        ),
    ] = "text",
    by: Annotated[
        str, typer.Option("--by", metavar="ORDER", help="plugin or position (text only)")
    ] = "plugin",
    controller: Annotated[
        str | None,
        typer.Option(
            "--controller",
            metavar="NAME",
            help="whose header, where there are several (c-header only)",
            autocompletion=_complete.controllers,
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="the same as --format json")] = False,
    offline: OfflineOption = False,
    locked: Annotated[
        bool, typer.Option("--locked", help="of the lock file, whatever the files say by now")
    ] = False,
    out: OutOption = None,
) -> None:
    """Print the sheet."""
    from robokit_plan.app.wiring import Sheet
    from robokit_plan.app.wiring import wiring as drawn
    from robokit_plan.cli._output import listening, write_out
    from robokit_plan.cli._terminal import show, tell, width

    layout = "json" if json else layout
    sheet = Sheet(layout=layout, by=by, controller=controller, columns=width())
    with listening() as listener:
        found = drawn(robot, sheet, listener, profile=profile, offline=offline, as_locked=locked)
    if found.refused:
        # The sheet lacks what found no place: that stands first, apart from what programs read.
        (show if layout == "text" and out is None else tell)(found.refused)
    if out is None:
        show(found.text)
    else:
        write_out(found.text, out)
    if found.refused:
        raise typer.Exit(1)
