"""What ``lint`` does once it is known what was asked."""

from __future__ import annotations

import gc
import os
from contextlib import contextmanager
from itertools import chain
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, NamedTuple

from robokit_plan.app.answers import Answer, Asked, Keeper, find_answer
from robokit_plan.app.forms import LINT_FORMATS, NOTES
from robokit_plan.app.listener import NOBODY, Listener

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from robokit_plan.app.judged import Judged
    from robokit_plan.edge.absent_names import AbsentReading
    from robokit_plan.edge.kept_files import Looked
    from robokit_plan.edge.lint_targets import LintReading, LintTarget
    from robokit_plan.edge.revisions import Changes


class Scope(NamedTuple):
    """What makes a call of ``lint`` more than a question about the files as they are."""

    since: str | None = None
    """Look only at what differs from this revision."""
    fix: bool = False
    """Make the safe repairs first."""


WHOLE = Scope()


class Before(NamedTuple):
    """`keeper` made before files were looked at; `looked` as `files_state` fills it."""

    keeper: Keeper
    looked: Looked


def lint(asked: Asked, form: str, scope: Scope = WHOLE, listener: Listener = NOBODY) -> Answer:
    """
    Return what is known of the files, or what reading them tells, and keep that.

    Args:
        asked: The question.
        form: How the answer reads.
        scope: What it is about besides.
        listener: Told of repairs that were made, and of what was not looked at.

    Raises:
        UnreadableFile: There is no file to look at.
        WrongUse: No such format or revision.
    """
    # Made first: what changes after it looked, and before it is read, must not be kept.
    before = Before(Keeper(asked), {})
    if scope == WHOLE:
        known = find_answer(asked, form, before.looked)
        if known is not None:
            return known
    return lint_anew(asked, form, scope, listener, before)


def lint_anew(
    asked: Asked,
    form: str,
    scope: Scope = WHOLE,
    listener: Listener = NOBODY,
    before: Before | None = None,
) -> Answer:
    """
    Return what reading the files tells, and keep that.

    Args:
        asked: As in `lint`.
        form: As in `lint`.
        scope: As in `lint`.
        listener: As in `lint`.
        before: What was seen of the files already.
    """
    with _all_kept():
        return _told(asked, form, scope, before or Before(Keeper(asked), {}), listener)


def _told(asked: Asked, form: str, scope: Scope, before: Before, listener: Listener) -> Answer:
    from robokit_plan.app.judged import judged
    from robokit_plan.app.wrong_use import WrongUse
    from robokit_plan.edge.cache import Cache, cache_file
    from robokit_plan.edge.lint_targets import lint_files, read_lint_targets
    from robokit_plan.model import Severity

    if form not in {*LINT_FORMATS, NOTES}:
        raise WrongUse(f"no format is called {form}", why=f"formats: {', '.join(LINT_FORMATS)}")
    kept = None
    paths = [Path(one) for one in asked.names] or [Path()]
    if scope == WHOLE:
        from robokit_plan.app.lint_kept import KeptPlugins

        shelves = [one if one.is_dir() else one.parent for one in paths]
        kept = KeptPlugins(asked, shelves, before.looked)
    reading = read_lint_targets(paths, known=None if kept is None else kept.find)
    touched = _touched(reading.targets, paths, scope.since, listener)
    if scope.fix and _fix(touched, listener):
        reading = read_lint_targets(paths)
        touched = _touched(reading.targets, paths, scope.since, listener)
    absent = _absent(reading, touched)
    judgement = judged(reading, touched, absent.names)
    text = _text(judgement, form, files=len(touched))
    if any(target.unreadable for target in touched):
        return Answer(text, 2)
    status = int(any(one.severity is Severity.ERROR for one in judgement.findings))
    if kept is not None and absent.grounds is not None:
        watched = (*lint_files(paths, reading), *absent.grounds.watched)
        with Cache(cache_file(os.environ)) as cache:
            held = before.keeper.keep_over(
                watched,
                absent.grounds.rows,
                {form: text},
                status,
                put=cache.put,
                looked=before.looked,
            )
            if held and not any(one.robot is not None for one in reading.targets):
                kept.keep(cache, reading.targets, judgement)
    return Answer(text, status)


@contextmanager
def _all_kept() -> Iterator[None]:
    """Spare the search for garbage in cycles: what is read here lives to the end."""
    collects = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collects:
            gc.enable()


