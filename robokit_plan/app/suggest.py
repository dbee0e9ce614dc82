"""What ``suggest`` does: what is free, what could move, what goes together, what one costs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.app import planning
from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.planning import rounds
from robokit_plan.app.session import open_session
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge._index_errors import IndexTrouble
from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.edge.reading import MANIFEST_FILE
from robokit_plan.model import (
    SECTION_OF,
    ActuatorClaim,
    Plan,
    PowerClaim,
    Severity,
    near_names,
    replace,
)
from robokit_plan.planner import Planner
from robokit_plan.resolve.python import UnknownTargetError
from robokit_plan.suggestions import pool_of, suggest_claim
from robokit_plan.suggestions import suggest as look

if TYPE_CHECKING:
    from robokit_plan.app.planning import World
    from robokit_plan.app.session import Session
    from robokit_plan.model import ClaimName, Finding, InstanceName, RuleName, Suggestions
    from robokit_plan.planner import Problem


def suggest(
    robot: Path | None = None,
    claim: str | None = None,
    listener: Listener = NOBODY,
    *,
    profile: str | None = None,
    software: bool = True,
    offline: bool = False,
) -> Suggestions:
    """
    Return what still fits.

    Args:
        robot: Robot file or its folder; None: the nearest from here upward.
        claim: Only where else this one could go, as ``instance.claim``.
        listener: Told how far the work is, and where an index gave no answer.
        profile: Of a profile; None: of the robot itself.
        software: Whether to plan Python and Debian too.
        offline: Ask nobody.

    Raises:
        UnreadableFile, IndexTrouble: As planning does.
        WrongUse: There is no such claim.
    """
    session = open_session(robot, profile=profile)
    if claim is not None:
        return _of_claim(session, claim)
    if software:
        return _with_software(session, listener, offline=offline)
    return look(session.problem, None, broken=broken_of(session), step=listener.step)


def _of_claim(session: Session, text: str) -> Suggestions:
    return suggest_claim(session.problem, *_named(session.problem, text))


def _named(problem: Problem, text: str) -> tuple[InstanceName, ClaimName]:
    """
    Return the claim that *text* names.

    Raises:
        WrongUse: There is no such claim, or it has no place of its own.
    """
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
    near = near_names(text, claims) or sorted(
        name for name in claims if name.partition(".")[0] == instance
    )
    raise WrongUse(
        f"no plugin in reach has a claim {text}",
        why="a claim is named as under wiring: instance.claim",
        repair=tuple(f"robokit-plan suggest {one}" for one in near),
    )


def _with_software(session: Session, listener: Listener, *, offline: bool) -> Suggestions:
    problem = session.problem
    with planning.World(
        problem.robot, root=session.root, offline=offline, listener=listener
    ) as world:
        asker = Asker(world, problem)
        found = look(problem, asker.plan, broken=broken_of(session), step=listener.step)
        asker.remember()
    if asker.trouble:
        listener.tell(f"note: software was not looked at everywhere: {asker.trouble}")
    return found


class Asker:
    """Plans many robots that differ in what is enabled, over one world."""

    def __init__(self, world: World, problem: Problem) -> None:
        self._world = world
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
