"""Enable and disable: the diff first, then the question, then the edit."""

from __future__ import annotations

from contextlib import suppress
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.cli import _answers
from robokit_plan.cli._answers import Asked
from robokit_plan.cli._failure import WrongUse
from robokit_plan.cli._session import open_session, write_out
from robokit_plan.cli._terminal import agreed, is_person_there, show, tell, width
from robokit_plan.model import dataclass, near_names

if TYPE_CHECKING:
    from robokit_plan.cli._session import Session
    from robokit_plan.model import Finding, Plan
    from robokit_plan.render import PlanDiff

UNDO_FOLDER = "undo"
"""Kept under the cache folder: what `--undo` takes back is a convenience of one machine."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Switch:
    """What the person asked for."""

    names: tuple[str, ...]
    on: bool
    robot: Path | None
    profile: str | None
    dry_run: bool
    yes: bool
    offline: bool
    json: bool
    notes: bool


def asked_by(switch: Switch) -> Asked:
    """Return the question that a dry run asks."""
    return Asked(
        command="enable" if switch.on else "disable",
        names=switch.names,
        robot=None if switch.robot is None else str(switch.robot),
        profile=switch.profile,
        offline=switch.offline,
        width=width(),
    )


def toggle(switch: Switch) -> int:
    """
    Show what the switch changes, ask, edit the robot file and the lock file.

    Returns:
        Exit status: 1 where the new plan has errors (nothing is written unless `yes`), else 0.

    Raises:
        WrongUse: A name is not a plugin in reach, or nothing would change.
    """
    from robokit_plan.cli._planning import World, plan_in
    from robokit_plan.cli._terminal import Progress
    from robokit_plan.edge.files import check_unchanged, held
    from robokit_plan.edge.manifests import parse_manifest
    from robokit_plan.edge.reading import read_robot
    from robokit_plan.formats.edits import CannotEdit, disabled_text, enabled_text
    from robokit_plan.render import diff_plans

    keeper = _answers.Keeper(asked_by(switch))
    # Both readings share what the same text was parsed to.
    parse = cache(parse_manifest)
    before = open_session(
        switch.robot,
        profile=switch.profile,
        reading=read_robot(switch.robot, profile=switch.profile, parse=parse),
    )
    names = _names(before, switch)
    old_text = before.reading.texts[before.reading.file.name]
    try:
        edit = enabled_text if switch.on else disabled_text
        new_text = edit(old_text, names, file=before.reading.file.name, profile=switch.profile)
    except CannotEdit as error:
        raise WrongUse(
            f"{error.place} cannot be edited", why=error.why, repair=(error.repair,)
        ) from error
    after = open_session(
        before.reading.file,
        profile=switch.profile,
        reading=read_robot(before.reading.file, profile=switch.profile, parse=parse, text=new_text),
    )
    with (
        Progress() as progress,
        World(
            after.problem.robot, root=after.root, offline=switch.offline, progress=progress
        ) as world,
    ):
        now = before.problem.locked or plan_in(world, before.problem)
        plan = plan_in(world, after.problem)
        known = set() if before.problem.locked is not None else set(now.findings)
        text = partial(_text, diff_plans(now, plan), plan, known, after)
        # A name that changes nothing was told of on standard error, which is not kept.
        if switch.dry_run and names == switch.names:
            forms = {one: partial(text, form=one) for one in _answers.FORMS}
            keeper.keep(world, before, forms, 0 if plan.ok else 1)
    show(text(form=_answers.form_of(notes=switch.notes, json=switch.json)))
    if switch.dry_run:
        return 0 if plan.ok else 1
    if not _agreed(plan, switch):
        tell("nothing was changed")
        return 0 if plan.ok else 1
    # Somebody may have thought about the question for long, or switched something else meanwhile.
    with held(after.root):
        check_unchanged(before.reading.file, old_text)
        _remember(before)
        if plan.ok:
            from robokit_plan.formats.lock import render_lock

            _write_both(after.reading.file, new_text, after.lock_path, render_lock(plan))
        else:
            write_out(new_text, before.reading.file)
            tell(f"{after.lock_path.name} was left as it is: it holds only what can be built")
    return 0 if plan.ok else 1


def _write_both(file: Path, text: str, lock_path: Path, lock: str) -> None:
    """
    Write the lock file, then the robot file; where the second fails, bring the first back.

    The robot file is last: as long as it is the old one, the same command does it all again.
    """
    from robokit_plan.edge.files import CannotWrite, write_atomically

    old = lock_path.read_text("utf-8") if lock_path.is_file() else None
    write_out(lock, lock_path)
    try:
        write_out(text, file)
    except CannotWrite:
        with suppress(CannotWrite, OSError):
            lock_path.unlink() if old is None else write_atomically(lock_path, old)
        raise


def _names(session: Session, switch: Switch) -> tuple[str, ...]:
    """Return instance or plugin names that the switch really changes."""
    reading = session.reading
    enabled = [str(one.instance) for one in reading.enabled]
    by_plugin = {str(one.plugin): str(one.instance) for one in reading.enabled}
    chosen: list[str] = []
    for name in dict.fromkeys(switch.names):
        if switch.on:
            if name in enabled or name in by_plugin:
                tell(f"{name} is enabled already")
                continue
            if name not in reading.manifests:
                near = near_names(name, [str(one) for one in reading.manifests])
                raise WrongUse(
                    f"no plugin in reach is called {name}",
                    why=f"nearest: {', '.join(near)}" if near else "",
                    repair=tuple(f"robokit-plan enable {one}" for one in near),
                )
            chosen.append(name)
        elif name in enabled:
            chosen.append(name)
        elif sum(str(one.plugin) == name for one in reading.enabled) > 0:
            chosen.extend(str(o.instance) for o in reading.enabled if str(o.plugin) == name)
        elif name in reading.manifests:
            tell(f"{name} is not enabled")
        else:
            near = near_names(name, enabled)
            raise WrongUse(
                f"nothing that is enabled is called {name}",
                why=f"enabled: {', '.join(enabled)}",
                repair=tuple(f"robokit-plan disable {one}" for one in near),
            )
    if not chosen:
        raise WrongUse("nothing would change")
    return tuple(dict.fromkeys(chosen))


def _text(diff: PlanDiff, plan: Plan, known: set[Finding], session: Session, *, form: str) -> str:
    """Return the diff with the findings that are new, or JSON."""
    from robokit_plan.render import (
        diff_object,
        finding_rows,
        render_diff_text,
        render_findings_text,
        render_json,
        render_verdict,
    )

    if form == _answers.JSON:
        return render_json(
            {
                "ok": plan.ok,
                "diff": diff_object(diff),
                "findings": finding_rows(plan.findings, prefix=session.prefix),
            }
        )
    notes = form == _answers.NOTES
    new = [one for one in plan.findings if one not in known]
    blocks = [
        render_diff_text(diff, width=width()).rstrip("\n"),
        render_findings_text(new, notes=notes, prefix=session.prefix).rstrip("\n"),
        render_verdict(plan).rstrip("\n"),
    ]
    return "\n\n".join(block for block in blocks if block)


def _agreed(plan: Plan, switch: Switch) -> bool:
    if switch.yes:
        return True
    if not is_person_there():
        tell("not asked, since nobody is at the terminal: add --yes to do it")
        return False
    question = "Do it?" if plan.ok else "This cannot be built as it stands. Do it all the same?"
    return agreed(question, default=plan.ok)


# --- undo -----------------------------------------------------------------------------------


def _undo_path(file: Path) -> Path:
    import os
    from hashlib import sha256

    from robokit_plan.edge.cache import cache_file

    name = sha256(os.fsencode(file.resolve())).hexdigest()[:16]
    return cache_file(os.environ).parent / UNDO_FOLDER / f"{name}.json"


def _remember(session: Session) -> None:
    """Keep both files as they are, so that one undo brings them back."""
    from robokit_plan.edge.files import CannotWrite, write_atomically
    from robokit_plan.render import render_json

    lock = session.lock_path
    kept = {
        "robot": session.reading.texts[session.reading.file.name],
        "lock": lock.read_text("utf-8") if lock.is_file() else None,
        "lock-name": lock.name,
    }
    path = _undo_path(session.reading.file)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, render_json(kept), mode=0o600)
    except (CannotWrite, OSError) as error:
        tell(f"note: this change cannot be undone by --undo: {error}")


def undo(robot: Path | None) -> int:
    """
    Bring back both files as they were before the last enable or disable, in whatever profile.

    A lock file that the switch made goes again.

    Raises:
        WrongUse: There is nothing to take back.
    """
    import json

    from robokit_plan.edge.files import held
    from robokit_plan.edge.reading import find_robot_file

    file = find_robot_file(robot)
    path = _undo_path(file)
    try:
        kept = json.loads(path.read_text("utf-8"))
        text, lock, lock_name = kept["robot"], kept["lock"], Path(kept["lock-name"]).name
    except (OSError, ValueError, RecursionError, KeyError, TypeError) as error:
        raise WrongUse(
            "there is nothing to take back",
            why="no enable or disable of this robot was done on this machine, or it was undone",
        ) from error
    lock_path = file.parent / lock_name
    with held(file.parent):
        if lock is None:
            write_out(text, file)
            lock_path.unlink(missing_ok=True)
        else:
            _write_both(file, text, lock_path, lock)
        path.unlink(missing_ok=True)
    return 0
