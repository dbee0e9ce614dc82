"""Options that every command shares, said once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.cli import _complete

RobotOption = Annotated[
    Path | None,
    typer.Option(
        "--robot",
        metavar="PATH",
        help="robot file or its folder; default: the nearest robot.yaml from here upward",
    ),
]
ProfileOption = Annotated[
    str | None,
    typer.Option(
        "--profile",
        metavar="NAME",
        help="a profile of the robot file",
        autocompletion=_complete.profiles,
    ),
]
AlsoOption = Annotated[
    list[str] | None,
    typer.Option(
        "--also",
        metavar="PROFILE",
        help="a further profile that the robot can switch to without installing anything",
        autocompletion=_complete.profiles,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="print JSON")]
NotesOption = Annotated[bool, typer.Option("--notes", help="print notes in full")]
OfflineOption = Annotated[
    bool, typer.Option("--offline", help="ask no index; use what was read before, however old")
]
OutOption = Annotated[
    Path | None, typer.Option("--out", metavar="PATH", help="where to write; - is standard output")
]
AsOfOption = Annotated[
    str | None, typer.Option("--as-of", metavar="DATE", help="look at no later upload (2026-11-01)")
]
