"""What ``wiring`` does: the sheet of the lock file, or of a plan where there is none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from robokit_plan.app.forms import WIRING_FORMATS
from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.session import display_prefix, find_lock, open_lock, open_session
from robokit_plan.app.staleness import is_stale
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge.facts import read_board
from robokit_plan.model import Severity
from robokit_plan.planner import wires
from robokit_plan.render import (
    c_controllers,
    render_c_header,
    render_findings_text,
    render_nets,
    render_parts_csv,
    render_parts_text,
    render_wiring_csv,
    render_wiring_json,
    render_wiring_svg,
    render_wiring_text,
)

if TYPE_CHECKING:
    from robokit_plan.model import Plan, Wires


class Sheet(NamedTuple):
    """
    How the sheet is laid out.

    `layout` is one of `WIRING_FORMATS`; `by` plugin or position, `columns` of the text's tables;
    `controller` whose header, of several.
    """

    layout: str = "text"
    by: str = "plugin"
    controller: str | None = None
    columns: int = 100


class Wiring(NamedTuple):
    """`text` of the sheet; `refused` what it lacks since it found no place, "" for nothing."""

    text: str
    refused: str


def wiring(
    robot: Path | None = None,
    sheet: Sheet = Sheet(),  # noqa: B008  a value that nobody changes
    listener: Listener = NOBODY,
    *,
    profile: str | None = None,
    offline: bool = False,
    as_locked: bool = False,
) -> Wiring:
    """
    Return the robot's wiring sheet.

    Args:
        robot: Robot file or its folder; None: the nearest from here upward.
        sheet: How it is laid out.
        listener: Told about the work.
        profile: Whose; None: the robot's own.
        offline: Ask nobody, where there is no lock file.
        as_locked: The sheet of the lock file, whatever the robot's files say by now.

    Raises:
        UnreadableFile, IndexTrouble: As planning does.
        WrongUse: There is no such format, order or controller.
    """
    if sheet.layout not in WIRING_FORMATS:
        raise WrongUse(
            f"no format is called {sheet.layout}", why=f"formats: {', '.join(WIRING_FORMATS)}"
        )
    if sheet.by not in {"plugin", "position"}:
        raise WrongUse(f"no order is called {sheet.by}", why="orders: plugin, position")
    if sheet.controller is not None and sheet.layout != "c-header":
        raise WrongUse("--controller is for --format c-header alone")
    path = find_lock(robot, profile)
    session = open_session(robot, profile=profile)
    # As the files are now: a lock file that no longer says what they say is passed over.
    if as_locked and not path.exists():
        raise WrongUse(
            f"there is no lock file {path.name}",
            why="--locked shows what it holds",
            repair=("robokit-plan lock" + (f" --profile {profile}" if profile else ""),),
        )
    locked = path.exists() and (as_locked or not is_stale(session.problem))
    plan = open_lock(path) if locked else session.plan(offline=offline, listener=listener)
    refused = () if locked else [one for one in plan.findings if one.severity is Severity.ERROR]
    said = ""
    if refused:
        said = render_findings_text(refused, prefix=display_prefix(path.parent))
    return Wiring(_text(plan, sheet, wires(session.problem, plan)), said)


def _text(plan: Plan, sheet: Sheet, wires: Wires) -> str:
    board = read_board(plan.board)
    match sheet.layout:
        case "json":
            return render_wiring_json(plan)
        case "csv":
            return render_wiring_csv(plan, board, wires)
        case "nets":
            return render_nets(wires)
        case "parts":
            return render_parts_text(plan, wires, width=sheet.columns)
        case "parts-csv":
            return render_parts_csv(plan, wires)
        case "c-header":
            return render_c_header(plan, _one_controller(plan, sheet.controller))
        case "svg":
            return render_wiring_svg(plan, board, wires)
        case _:
            return render_wiring_text(plan, board, wires, by=sheet.by, width=sheet.columns)


def _one_controller(plan: Plan, wanted: str | None) -> str:
    """Return the controller that *wanted* names, or the only one."""
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
