"""List the known parts, or show one.

Examples:

  robokit-plan parts

  robokit-plan parts bno055
"""

from __future__ import annotations

from typing import Annotated, Any

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import JsonOption


def parts(
    name: Annotated[
        str | None,
        typer.Argument(metavar="NAME", help="one part", autocompletion=_complete.parts),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Print parts."""
    from robokit_plan.app.wrong_use import WrongUse
    from robokit_plan.cli._terminal import show
    from robokit_plan.edge.facts import read_parts
    from robokit_plan.model import find_part
    from robokit_plan.render import render_json

    known = read_parts()
    found = list({one.name: one for one in known.values()}.values())
    found.sort(key=lambda one: one.name.casefold())
    if name is not None:
        part = find_part(known, name)
        if part is None:
            from robokit_plan.model import near_names

            near = near_names(name.casefold(), known)
            raise WrongUse(
                f"no part is called {name}",
                why=f"nearest: {', '.join(known[one].name for one in near)}" if near else "",
                repair=("robokit-plan parts   lists them all",),
            )
        found = [part]
    if json:
        show(render_json([_row(one) for one in found]))
    elif name is None:
        wide = max(len(one.name) for one in found)
        show("\n".join(f"{one.name:<{wide}}  {one.bus:<8}  {one.kind}" for one in found))
    else:
        only = found[0]
        rows = [("bus", only.bus), ("kind", only.kind)]
        if only.addresses:
            rows.append(("address", ", ".join(f"0x{one:02x}" for one in only.addresses)))
        if only.default is not None:
            rows.append(("default", f"0x{only.default:02x}"))
        if only.also_answers:
            rows.append(("answers", ", ".join(f"0x{one:02x}" for one in only.also_answers)))
        rows += [("strap", only.strap), ("note", only.note), ("source", only.source)]
        show("\n".join([only.name, *(f"  {head:<8} {text}" for head, text in rows if text)]))


def _row(part: Any) -> dict[str, Any]:
    return {
        "part": part.name,
        "aliases": list(part.aliases),
        "bus": part.bus,
        "kind": part.kind,
        "addresses": [f"0x{one:02x}" for one in part.addresses],
        "default": None if part.default is None else f"0x{part.default:02x}",
        "also-answers": [f"0x{one:02x}" for one in part.also_answers],
        "strap": part.strap,
        "note": part.note,
        "source": part.source,
    }
