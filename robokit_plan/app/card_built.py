"""What a card carries of all that its robot would compile, and what is said about it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge.built_wheels import BuiltUnfit, take_built
from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.model import Plan
from robokit_plan.render import CarriedBuilds, source_builds
from robokit_plan.resolve.python import UnknownTargetError, build_minutes, target_for


def carry_builds(plan: Plan, folders: Sequence[Path], packages: Path) -> CarriedBuilds:
    """
    Put the wheels in *folders* that belong to *plan* below *packages*, and say which are missing.

    Raises:
        WrongUse: A folder or a wheel in it cannot be used.
    """
    facts = read_python_facts()
    builds = source_builds(plan)
    have = frozenset[str]()
    if folders:
        target = plan.target
        try:
            tags = target_for(
                target.release, target.architecture, target.image, target.python, facts
            ).tags
            taken = take_built(builds, folders, packages / "built", tags=tags)
        except UnknownTargetError as error:
            raise WrongUse(str(error), repair=("robokit-plan lock",)) from error
        except BuiltUnfit as error:
            raise WrongUse(str(error), why=error.why, repair=error.repair) from error
        have = frozenset(one.key for one in taken)
    return CarriedBuilds(
        builds=builds,
        carried=have,
        minutes={
            one.name: minutes
            for one in builds
            if (minutes := build_minutes(one.name, one.version, facts)) is not None
        },
    )
