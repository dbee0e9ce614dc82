"""Say who connects what to which header position, and what is still free.

Made from the lock file where there is one, else from a plan of the robot as it stands.

Examples:

  robokit-plan wiring

  robokit-plan wiring --by position

  robokit-plan wiring --format json --out wiring.json

  robokit-plan wiring --format c-header --out firmware/pins.h
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import OfflineOption, OutOption, ProfileOption, RobotOption

if TYPE_CHECKING:
    from robokit_plan.model import Plan

FORMATS = ("text", "svg", "csv", "json", "c-header")


def wiring(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    layout: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help=", ".join(FORMATS),
            autocompletion=_complete.words(FORMATS),
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
    out: OutOption = None,
) -> None:
    """Print the sheet."""
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.cli._session import (
        display_prefix,
        find_lock,
        open_lock,
        open_session,
        write_out,
    )
    from robokit_plan.cli._terminal import show, tell, width
    from robokit_plan.edge.facts import read_board
    from robokit_plan.render import (
        render_c_header,
        render_findings_text,
        render_wiring_csv,
        render_wiring_json,
        render_wiring_svg,
        render_wiring_text,
    )

    layout = "json" if json else layout
    if layout not in FORMATS:
        raise WrongUse(f"no format is called {layout}", why=f"formats: {', '.join(FORMATS)}")
    if by not in {"plugin", "position"}:
        raise WrongUse(f"no order is called {by}", why="orders: plugin, position")
    if controller is not None and layout != "c-header":
        raise WrongUse("--controller is for --format c-header alone")
    path = find_lock(robot, profile)
    if path.exists():
        plan = open_lock(path)
    else:
        plan = open_session(robot, profile=profile).plan(offline=offline)
    board = read_board(plan.board)
    match layout:
        case "json":
            text = render_wiring_json(plan)
        case "csv":
            text = render_wiring_csv(plan, board)
        case "c-header":
            text = render_c_header(plan, _one_controller(plan, controller))
        case "svg":
            text = render_wiring_svg(plan, board)
        case _:
            text = render_wiring_text(plan, board, by=by, width=width())
    refused = (
        [] if path.is_file() else [one for one in plan.findings if one.severity.value == "error"]
    )
    if refused:
        # The sheet lacks what found no place: that stands first, and apart from what programs read.
        said = render_findings_text(refused, prefix=display_prefix(path.parent))
        (show if layout == "text" and out is None else tell)(said)
    if out is None:
        show(text)
    else:
        write_out(text, out)
    if refused:
        raise typer.Exit(1)


def _one_controller(plan: Plan, wanted: str | None) -> str:
    """Return the controller that *wanted* names, or the only one."""
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.render import c_controllers

    known = c_controllers(plan)
    names = ", ".join(known)
    if not known:
        raise WrongUse(
            "no controller has a pin or a link in this plan",
            why="a header tells a companion's firmware which of its pins does what",
        )
    if wanted is None and len(known) > 1:
        raise WrongUse(f"which controller: {names}", why="one header is for one controller")
    if wanted is not None and wanted not in known:
        raise WrongUse(f"no controller is called {wanted}", why=f"controllers: {names}")
    return wanted or known[0]
