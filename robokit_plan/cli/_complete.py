"""
What the shell offers where a name is wanted; called by typer between two key strokes.

Everything is imported late: `_options` is imported by every command, and few calls complete.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from robokit_plan.edge.names import RobotNames

Completion = Callable[[typer.Context, str], list[str]]


def _begun(names: Iterable[str], incomplete: str, but: Iterable[str] = ()) -> list[str]:
    without = set(but)
    return [name for name in names if name.startswith(incomplete) and name not in without]


def _robot(ctx: typer.Context) -> RobotNames:
    from robokit_plan.edge.names import robot_names

    path = ctx.params.get("robot")
    return robot_names(None if path is None else Path(path))


def words(known: Sequence[str]) -> Completion:
    """Return what completes one of *known*."""

    def complete(ctx: typer.Context, incomplete: str) -> list[str]:  # noqa: ARG001  typer's signature
        return _begun(known, incomplete)

    return complete


def boards(ctx: typer.Context, incomplete: str) -> list[str]:  # noqa: ARG001  typer's signature
    """Complete a board's compatible string."""
    from robokit_plan.edge.names import board_names

    return _begun(board_names(), incomplete)


def parts(ctx: typer.Context, incomplete: str) -> list[str]:  # noqa: ARG001  typer's signature
    """Complete a known part."""
    from robokit_plan.edge.names import part_names

    return _begun(part_names(), incomplete.lower())


def rules(ctx: typer.Context, incomplete: str) -> list[str]:  # noqa: ARG001  typer's signature
    """Complete a rule."""
    from robokit_plan.edge.names import rule_names

    return _begun(sorted(rule_names()), incomplete)


def releases(ctx: typer.Context, incomplete: str) -> list[str]:  # noqa: ARG001  typer's signature
    """Complete a Debian release."""
    from robokit_plan.edge.names import release_names

    return _begun(release_names(), incomplete)


def profiles(ctx: typer.Context, incomplete: str) -> list[str]:
    """Complete a profile of the robot file."""
    return _begun(_robot(ctx).profiles, incomplete)


def controllers(ctx: typer.Context, incomplete: str) -> list[str]:
    """Complete a controller of the robot file."""
    return _begun(_robot(ctx).controllers, incomplete)


def switchable(ctx: typer.Context, incomplete: str) -> list[str]:
    """Complete what the command could switch and was not named yet."""
    robot = _robot(ctx)
    on = robot.switched_on(ctx.params.get("profile"))
    named = ctx.params.get("plugins") or ()
    if ctx.command.name == "disable":
        return _begun(on, incomplete, but=named)
    return _begun(robot.plugins, incomplete, but=(*on, *named))


def revisions(ctx: typer.Context, incomplete: str) -> list[str]:  # noqa: ARG001  typer's signature
    """Complete a branch or a tag."""
    from robokit_plan.edge.names import revision_names

    return _begun(revision_names(), incomplete)


def sides(ctx: typer.Context, incomplete: str) -> list[str]:
    """Complete a side of a diff: a profile, a branch or a tag; the shell offers files itself."""
    return [*profiles(ctx, incomplete), *revisions(ctx, incomplete)]
