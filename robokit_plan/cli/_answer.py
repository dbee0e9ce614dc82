"""What the daily commands do once it is known what was asked: call, print, exit status."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from robokit_plan.cli._terminal import show

if TYPE_CHECKING:
    from robokit_plan.app.answers import Answer, Asked
    from robokit_plan.app.lint import Scope
    from robokit_plan.app.switch import Switch


def _printed(answer: Answer) -> int:
    if answer.text:
        show(answer.text)
    return answer.status


def check_status(asked: Asked, form: str) -> int:
    """Print what *asked* is answered in *form*; return the exit status."""
    from robokit_plan.app.check import check
    from robokit_plan.cli._output import listening

    with listening() as listener:
        answer = check(asked, form, listener)
    return _printed(answer)


def lint_status(asked: Asked, form: str, scope: Scope | None = None) -> int:
    """Print what lint says of *asked*; return the exit status."""
    from robokit_plan.app.lint import WHOLE, lint
    from robokit_plan.app.listener import Listener
    from robokit_plan.cli._terminal import tell

    return _printed(lint(asked, form, scope or WHOLE, Listener(tell=tell)))


class Manner(NamedTuple):
    """How a switch is done."""

    form: str
    dry_run: bool
    yes: bool


def switch_status(switch: Switch, manner: Manner) -> int:
    """Show what the switch changes, ask, do it; return the exit status."""
    from robokit_plan.app.switch import carry_out, propose, try_out
    from robokit_plan.cli._output import listening
    from robokit_plan.cli._terminal import tell

    with listening() as listener:
        if manner.dry_run:
            return _printed(try_out(switch, manner.form, listener))
        proposal = propose(switch, listener)
    show(proposal.texts[manner.form]())
    if _agreed(manner, ok=proposal.plan.ok):
        carry_out(proposal, listener)
    else:
        tell("nothing was changed")
    return proposal.status


def _agreed(manner: Manner, *, ok: bool) -> bool:
    if manner.yes:
        return True
    from robokit_plan.cli._terminal import agreed, is_person_there, tell

    if not is_person_there():
        tell("not asked, since nobody is at the terminal: add --yes to do it")
        return False
    question = "Do it?" if ok else "This cannot be built as it stands. Do it all the same?"
    return agreed(question, default=ok)
