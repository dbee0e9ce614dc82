"""Say what still fits: what is free, what could move, which plugins go together, what one costs.

With CLAIM, only where else that claim could go; of a plugin that is not enabled as if it were.

Examples:

  robokit-plan suggest

  robokit-plan suggest --no-software

  robokit-plan suggest compass.imu

  robokit-plan suggest --robot sample_robot --profile bench --json
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from robokit_plan.cli._options import JsonOption, OfflineOption, ProfileOption, RobotOption

if TYPE_CHECKING:
    from robokit_plan.cli._planning import World
    from robokit_plan.cli._session import Session
    from robokit_plan.cli._terminal import Progress
    from robokit_plan.model import ClaimName, Finding, InstanceName, Plan, RuleName, Suggestions
    from robokit_plan.planner import Problem


def suggest(
    claim: Annotated[
        str | None, typer.Argument(metavar="CLAIM", help="one claim, as instance.claim")
    ] = None,
    robot: RobotOption = None,
    profile: ProfileOption = None,
    software: Annotated[
        bool,
        typer.Option("--software/--no-software", help="whether to plan Python and Debian too"),
    ] = True,
    offline: OfflineOption = False,
    json: JsonOption = False,
) -> None:
    """Look and print."""
    from robokit_plan.cli._session import open_session
    from robokit_plan.cli._terminal import show, width
    from robokit_plan.render import render_suggestions_json, render_suggestions_text

    session = open_session(robot, profile=profile)
    if claim is not None:
        found = _of_claim(session, claim)
    elif software:
        found = _with_software(session, offline=offline)
    else:
        found = _without_software(session)
    show(render_suggestions_json(found) if json else render_suggestions_text(found, width=width()))


def _of_claim(session: Session, text: str) -> Suggestions:
    from robokit_plan.suggestions import suggest_claim

    return suggest_claim(session.problem, *_named(session.problem, text))


def _named(problem: Problem, text: str) -> tuple[InstanceName, ClaimName]:
    """
    Return the claim that *text* names.

    Raises:
        WrongUse: There is no such claim, or it has no place of its own.
    """
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.model import SECTION_OF, ActuatorClaim, PowerClaim
    from robokit_plan.suggestions import pool_of

    claims = {}
    placeless = {}
    for entry in pool_of(problem):
        manifest = problem.manifests[entry.plugin]
        for needs in (manifest.base, *(one.needs for one in manifest.variants)):
            for one in needs.hardware:
                name = f"{entry.instance}.{one.key.name}"
                if isinstance(one, PowerClaim | ActuatorClaim):
                    placeless[name] = SECTION_OF[type(one)]
                else:
                    claims[name] = (entry.instance, one.key.name)
    if text in claims:
        return claims[text]
    if text in placeless:
        raise WrongUse(
            f"{text} has no place that could be another",
            why=f"it stands under {placeless[text]}, and takes no line, bus or port",
        )
    instance = text.partition(".")[0]
    from robokit_plan.model import near_names

    near = near_names(text, claims) or sorted(
        name for name in claims if name.partition(".")[0] == instance
    )
    raise WrongUse(
        f"no plugin in reach has a claim {text}",
        why="a claim is named as under wiring: instance.claim",
        repair=tuple(f"robokit-plan suggest {one}" for one in near),
    )


def _without_software(session: Session) -> Suggestions:
    from robokit_plan.cli._terminal import Progress
    from robokit_plan.suggestions import suggest as looked

    with Progress(_TITLE) as progress:
        return looked(session.problem, None, broken=broken_of(session), step=progress.step)


def _with_software(session: Session, *, offline: bool) -> Suggestions:
    from robokit_plan.cli import _planning
    from robokit_plan.cli._terminal import Progress, tell
    from robokit_plan.suggestions import suggest as looked

    problem = session.problem
    with (
        Progress(_TITLE) as progress,
        _planning.World(
            problem.robot, root=session.root, offline=offline, progress=progress
        ) as world,
    ):
        asker = Asker(world, problem, progress)
        found = looked(problem, asker.plan, broken=broken_of(session), step=progress.step)
        asker.remember()
    if asker.trouble:
        tell(f"note: software was not looked at everywhere: {asker.trouble}")
    return found


_TITLE = "looking for what fits"


class Asker:
    """Plans many robots that differ in what is enabled, over one world."""

    def __init__(self, world: World, problem: Problem, progress: Progress) -> None:
        self._world = world
        self._progress = progress
        # What this command asks for is more than the robot's own plan does.
        self._hint = f"{problem.robot.name} suggest"
        self._first = True
        self.trouble = ""
        """What an index said when it gave no usable answer."""
        world.recall(problem.robot.name)
        world.recall(self._hint)

    def plan(self, problem: Problem) -> Plan | None:
        """
        Return the plan of *problem*; None where the indices have no answer.

        Raises:
            IndexTrouble: There is none for the first robot, the one that is enabled.
            WrongUse: The robot file names a release or architecture without facts.
        """
        from dataclasses import replace

        from robokit_plan.cli._failure import WrongUse
        from robokit_plan.cli._planning import rounds
        from robokit_plan.edge._index_errors import IndexTrouble
        from robokit_plan.model import Plan
        from robokit_plan.planner import Planner
        from robokit_plan.resolve.python import UnknownTargetError

        try:
            planner = Planner(replace(problem, indexes=self._world.indexes))
        except UnknownTargetError as error:
            raise WrongUse(
                str(error), repair=("system: {release: debian-13}   in robot.yaml",)
            ) from error
        for _ in rounds():
            answer = planner.resolve(self._world.snapshot)
            if isinstance(answer, Plan):
                self._first = False
                return answer
            if self.trouble:
                return None
            try:
                self._world.learn(answer)
            except IndexTrouble as error:
                if self._first:
                    raise
                # One refusal is enough: asking on would only wait for the next.
                self.trouble = error.message
        raise AssertionError("rounds end by raising")

    def findings(self, problem: Problem) -> tuple[Finding, ...] | None:
        """Return what is wrong with the plan of *problem*, as `plan` does."""
        plan = self.plan(problem)
        return None if plan is None else plan.findings

    def remember(self) -> None:
        """Keep what was asked, for the next run."""
        self._world.remember(self._hint)


def broken_of(session: Session) -> dict[InstanceName, tuple[RuleName, str]]:
    """Return who has an error of its own, enabled or not, with the first one."""
    from robokit_plan.edge.manifests import parse_manifest
    from robokit_plan.edge.reading import MANIFEST_FILE
    from robokit_plan.model import Severity
    from robokit_plan.suggestions import pool_of

    reading = session.reading
    told = {place.origin.file for one in reading.findings for place in one.places}
    found: dict[InstanceName, tuple[RuleName, str]] = {}
    for entry in pool_of(session.problem):
        manifest = session.problem.manifests[entry.plugin]
        file = f"{manifest.folder}/{MANIFEST_FILE}"
        errors = [one for one in reading.findings if one.plugins == (entry.instance,)]
        if file in told and file in reading.texts:
            # Reading is mild about plugins that are not enabled; here each may be.
            errors.extend(parse_manifest(reading.texts[file], file)[1])
        for one in errors:
            if one.severity is Severity.ERROR:
                found.setdefault(entry.instance, (one.rule, one.message))
    return found
