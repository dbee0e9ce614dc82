"""What ``report`` does: the page with every switch in both places, or the bill of materials."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from robokit_plan.app import planning
from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.locked import read_locked
from robokit_plan.app.planning import plan_in
from robokit_plan.app.session import Session, open_session
from robokit_plan.app.suggest import Asker, broken_of
from robokit_plan.edge._index_errors import IndexTrouble
from robokit_plan.edge.reading import read_robot
from robokit_plan.edge.report_files import read_report_files
from robokit_plan.formats.edits import CannotEdit, disabled_text, enabled_text
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import InstanceName, replace
from robokit_plan.planner import wires
from robokit_plan.render import (
    Report,
    Toggle,
    bom_name,
    render_bom,
    render_report,
    report_name,
)
from robokit_plan.suggestions import LIMIT, pool_of, together

if TYPE_CHECKING:
    from collections.abc import Iterator

    from robokit_plan.app.planning import World
    from robokit_plan.model import Clash, PluginName, Together


class Bill(NamedTuple):
    """`text` of the bill; `path` where it belongs."""

    text: str
    path: Path


class Page(NamedTuple):
    """`text` of the page; `path` where it belongs; `ok` whether the robot can be built."""

    text: str
    path: Path
    ok: bool
    session: Session


def bill(robot: Path | None = None, *, profile: str | None = None) -> Bill:
    """
    Return the bill of materials of the lock file.

    Raises:
        UnreadableFile: The robot file or the lock file cannot be read.
        WrongUse: There is no lock file.
    """
    root, (one,) = read_locked(robot, profile, (), what="the bill of materials")
    return Bill(render_bom(one.plan, lock_sha256=one.sha256), root / bom_name(one.plan))


def report(
    robot: Path | None = None,
    listener: Listener = NOBODY,
    *,
    profile: str | None = None,
    offline: bool = False,
) -> Page:
    """
    Plan, with each switch in the other place, and return the page.

    Args:
        robot: Robot file or its folder; None: the nearest from here upward.
        listener: Told how far the work is.
        profile: Of a profile; None: of the robot itself.
        offline: Ask nobody.

    Raises:
        UnreadableFile, WrongUse, IndexTrouble: As planning does.
    """
    session = open_session(robot, profile=profile, stale=True)
    problem = session.problem
    # What-if plans ask for more than the robot's own; the next report reads it all at once.
    hint = f"{problem.robot.name} report"
    with planning.World(
        problem.robot, root=session.root, offline=offline, listener=listener
    ) as world:
        world.recall(hint)
        plan = plan_in(world, problem)
        toggles = []
        switches = list(_switches(session))
        for at, (name, plugin, on) in enumerate(switches):
            toggles.append(_toggle(session, world, name, plugin, on=on))
            listener.step(at + 1, len(switches), name)
        pairs = _together(session, world, listener)
        world.remember(hint)
    style, script = read_report_files()
    text = render_report(
        Report(
            plan=plan,
            robot=problem.robot,
            board=problem.board,
            manifests=problem.manifests,
            toggles=tuple(sorted(toggles, key=lambda one: (not one.on, one.name))),
            together=pairs,
            wires=wires(problem, plan),
        ),
        style=style,
        script=script,
    )
    return Page(text, session.root / report_name(plan), plan.ok, session)


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


def _together(session: Session, world: World, listener: Listener) -> Together:
    """Return which plugins go together, each by the name that its switch has."""
    problem = session.problem
    found = together(
        problem,
        Asker(world, problem).findings,
        broken=broken_of(session),
        step=lambda done: listener.step(done, LIMIT, "sets that go together"),
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