def _absent(reading: LintReading, touched: tuple[LintTarget, ...]) -> AbsentReading:
    """Return what the indices lacked when they were read last, for the robots that were read."""
    from robokit_plan.app.judged import names_asked
    from robokit_plan.edge.absent_names import read_absent_names

    robots = [(one.path.parent, one.robot) for one in reading.targets if one.robot is not None]
    return read_absent_names(robots, *names_asked(touched), environ=os.environ)


def _touched(
    targets: tuple[LintTarget, ...], paths: Sequence[Path], since: str | None, listener: Listener
) -> tuple[LintTarget, ...]:
    """
    Return the targets that differ from the revision *since*; all where it is None.

    A plugin counts as touched when any file of its folder is, a robot also when a plugin that it
    enables was taken away; what lies in a submodule always, since nobody looks into it.
    """
    if since is None:
        return targets
    known = _changes(paths, since, listener)

    def touched(path: Path) -> bool:
        real = path.resolve()
        return any(
            changes.touch(PurePosixPath(real.relative_to(top)))
            for top, changes in known.items()
            if real.is_relative_to(top)
        )

    return tuple(
        one
        for one in targets
        if touched(one.path if one.robot is not None else one.path.parent)
        or any(map(touched, _lost(one)))
    )


def _changes(paths: Sequence[Path], since: str, listener: Listener) -> dict[Path, Changes]:
    """Return what differs from *since* in each repository of *paths*, by its top."""
    from robokit_plan.app.wrong_use import WrongUse
    from robokit_plan.edge.revisions import NoRevision, open_repository
    from robokit_plan.formats.tree import shown

    known: dict[Path, Changes] = {}
    try:
        for path in paths:
            folder = path if path.is_dir() else path.parent
            with open_repository(folder.absolute(), since) as repository:
                if repository.top not in known:
                    known[repository.top] = repository.changes(since)
    except NoRevision as error:
        raise WrongUse(str(error)) from error
    for changes in known.values():
        for one in sorted(changes.unseen):
            name = shown(str(one))
            listener.tell(
                f"{name} is a repository of its own; what lies in it is read as if it were touched"
            )
    return known


def _lost(target: LintTarget) -> Iterable[Path]:
    """Yield the folders where a robot's enabled plugins would be and are not."""
    robot = target.robot
    if robot is None:
        return
    names = {one.plugin for one in (*robot.enabled, *chain(*robot.profiles.values()))}
    shelves = [target.path.parent / one for one in robot.plugin_paths]
    for name in names:
        folders = [shelf / name for shelf in shelves]
        if not any((one / "manifest.yaml").is_file() for one in folders):
            yield from (one.resolve() for one in folders)


def _fix(targets: Iterable[LintTarget], listener: Listener) -> bool:
    """Write the safe repairs into the files, tell each, and return whether there was one."""
    from robokit_plan.edge.files import check_unchanged, held, write_atomically
    from robokit_plan.edge.fixes import fix_text

    changed = False
    for target in targets:
        text, words = fix_text(target.text, target.name)
        if text != target.text:
            with held(target.path.parent):
                check_unchanged(target.path, target.text)
                write_atomically(target.path, text)
            changed = True
            for word in words:
                listener.tell(f"{target.name}: {word}")
    return changed


def _text(judgement: Judged, form: str, *, files: int) -> str:
    """Return what *judgement* of so many *files* reads like in *form*."""
    from robokit_plan import render
    from robokit_plan._version import __version__

    findings, allowed = judgement.findings, judgement.allowed
    match form:
        case "json":
            return render.render_findings_json(findings, allowed=allowed)
        case "gnu":
            return render.render_findings_gnu(findings) if findings else ""
        case "sarif":
            from robokit_plan.edge.rules import read_rules

            summaries = {str(name): one.summary for name, one in read_rules().items()}
            return render.render_findings_sarif(
                findings, allowed=allowed, version=__version__, summaries=summaries
            )
        case "markdown":
            return render.render_findings_markdown(findings, allowed=len(allowed))
        case "annotations":
            return render.render_findings_annotations(findings) if findings else ""
        case _:
            notes = form == NOTES
            blocks = [
                render.render_findings_text(findings, notes=notes),
                render.render_allowed_text(allowed) if notes else "",
                render.render_lint_verdict(findings, files, allowed=len(allowed)),
            ]
            return "\n".join(one for one in blocks if one)
