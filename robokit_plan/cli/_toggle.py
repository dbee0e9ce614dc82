"""Enable and disable: the diff first, then the question, then the edit."""

from __future__ import annotations

from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.cli import _answers
from robokit_plan.cli._answers import Asked
from robokit_plan.cli._failure import WrongUse
from robokit_plan.cli._session import open_session, text_of_lock, write_both, write_out
from robokit_plan.cli._terminal import agreed, is_person_there, show, tell, width
from robokit_plan.model import dataclass, near_names

if TYPE_CHECKING:
    from robokit_plan.cli._session import Session
    from robokit_plan.cli._undo import Step
    from robokit_plan.model import Finding, Plan
    from robokit_plan.render import PlanDiff


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
    from robokit_plan.cli._undo import add_step
    from robokit_plan.edge.files import held
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
    before.check_names()
    with held(after.root):
        before.check_inputs()
        lock = None
        if plan.ok:
            from robokit_plan.formats.lock import render_lock

            lock = render_lock(plan)
        step = _step(switch, names, before, new_text, lock)
        if lock is not None:
            write_both(after.reading.file, new_text, after.lock_path, lock)
        else:
            write_out(new_text, before.reading.file)
            tell(f"{after.lock_path.name} was left as it is: it holds only what can be built")
        # Only what was written can be taken back.
        add_step(before.reading.file, step)
    return 0 if plan.ok else 1


def _step(
    switch: Switch, names: tuple[str, ...], before: Session, text: str, lock: str | None
) -> Step:
    """Return what this switch is about to write, so that `--undo` can take it back."""
    from robokit_plan.cli._undo import LockChange, Step

    locks: tuple[LockChange, ...] = ()
    if lock is not None:
        path = before.lock_path
        locks = (LockChange(name=path.name, before=text_of_lock(path), after=lock),)
    return Step(
        command="enable" if switch.on else "disable",
        names=names,
        robot=str(before.problem.robot.name),
        profile=switch.profile,
        before=before.reading.texts[before.reading.file.name],
        after=text,
        locks=locks,
    )


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
