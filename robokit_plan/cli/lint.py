"""Check manifests and robot files without network.

A path is a manifest, a robot file, or a folder of them; without one, this folder. For each robot
file, what its enabled plugins collide in is told too.

Examples:

  robokit-plan lint

  robokit-plan lint plugins/sonar --notes

  robokit-plan lint --since main --format annotations

  robokit-plan lint --fix
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.app.forms import LINT_FORMATS
from robokit_plan.cli import _complete
from robokit_plan.cli._options import NotesOption


def lint(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(metavar="PATH", help="files or folders; default: this folder"),
    ] = None,
    layout: Annotated[
        str,
        typer.Option(
            "--format",
            metavar="FORMAT",
            help=", ".join(LINT_FORMATS),
            autocompletion=_complete.words(LINT_FORMATS),
        ),
    ] = "text",
    json: Annotated[bool, typer.Option("--json", help="the same as --format json")] = False,
    since: Annotated[
        str | None,
        typer.Option(
            "--since",
            metavar="REV",
            help="only files that differ from a git revision",
            autocompletion=_complete.revisions,
        ),
    ] = None,
    fix: Annotated[
        bool, typer.Option("--fix", help="make the safe repairs first; comments are kept")
    ] = False,
    notes: NotesOption = False,
) -> None:
    """Read, judge, print."""
    from robokit_plan.app.answers import lint_asked
    from robokit_plan.app.lint import Scope
    from robokit_plan.cli._answer import lint_status

    asked = lint_asked(paths or (), layout="json" if json else layout, notes=notes)
    raise typer.Exit(lint_status(*asked, Scope(since=since, fix=fix)))
