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

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from robokit_plan.cli import _complete
from robokit_plan.cli._options import OfflineOption, OutOption, ProfileOption, RobotOption
from robokit_plan.model import InstanceName, replace

if TYPE_CHECKING:
    from collections.abc import Iterator

    from robokit_plan.cli._planning import World
    from robokit_plan.cli._session import Session
    from robokit_plan.cli._terminal import Progress
    from robokit_plan.model import Clash, PluginName, Together
    from robokit_plan.render import Toggle


FORMATS = ("html", "cyclonedx")


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
            autocompletion=_complete.words(FORMATS),
        ),
    ] = "html",
    out: OutOption = None,
) -> None:
    """Write the page, or the bill."""
    from robokit_plan.cli._failure import WrongUse

    if layout not in FORMATS:
        raise WrongUse(f"no format is called {layout}", why=f"formats: {', '.join(FORMATS)}")
    if layout == "cyclonedx":
        _write_bom(robot, profile, out)
    else:
        _write_page(robot, profile, out, offline=offline)


def _write_bom(robot: Path | None, profile: str | None, out: Path | None) -> None:
    """Write the bill of materials of the lock file."""
    from robokit_plan.cli._locked import read_locked
    from robokit_plan.cli._session import write_out
    from robokit_plan.render import bom_name, render_bom

    root, (one,) = read_locked(robot, profile, (), what="the bill of materials")
    text = render_bom(one.plan, lock_sha256=one.sha256)
    write_out(text, root / bom_name(one.plan) if out is None else out)


def _write_page(
    robot: Path | None, profile: str | None, out: Path | None, *, offline: bool
) -> None:
    """Plan, with each switch in the other place, and write the page; end with the plan's status."""
    from robokit_plan.cli import _planning
    from robokit_plan.cli._session import open_session, write_out
    from robokit_plan.cli._terminal import Progress
    from robokit_plan.edge.report_files import read_report_files
    from robokit_plan.render import Report, render_report, report_name

    session = open_session(robot, profile=profile)
    problem = session.problem
    # What-if plans ask for more than the robot's own; the next report reads it all at once.
    hint = f"{problem.robot.name} report"
    with (
        Progress("planning the robot and each switch") as progress,
        _planning.World(
            problem.robot, root=session.root, offline=offline, progress=progress
        ) as world,
    ):
        world.recall(hint)
        plan = _planning.plan_in(world, problem)
        toggles = []
        switches = list(_switches(session))
        for at, (name, plugin, on) in enumerate(switches):
            toggles.append(_toggle(session, world, name, plugin, on=on))
            progress.step(at + 1, len(switches), name)
        pairs = _together(session, world, progress)
        world.remember(hint)
    style, script = read_report_files()
    page = render_report(
        Report(
            plan=plan,
            robot=problem.robot,
            board=problem.board,
            manifests=problem.manifests,
            toggles=tuple(sorted(toggles, key=lambda one: (not one.on, one.name))),
            together=pairs,
        ),
        style=style,
        script=script,
    )
    if out is None:
        session.check_names()
    write_out(page, session.root / report_name(plan) if out is None else out)
    raise typer.Exit(0 if plan.ok else 1)


def _switches(session: Session) -> Iterator[tuple[InstanceName, PluginName, bool]]:
    """Yield instance, plugin and whether it is enabled now: what disable and enable can name."""
    enabled = session.reading.enabled
    for one in enabled:
        if one.plugin in session.reading.manifests:
            yield one.instance, one.plugin, True
    used = {one.plugin for one in enabled}
    taken = {str(one.instance) for one in enabled}
    for name in session.reading.manifests:
        if name not in used and name not in taken:
            yield InstanceName(name), name, False


def _together(session: Session, world: World, progress: Progress) -> Together:
    """Return which plugins go together, each by the name that its switch has."""
    from robokit_plan.cli.suggest import Asker, broken_of
    from robokit_plan.suggestions import LIMIT, pool_of, together

    problem = session.problem
    found = together(
        problem,
        Asker(world, problem, progress).findings,
        broken=broken_of(session),
        step=lambda done: progress.step(done, LIMIT, "sets that go together"),
    )
    names = {name for name, _, _ in _switches(session)}
    plugins = {one.instance: one.plugin for one in pool_of(problem)}

    def renamed(clashes: tuple[Clash, ...]) -> tuple[Clash, ...]:
        rows: dict[Clash, None] = {}
        for one in clashes:
            mine = {
                name if name in names else InstanceName(plugins[name]) for name in one.instances
            }
            # Two instances of one plugin have one switch between them, which turns on only one.
            if len(mine) == len(one.instances):
                rows[replace(one, instances=tuple(sorted(mine)))] = None
        return tuple(sorted(rows, key=lambda one: (one.instances, one.rule, one.message)))

    return replace(found, clashes=renamed(found.clashes), nowhere=renamed(found.nowhere))


def _toggle(
    session: Session, world: World, name: InstanceName, plugin: PluginName, *, on: bool
) -> Toggle:
    """Return the switch of one plugin with the plan that its command would lead to."""
    from robokit_plan.cli._planning import plan_in
    from robokit_plan.cli._session import open_session
    from robokit_plan.edge._index_errors import IndexTrouble
    from robokit_plan.edge.reading import read_robot
    from robokit_plan.formats.edits import CannotEdit, disabled_text, enabled_text
    from robokit_plan.formats.unreadable import UnreadableFile
    from robokit_plan.render import Toggle

    reading = session.reading
    profile = session.problem.profile
    manifest = reading.manifests[plugin]
    edit = disabled_text if on else enabled_text
    plan, refused = None, ""
    try:
        text = edit(
            reading.texts[reading.file.name], (name,), file=reading.file.name, profile=profile
        )
        changed = open_session(
            reading.file,
            profile=profile,
            reading=read_robot(reading.file, profile=profile, text=text),
        )
        plan = plan_in(world, changed.problem, hint=False)
    except CannotEdit as error:
        refused = f"{error.place} cannot be edited: {error.why}"
    except UnreadableFile as error:
        refused = "; ".join(one.message for one in error.findings)
    except IndexTrouble as error:
        refused = str(error)
    return Toggle(
        name=name,
        plugin=plugin,
        on=on,
        plan=plan,
        refused=refused,
        summary=manifest.summary,
        version=manifest.version,
        license=manifest.license,
    )
