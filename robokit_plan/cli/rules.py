"""List every rule, or show one with reason, example and repair.

Examples:

  robokit-plan rules

  robokit-plan rules pin-collision
"""

from __future__ import annotations

from typing import Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import JsonOption


def rules(
    name: Annotated[
        str | None,
        typer.Argument(metavar="NAME", help="one rule", autocompletion=_complete.rules),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Print rules."""
    from robokit_plan.app.wrong_use import WrongUse
    from robokit_plan.cli._terminal import list_width, show
    from robokit_plan.edge.rules import read_rules
    from robokit_plan.model import RuleName
    from robokit_plan.render._table import table_text

    known = read_rules()
    if name is not None and name not in known:
        from robokit_plan.model import near_names

        near = near_names(name, known)
        raise WrongUse(
            f"no rule is called {name}",
            why=f"nearest: {', '.join(near)}" if near else "",
            repair=("robokit-plan rules   lists them all",),
        )
    chosen = known if name is None else {RuleName(name): known[RuleName(name)]}
    if json:
        from dataclasses import asdict

        from robokit_plan.render import render_json

        show(render_json([asdict(one) for one in chosen.values()]))
    elif name is None:
        show(table_text([(one.rule, one.summary) for one in known.values()], list_width()))
    else:
        one = chosen[RuleName(name)]
        parts = [("  why", one.reason), ("  fix", one.repair), ("  source", one.source)]
        example = "\n".join(f"    {line}" for line in one.example.splitlines())
        show(
            f"{one.severity} {one.rule}: {one.summary}\n"
            + table_text(parts, list_width())
            + (f"  example\n{example}\n" if example else "")
        )
