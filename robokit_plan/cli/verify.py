"""Compare this machine with the lock file; changes nothing, disturbs nothing.

Run it on the robot, or on a card that is mounted somewhere (--root). What cannot be seen without
disturbing it, such as a chip on a bus, is said to be unseen.

Examples:

  robokit-plan verify

  robokit-plan verify --all

  robokit-plan verify --root /mnt/card --json
"""

from __future__ import annotations

from collections.abc import Container
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from robokit_plan.cli._options import JsonOption, ProfileOption, RobotOption

if TYPE_CHECKING:
    from robokit_plan.render import Locked


def verify(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    json: JsonOption = False,
    everything: Annotated[
        bool, typer.Option("--all", help="print what is as planned as well")
    ] = False,
    lock: Annotated[
        Path | None, typer.Option("--lock", metavar="FILE", help="a lock file without robot file")
    ] = None,
    root: Annotated[
        Path, typer.Option("--root", metavar="FOLDER", help="where the machine's root is mounted")
    ] = Path("/"),
    home: Annotated[
        str | None,
        typer.Option("--home", metavar="FOLDER", help="where install.sh put things: /opt/ROBOT"),
    ] = None,
) -> None:
    """Compare and print."""
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.cli._session import find_lock, open_lock
    from robokit_plan.cli._terminal import show, width
    from robokit_plan.edge.machine import Asked, installed_locks, read_machine
    from robokit_plan.edge.ordinary import sha256_of
    from robokit_plan.render import (
        Locked,
        Verdict,
        asked_of,
        compare_machine,
        render_machine_json,
        render_machine_text,
        union_of,
    )

    path = find_lock(robot, profile) if lock is None else lock
    if not path.exists():
        raise WrongUse(
            f"there is no lock file {path.name}",
            why="it says what the machine should be",
            repair=("robokit-plan verify --lock FILE",),
        )
    if not root.is_dir():
        raise WrongUse(f"{root} is not a folder", why="--root is where a root is mounted")
    plan = open_lock(path)
    place = f"/opt/{plan.robot}" if home is None else home
    if not place.startswith("/") or ".." in place.split("/"):
        raise WrongUse(f"{place} is no absolute path", repair=(f"--home /opt/{plan.robot}",))
    own = Locked(plan=plan, name=path.name, sha256=sha256_of(path))
    union = union_of([own, *_beside(own, path, installed_locks(place, root=root))])
    question = asked_of(plan, home=place, union=union)
    state = read_machine(
        Asked(
            home=place,
            user=plan.program_user,
            texts=question.texts,
            hashes=question.hashes,
            units=question.units,
            variables=question.variables,
            devices=question.devices,
        ),
        root=root,
    )
    rows = compare_machine(plan, state, home=place, lock_sha256=own.sha256, union=union)
    if json:
        show(render_machine_json(plan, rows))
    else:
        show(render_machine_text(plan, rows, width=width(), everything=everything))
    raise typer.Exit(1 if any(one.verdict is Verdict.DIFFERS for one in rows) else 0)


def _beside(own: Locked, path: Path, installed: Container[str]) -> list[Locked]:
    """Return the other lock files beside *path* that were installed together with *own*."""
    from robokit_plan.cli._session import open_lock
    from robokit_plan.edge.ordinary import sha256_of
    from robokit_plan.formats.unreadable import UnreadableFile
    from robokit_plan.render import Locked, ProfilesDifferError, union_of

    found: list[Locked] = []
    if own.sha256 not in installed:
        return found
    for other in sorted(path.parent.glob(f"pylock.{own.plan.robot}*.toml")):
        # What is no file there is none of these.
        with suppress(UnreadableFile, ProfilesDifferError, OSError):
            digest = sha256_of(other)
            if other == path or digest not in installed:
                continue
            one = Locked(plan=open_lock(other), name=other.name, sha256=digest)
            union_of([own, *found, one])
            found.append(one)
    return found
