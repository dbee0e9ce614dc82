"""Asks hardware and software in turn, over snapshots that grow."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Protocol

from robokit_plan.hardware import HardwareAnswer
from robokit_plan.model import (
    Carried,
    DebianArchive,
    Finding,
    Instance,
    InstanceName,
    Need,
    Needs,
    Plan,
    Robot,
    Severity,
    Snapshot,
    VariantName,
    variant_needs,
)
from robokit_plan.resolve.behaviour import Installed, machine_name_findings, run_time_findings
from robokit_plan.resolve.debian import DebianAnswer, DebianProblem, carried_by
from robokit_plan.resolve.python import PythonAnswer, PythonProblem, target_for

from ._archives import PLAIN_IMAGE
from ._debian import debian_problem
from ._hardware import RuledOut, assigned
from ._plan import Software, plan_of
from ._problem import Problem, instances_of
from ._python import python_problem, sees_system_packages

_MOST_TURNS = 4
"""Each turn brings more packages of Debian; more than one is rare."""


Solved = tuple[PythonProblem, PythonAnswer] | tuple[DebianProblem, DebianAnswer]
"""A question about software and its answer."""


class Known(Protocol):
    """What was answered before, over the rows that a snapshot would hold; None: not known."""

    def find_python(self, asked: PythonProblem, /) -> PythonAnswer | None:
        """Return what `resolve_python` answers."""

    def find_debian(self, asked: DebianProblem, /) -> DebianAnswer | None:
        """Return what `resolve_debian` answers."""


class Planner:
    """
    Answers one problem over snapshots that grow.

    Hardware comes first, since what it chooses brings requirements. Where software refuses and an
    instance that takes part has another variant, that variant is ruled out and hardware is asked
    again; the first choice without an error stands. Where every choice has one, the findings are
    those of the first.

    Each answer is that of `resolve` with the same snapshot: what does not depend on the snapshot,
    or depends on rows that did not change, is only not computed twice. What `known` answers is not
    computed at all; what was computed stands in `solved`.

    Raises:
        UnknownTargetError: The facts lack the release or the architecture.
    """

    def __init__(self, problem: Problem, *, known: Known | None = None) -> None:
        self.problem = problem
        self.solved: list[Solved] = []
        self._known = known
        system = problem.robot.system
        self._instances = instances_of(problem.robot, problem.profile, problem.manifests)
        self._target = target_for(
            system.release,
            system.architecture,
            system.image,
            system.python,
            facts=problem.python_facts,
        )
        self._hardware: dict[RuledOut, HardwareAnswer] = {}
        self._debian: tuple[tuple[DebianArchive, DebianProblem, DebianAnswer | Need], ...] = ()

    def resolve(self, snapshot: Snapshot) -> Plan | Need:
        """Return the plan, or what must be known first."""
        problem, instances = self.problem, self._instances
        tried: list[tuple[HardwareAnswer, Software]] = []
        ruled_out: RuledOut = frozenset()
        while True:
            hardware = self._hardware_without(ruled_out)
            software = self._software(hardware, snapshot)
            if isinstance(software, Need):
                return software
            tried.append((hardware, software))
            refused = _refused(problem.robot, instances, hardware, software, ruled_out)
            if refused is None or _errors(hardware.findings) > _errors(tried[0][0].findings):
                break
            ruled_out |= {refused}
        chosen = next((one for one in tried if not _errors(one[1].findings)), tried[0])
        return plan_of(problem, instances, self._target, chosen, tried[0])

    def _hardware_without(self, ruled_out: RuledOut) -> HardwareAnswer:
        if ruled_out not in self._hardware:
            self._hardware[ruled_out] = assigned(self.problem, self._instances, ruled_out)
        return self._hardware[ruled_out]

    def _software(self, hardware: HardwareAnswer, snapshot: Snapshot) -> Software | Need:
        """Return both answers, or one `Need` for both, so that the edge fetches side by side."""
        needs = {
            one.name: variant_needs(one.manifest, hardware.variants[one.name])
            for one in self._instances
        }
        carried = Carried()
        if sees_system_packages(self.problem, needs.values()) and snapshot.debian is not None:
            # What Debian brings to Python is there before any wheel is: it is asked first.
            first = self._debian_answer(needs, PythonAnswer(), snapshot.debian)
            if isinstance(first, Need):
                return first
            carried = self._carried(first)
        for _ in range(_MOST_TURNS):
            python = self._python_answer(
                python_problem(self.problem, self._instances, needs, self._target, carried),
                snapshot,
            )
            answer = python if isinstance(python, PythonAnswer) else PythonAnswer()
            debian: DebianAnswer | Need | None = None
            if snapshot.debian is not None:
                debian = self._debian_answer(needs, answer, snapshot.debian)
            if isinstance(python, Need) or isinstance(debian, Need) or debian is None:
                break
            # What wheels need of Debian may bring further modules.
            again = self._carried(debian) if carried != Carried() else carried
            if again == carried:
                break
            carried = again
        if isinstance(python, Need) or isinstance(debian, Need):
            one = python if isinstance(python, Need) else Need()
            two = debian if isinstance(debian, Need) else Need()
            return Need(pages=one.pages, metadata=one.metadata, debian=two.debian)
        clashes = run_time_findings(
            self._instances,
            python.pins,
            debian.pins if debian else (),
            self.problem.board.id,
            self.problem.machine_facts,
        )
        names = self._machine_names(needs, debian)
        return Software(python=python, debian=debian, at_work=(*clashes, *names))

    def _machine_names(
        self,
        needs: Mapping[InstanceName, Needs],
        debian: DebianAnswer | None,
    ) -> Iterable[Finding]:
        """Return what plugins name of the machine that will not be there, as far as known."""
        if debian is None or any(one.severity is Severity.ERROR for one in debian.findings):
            return ()
        robot = self.problem.robot
        there = {*map(str, debian.base), *(str(pin.name) for pin in debian.pins)}
        return machine_name_findings(
            self._instances,
            needs,
            self.problem.machine_names,
            Installed(
                packages=frozenset(there - set(map(str, debian.removed))),
                whole=robot.system.image == PLAIN_IMAGE and not robot.system.sources,
                release=robot.system.release,
            ),
        )

    def _python_answer(self, asked: PythonProblem, snapshot: Snapshot) -> PythonAnswer | Need:
        known = None if self._known is None else self._known.find_python(asked)
        if known is not None:
            return known
        from robokit_plan.resolve.python import resolve_python

        found = resolve_python(asked, snapshot)
        if isinstance(found, PythonAnswer):
            self.solved.append((asked, found))
        return found

    def _debian_answer(
        self, needs: Mapping[InstanceName, Needs], python: PythonAnswer, archive: DebianArchive
    ) -> DebianAnswer | Need:
        asked = debian_problem(self.problem, self._instances, needs, self._target, python)
        for known, question, answer in self._debian:
            if known is archive and question == asked:
                return answer
        answer = self._solved_debian(asked, archive)
        self._debian = ((archive, asked, answer), *self._debian[:1])
        return answer

    def _solved_debian(self, asked: DebianProblem, archive: DebianArchive) -> DebianAnswer | Need:
        known = None if self._known is None else self._known.find_debian(asked)
        if known is not None:
            return known
        from robokit_plan.resolve.debian import resolve_debian

        found = resolve_debian(asked, archive)
        if isinstance(found, DebianAnswer):
            self.solved.append((asked, found))
        return found

    def _carried(self, answer: DebianAnswer) -> Carried:
        return carried_by(
            answer, self.problem.robot.system.architecture, self.problem.carried_facts
        )


def _errors(findings: Iterable[Finding]) -> int:
    return sum(1 for one in findings if one.severity is Severity.ERROR)


def _refused(
    robot: Robot,
    instances: tuple[Instance, ...],
    hardware: HardwareAnswer,
    software: Software,
    ruled_out: RuledOut,
) -> tuple[InstanceName, VariantName] | None:
    """
    Return the variant to rule out next: of an instance in an error, the last by name.

    An instance whose variants are all ruled out takes one of them again; that ends the search.
    """
    blamed = {
        name for one in software.findings if one.severity is Severity.ERROR for name in one.plugins
    }
    for one in reversed(instances):
        variant = hardware.variants[one.name]
        if one.name not in blamed or variant is None or one.name in robot.variants:
            continue
        if (one.name, variant) not in ruled_out:
            return one.name, variant
    return None


def resolve(problem: Problem, snapshot: Snapshot) -> Plan | Need:
    """Return the plan, or what must be known about the indices first; see `Planner`."""
    return Planner(problem).resolve(snapshot)
