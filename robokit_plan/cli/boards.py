"""List the known boards, or show one board's header.

Examples:

  robokit-plan boards

  robokit-plan boards raspberrypi,4-model-b

  robokit-plan boards "4 model b"
"""

from __future__ import annotations

from typing import Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import JsonOption


def boards(
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="COMPATIBLE",
            help="one board, with its header",
            autocompletion=_complete.boards,
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Print boards."""
    from robokit_plan.app.wrong_use import WrongUse
    from robokit_plan.cli._terminal import list_width, show
    from robokit_plan.edge.facts import UnknownBoard, board_ids, find_board, read_board

    if name is None:
        found = [read_board(one) for one in board_ids()]
        if json:
            from robokit_plan.render import render_json

            show(
                render_json(
                    [
                        {
                            "board": one.id,
                            "compatible": list(one.compatible),
                            "family": one.family.name,
                            "positions": len(one.pins),
                            "lines": len(one.lines),
                        }
                        for one in found
                    ]
                )
            )
            return
        wide = max(len(one.id) for one in found)
        show(
            "\n".join(
                f"{one.id:<{wide}}  {one.family.name:<9}  {len(one.pins):>2} positions, "
                f"{len(one.lines):>2} lines"
                for one in found
            )
        )
        return
    try:
        board = read_board(find_board(name))
    except UnknownBoard as error:
        raise WrongUse(
            str(error), repair=("robokit-plan boards   lists the known ones",)
        ) from error
    from robokit_plan.render._board import board_object, render_board_text

    if json:
        from robokit_plan.render import render_json

        show(render_json(board_object(board)))
    else:
        show(render_board_text(board, width=list_width()))
