"""Write one HTML page that shows the whole plan, and what each single switch would change.

The page needs no network; what its switches show is computed here, once for each plugin.
With --format cyclonedx: the software bill of materials instead, NAME.cdx.json, from the lock
file alone.

Examples:

  robokit-plan report

  robokit-plan report --profile bench --out /tmp/bench.html

  robokit-plan report --offline

  robokit-plan report --format cyclonedx --out -
"""

from __future__ import annotations

from typing import Annotated

import typer

from robokit_plan.app.forms import REPORT_FORMATS
from robokit_plan.cli import _complete
from robokit_plan.cli._options import OfflineOption, OutOption, ProfileOption, RobotOption


def report(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    offline: OfflineOption = False,
    layout: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help="html or cyclonedx",
            autocompletion=_complete.words(REPORT_FORMATS),
        ),
    ] = "html",
    out: OutOption = None,
) -> None:
    """Write the page, or the bill."""
    from robokit_plan.app import report as made
    from robokit_plan.app.wrong_use import WrongUse
    from robokit_plan.cli._output import listening, write_out

    if layout not in REPORT_FORMATS:
        raise WrongUse(f"no format is called {layout}", why=f"formats: {', '.join(REPORT_FORMATS)}")
    if layout == "cyclonedx":
        bill = made.bill(robot, profile=profile)
        write_out(bill.text, bill.path if out is None else out)
        return
    with listening("planning the robot and each switch") as listener:
        page = made.report(robot, listener, profile=profile, offline=offline)
    if out is None:
        page.session.check_names()
    write_out(page.text, page.path if out is None else out)
    raise typer.Exit(0 if page.ok else 1)
