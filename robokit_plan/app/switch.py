"""Enable and disable: what would change, and the edit; in between is time to ask."""

from __future__ import annotations

from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.app import answers
from robokit_plan.app.answers import Answer, Asked
from robokit_plan.app.forms import FORMS, JSON, NOTES
from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.session import open_session, tell_written, text_of_lock, write_both
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge.files import held, write_atomically
from robokit_plan.model import dataclass, near_names, replace

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from robokit_plan.app.planning import World
    from robokit_plan.app.session import Session
    from robokit_plan.app.undo import Step
    from robokit_plan.model import Finding, Plan
    from robokit_plan.render import PlanDiff


@dataclass(frozen=True, kw_only=True, slots=True)
class Switch:
    """What the person asked for."""

    names: tuple[str, ...]
    on: bool
    robot: Path | None
    profile: str | None
    offline: bool
    columns: int = 100
    instead_of: tuple[str, ...] = ()
    """Switched off in the same step, where `on`."""


def asked_by(switch: Switch) -> Asked:
    """Return the question that a dry run asks."""
    return Asked(
        command="enable" if switch.on else "disable",
        names=(*switch.names, *(f"instead of {one}" for one in switch.instead_of)),
        robot=None if switch.robot is None else str(switch.robot),
        profile=switch.profile,
        offline=switch.offline,
        width=switch.columns,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """What a switch would do: nothing is written yet."""

    switch: Switch
    names: tuple[str, ...]
    """Those that change something."""
    before: Session
    after: Session
    text: str
    """Of the robot file."""
    plan: Plan
    texts: Mapping[str, Callable[[], str]]
    """What is said of it, by form."""

    @property
    def status(self) -> int:
        """Exit status: 1 where the new plan has errors."""
        return 0 if self.plan.ok else 1


def try_out(switch: Switch, form: str, listener: Listener = NOBODY) -> Answer:
    """
    Return what the switch would change, in *form*: as it was kept, or planned, and kept then.

    Raises:
        WrongUse, UnreadableFile, IndexTrouble: As `propose`.
    """
    asked = asked_by(switch)
    known = answers.find_answer(asked, form)
    if known is not None:
        return known
    keeper = answers.Keeper(asked)

    def keep(world: World, proposal: Proposal) -> None:
        # A name that changes nothing was told of beside the answer, which is not kept.
        if proposal.names == switch.names:
            keeper.keep(world, proposal.before, proposal.texts, proposal.status)

    proposal = propose(switch, listener, then=keep)
    return Answer(proposal.texts[form](), proposal.status)


def propose(
    switch: Switch,
    listener: Listener = NOBODY,
    *,
    then: Callable[[World, Proposal], None] | None = None,
) -> Proposal:
    """
    Return what the switch changes.

    Args:
        switch: What is switched.
        listener: Told of names that change nothing, and how far the work is.
        then: Called with the answer while the indices are still open.

    Raises:
        WrongUse: A name is not a plugin in reach, or nothing would change.
        UnreadableFile, IndexTrouble: As planning does.
    """
    from robokit_plan.app.planning import World, plan_in
    from robokit_plan.edge.manifests import parse_manifest
    from robokit_plan.edge.reading import read_robot
    from robokit_plan.formats.edits import CannotEdit, disabled_text, enabled_text
    from robokit_plan.render import diff_plans

    # Both readings share what the same text was parsed to.
    parse = cache(parse_manifest)
    before = open_session(
        switch.robot,
        profile=switch.profile,
        reading=read_robot(switch.robot, profile=switch.profile, parse=parse),
    )
    names = _names(before, switch, listener)
    off = _replaced(before, switch, listener)
    old_text = before.reading.texts[before.reading.file.name]
    try:
        file = before.reading.file.name
        new_text = old_text
        if off:
            new_text = disabled_text(new_text, off, file=file, profile=switch.profile)
        edit = enabled_text if switch.on else disabled_text
        new_text = edit(new_text, names, file=file, profile=switch.profile)
    except CannotEdit as error:
        raise WrongUse(
            f"{error.place} cannot be edited", why=error.why, repair=(error.repair,)
        ) from error
    after = open_session(
        before.reading.file,
        profile=switch.profile,
        reading=read_robot(before.reading.file, profile=switch.profile, parse=parse, text=new_text),
    )
    with World(
        after.problem.robot, root=after.root, offline=switch.offline, listener=listener
    ) as world:
        now = before.problem.locked or plan_in(world, before.problem)
        plan = plan_in(world, after.problem)
        known = set() if before.problem.locked is not None else set(now.findings)
        text = partial(_text, diff_plans(now, plan), plan, known, after, columns=switch.columns)
        proposal = Proposal(
            switch=switch,
            names=names,
            before=before,
            after=after,
            text=new_text,
            plan=plan,
            texts={one: partial(text, form=one) for one in FORMS},
        )
        if then is not None:
            then(world, proposal)
    return proposal


def carry_out(proposal: Proposal, listener: Listener = NOBODY) -> None:
    """
    Edit the robot file and, where the new plan can be built, the lock file.

    Raises:
        CannotWrite: What was read was changed since, or cannot be written.
        WrongUse: Another robot of the folder would write the same.
    """
    from robokit_plan.app.undo import add_step

    before, after, plan = proposal.before, proposal.after, proposal.plan
    file = before.reading.file
    # Somebody may have thought about the question for long, or switched something else meanwhile.
    before.check_names()
    with held(after.root):
        before.check_inputs()
        lock = None
        if plan.ok:
            from robokit_plan.formats.lock import render_lock

            lock = render_lock(plan)
        step = _step(proposal, lock)
        if lock is not None:
            write_both(file, proposal.text, after.lock_path, lock)
            tell_written(listener, after.lock_path, file)
        else:
            write_atomically(file, proposal.text)
            tell_written(listener, file)
            listener.tell(
                f"{after.lock_path.name} was left as it is: it holds only what can be built"
            )
        # Only what was written can be taken back.
        add_step(file, step, listener)


def _step(proposal: Proposal, lock: str | None) -> Step:
    """Return what this switch is about to write, so that `--undo` can take it back."""
    from robokit_plan.app.undo import LockChange, Step

    switch, before = proposal.switch, proposal.before
    locks: tuple[LockChange, ...] = ()
    if lock is not None:
        path = before.lock_path
        locks = (LockChange(name=path.name, before=text_of_lock(path), after=lock),)
    return Step(
        command="enable" if switch.on else "disable",
        names=proposal.names,
        robot=str(before.problem.robot.name),
        profile=switch.profile,
        before=before.reading.texts[before.reading.file.name],
        after=proposal.text,
        locks=locks,
    )


def _replaced(session: Session, switch: Switch, listener: Listener) -> tuple[str, ...]:
    """Return the instances that are switched off in the same step."""
    if not switch.instead_of:
        return ()
    both = sorted({*switch.names} & {*switch.instead_of})
    if both:
        raise WrongUse(f"{both[0]} cannot be enabled instead of itself")
    return _names(session, replace(switch, on=False, names=switch.instead_of), listener)


def _names(session: Session, switch: Switch, listener: Listener) -> tuple[str, ...]:
    """Return instance or plugin names that the switch really changes."""
    reading = session.reading
    enabled = [str(one.instance) for one in reading.enabled]
    by_plugin = {str(one.plugin): str(one.instance) for one in reading.enabled}
    chosen: list[str] = []
    for name in dict.fromkeys(switch.names):
        if switch.on:
            if name in enabled or name in by_plugin:
                listener.tell(f"{name} is enabled already")
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
            listener.tell(f"{name} is not enabled")
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


def _text(
    diff: PlanDiff,
    plan: Plan,
    known: set[Finding],
    session: Session,
    *,
    columns: int,
    form: str,
) -> str:
    """Return the diff with the findings that are new, or JSON."""
    from robokit_plan.render import (
        diff_object,
        finding_rows,
        render_diff_text,
        render_findings_text,
        render_json,
        render_verdict,
    )

    if form == JSON:
        return render_json(
            {
                "ok": plan.ok,
                "diff": diff_object(diff),
                "findings": finding_rows(plan.findings, prefix=session.prefix),
            }
        )
    notes = form == NOTES
    new = [one for one in plan.findings if one not in known]
    blocks = [
        render_diff_text(diff, width=columns).rstrip("\n"),
        render_findings_text(new, notes=notes, prefix=session.prefix).rstrip("\n"),
        render_verdict(plan).rstrip("\n"),
    ]
    return "\n\n".join(block for block in blocks if block)
