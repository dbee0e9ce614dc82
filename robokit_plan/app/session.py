"""One call's way from files to a plan: read, ask the indices, plan, print."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import date
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.model import dataclass, field, replace

if TYPE_CHECKING:
    from robokit_plan.app.planning import World
    from robokit_plan.edge.reading import Reading
    from robokit_plan.model import BoardId, CarriedFacts, ConfigLine, Finding, Plan, Robot
    from robokit_plan.planner import Problem

ALL = frozenset[str]()
"""Upgrade everything."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """A robot that was read, with all that its plan depends on besides the indices."""

    reading: Reading
    problem: Problem
    root: Path
    prefix: str
    """What stands before file names for display: the way from here to `root`."""
    digests: Mapping[str, str | None] = field(default_factory=dict)
    """File below `root` -> SHA-256, None where it was not there; what was read besides YAML."""

    @property
    def lock_path(self) -> Path:
        """Where this robot's (or this profile's) lock file belongs."""
        from robokit_plan.formats.lock import lock_name_of

        return self.root / lock_name_of(self.problem.robot.name, self.problem.profile)

    def plan(
        self,
        *,
        offline: bool = False,
        build_metadata: bool = False,
        listener: Listener = NOBODY,
        then: Callable[[World, Plan], None] | None = None,
    ) -> Plan:
        """
        Return the plan, reading the indices as far as it takes.

        Args:
            offline: Ask nobody.
            build_metadata: Let builds tell what sdists need.
            listener: Told about the work.
            then: Called with the plan while the indices are still open.

        Raises:
            IndexTrouble: An index gave no usable answer.
        """
        from robokit_plan.app.planning import planned

        return planned(
            self.problem,
            offline=offline,
            build_metadata=build_metadata,
            root=self.root,
            listener=listener,
            then=then,
        )

    def write_lock(self, plan: Plan, out: Path | None) -> Path:
        """Write *plan* to the lock file, or to *out*; return where."""
        from robokit_plan.edge.files import held, write_atomically
        from robokit_plan.formats.lock import render_lock

        text = render_lock(plan)
        path = self.lock_path if out is None else out
        if out is None:
            self.check_names()
        elif os.path.lexists(path):
            # Whatever is there may be somebody's work, wherever it is.
            open_own_lock(path, str(self.problem.robot.name), self.problem.profile)
        with held(self.root):
            self.check_inputs()
            write_atomically(path, text)
        return path

    def check_names(self) -> None:
        """
        Refuse names of outputs that another robot file beside this one has too.

        Raises:
            WrongUse: There is one.
        """
        from robokit_plan.app.own_names import check_own_names

        robot = self.problem.robot.name
        check_own_names(self.reading.file, str(robot), self.problem.profile)

    def check_inputs(self) -> None:
        """
        Look again at the files that were planned from, while no other command writes.

        Raises:
            CannotWrite: One was changed, or is gone, since it was read.
            UnreadableFile: One cannot be read any more.
        """
        from robokit_plan.edge.files import CannotWrite, check_unchanged

        for name, text in self.reading.texts.items():
            check_unchanged(self.root / name, text)
        for name, digest in self.digests.items():
            if _digest(self.root / name) != digest:
                raise CannotWrite(
                    self.root / name,
                    "it was changed while this command ran",
                    "type the same command again",
                )

    def text_of(
        self,
        plan: Plan,
        *,
        json: bool,
        notes: bool,
        moved_from: Plan | None = None,
        columns: int = 100,
    ) -> str:
        """
        Return findings and summary, or JSON; with *moved_from*, what moves from there too.

        Tables are laid out for so many *columns*.
        """
        from robokit_plan.render import (
            check_object,
            diff_object,
            diff_plans,
            render_check_json,
            render_diff_text,
            render_findings_text,
            render_json,
            render_summary,
            render_verdict,
        )

        moves = None if moved_from is None else diff_plans(moved_from, plan)
        if json and moves is not None:
            found = check_object(plan, prefix=self.prefix)
            return render_json({**found, "moves": diff_object(moves)})
        if json:
            return render_check_json(plan, prefix=self.prefix)
        findings = render_findings_text(plan.findings, notes=notes, prefix=self.prefix)
        blocks = [findings.rstrip("\n")] if findings.strip() else []
        if moves is not None:
            blocks.append(render_diff_text(moves, width=columns).rstrip("\n"))
        blocks.append(render_summary(plan).rstrip("\n"))
        blocks.append(render_verdict(plan).rstrip("\n"))
        return "\n\n".join(blocks)


def display(path: Path) -> str:
    """Return *path* as it is best read from here."""
    try:
        short = os.path.relpath(path)
    except ValueError:
        return str(path)
    return short if not short.startswith("../../..") else str(path)


def display_prefix(root: Path) -> str:
    """Return what to put before file names so that they can be opened from here."""
    short = display(root)
    return "" if short == "." else f"{short}/"


def read(robot: Path | None, profile: str | None) -> Reading:
    """
    Return what the robot's folder holds.

    Raises:
        UnreadableFile: A file cannot be decoded or parsed.
        WrongUse: There is no robot file here or above.
    """
    from robokit_plan.edge.reading import read_robot

    return read_robot(robot, profile=profile)


def open_session(
    robot: Path | None,
    *,
    profile: str | None = None,
    board: str | None = None,
    release: str | None = None,
    as_of: str | None = None,
    upgrade: frozenset[str] | None = None,
    reading: Reading | None = None,
    locked: bool = True,
    lint: bool = True,
    stale: bool = False,
) -> Session:
    """
    Return the session of one call.

    With *lint*, errors that `lint` alone finds in the robot file and in enabled plugins are
    findings of the plan too; with *stale*, that its lock file no longer says what its files say.

    Raises:
        UnreadableFile: A file cannot be decoded or parsed, or the robot file has no value.
        WrongUse: An option names what is not known.
    """
    from robokit_plan.formats.unreadable import UnreadableFile

    reading = read(robot, profile) if reading is None else reading
    if reading.robot is None:
        raise UnreadableFile(reading.findings)
    session_robot = reading.robot
    if profile is not None and profile not in session_robot.profiles:
        raise WrongUse(
            f"the robot file has no profile {profile}",
            why=f"profiles: {', '.join(sorted(session_robot.profiles)) or 'none'}",
        )
    if board is not None:
        # What memory the robot's own board has, and what it draws, says nothing of another one.
        session_robot = replace(
            session_robot,
            board=_board(board),
            system=replace(
                session_robot.system, memory_mb=None, board_typical=None, board_peak=None
            ),
        )
    if release is not None:
        release = _release(release)
        session_robot = replace(
            session_robot, system=replace(session_robot.system, release=release, python=None)
        )
    if lint:
        from robokit_plan.app.lint_errors import lint_errors

        reading = replace(reading, findings=(*reading.findings, *lint_errors(reading)))
    # Before they are read, so that no change in between goes unseen.
    digests = _file_digests(reading.root, session_robot, profile) if locked else {}
    problem = problem_of(
        replace(reading, robot=session_robot),
        profile=profile,
        as_of=_day(as_of),
        upgrade=upgrade,
        locked=locked,
    )
    if stale and problem.locked is not None:
        problem = replace(problem, reading=(*problem.reading, *_stale(problem)))
    return Session(
        reading=reading,
        problem=problem,
        root=reading.root,
        prefix=display_prefix(reading.root),
        digests=digests,
    )


def _stale(problem: Problem) -> tuple[Finding, ...]:
    """Return the warning that the lock file no longer says what its files say."""
    from robokit_plan.app.staleness import changed_inputs, stale_finding
    from robokit_plan.formats.lock import lock_name_of
    from robokit_plan.model import Severity

    assert problem.locked is not None  # noqa: S101  the caller looked
    changed = changed_inputs(problem.locked.digests, problem.digests)
    if not changed:
        return ()
    name = lock_name_of(problem.robot.name, problem.profile)
    return (stale_finding(name, changed, problem.profile, Severity.WARNING),)


def _file_digests(root: Path, robot: Robot, profile: str | None) -> Mapping[str, str | None]:
    """Return what the files hold that a plan of *robot* reads besides YAML, by their names."""
    from robokit_plan.edge.boot_files import included_files
    from robokit_plan.edge.files import find_inside
    from robokit_plan.formats.lock import lock_name_of

    named = (robot.system.boot_config, robot.system.base)
    names = [lock_name_of(robot.name, profile), *(one for one in named if one is not None)]
    boot = robot.system.boot_config
    if boot is not None and find_inside(root, boot) is not None:
        folder = PurePosixPath(boot).parent
        names += [str(folder / one) for one in included_files(root, boot)]
    return {name: _digest(root / name) for name in names}


def _digest(path: Path) -> str | None:
    from robokit_plan.edge.ordinary import sha256_of

    try:
        return sha256_of(path)
    except OSError:
        return None


def _board(name: str) -> BoardId:
    from robokit_plan.edge.facts import UnknownBoard, find_board

    try:
        return find_board(name)
    except UnknownBoard as error:
        raise WrongUse(
            str(error), repair=("robokit-plan boards   lists the known ones",)
        ) from error


def _release(text: str) -> str:
    from robokit_plan.edge.facts import find_release, release_words

    found = find_release(text)
    if found is None:
        known = ", ".join(f"{name} ({code})" for code, name in sorted(release_words().items()))
        raise WrongUse(f"no release is called {text}", why=f"releases: {known}")
    return found


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise WrongUse(
            f"{text} is not a date", why="dates are written 2026-11-01 (ISO 8601)"
        ) from error


def problem_of(
    reading: Reading,
    *,
    profile: str | None = None,
    as_of: date | None = None,
    upgrade: frozenset[str] | None = None,
    locked: bool = True,
) -> Problem:
    """
    Return all that a plan of *reading* depends on besides the indices.

    Args:
        reading: Of a robot file that has a usable form.
        profile: The profile that is planned.
        as_of: Look at no later upload.
        upgrade: As `Problem` has it.
        locked: Whether a lock file beside the robot file holds what it names.

    Raises:
        UnreadableFile: The board is not known, or the boot configuration cannot be read.
    """
    from robokit_plan.edge.facts import (
        UnknownBoard,
        facts_digest,
        read_board,
        read_controllers,
        read_electrical,
        read_i2c,
        read_link_rules,
        read_parts,
    )
    from robokit_plan.edge.machine_facts import (
        read_machine_facts,
        read_machine_names,
        read_source_keys,
    )
    from robokit_plan.edge.python_facts import read_python_facts
    from robokit_plan.formats.unreadable import UnreadableFile
    from robokit_plan.model import Place, Severity, finding
    from robokit_plan.planner import Problem

    robot = reading.robot
    assert robot is not None  # noqa: S101  the caller looked
    try:
        board = read_board(robot.board)
    except UnknownBoard as error:
        place = Place(origin=robot.places.get("board", robot.origin))
        unknown = finding(
            "board-unknown",
            Severity.ERROR,
            str(error),
            places=[place],
            why="without its header nothing can be assigned",
            repair=[
                *(f'board: "{near}"' for near in (*error.several, *error.near)),
                "robokit-plan boards   lists the known ones",
            ],
        )
        raise UnreadableFile((*reading.findings, unknown)) from error
    return Problem(
        robot=robot,
        manifests=reading.manifests,
        board=board,
        parts=read_parts(),
        chips=read_controllers() if robot.controllers else {},
        electrical=read_electrical(),
        i2c=read_i2c(),
        link_rules=read_link_rules() if robot.controllers else (),
        python_facts=read_python_facts(),
        carried_facts=_carried_facts(robot, reading),
        profile=profile,
        reading=reading.findings,
        locked=_locked(reading.root, robot.name, profile) if locked else None,
        upgrade=upgrade,
        as_of=as_of,
        boot_config=_boot_config(reading),
        digests=_digests(reading, facts_digest(), profile),
        machine_facts=read_machine_facts(),
        machine_names=read_machine_names(
            robot.system.release,
            robot.system.image,
            (
                needs.machine
                for entry in reading.enabled
                if (manifest := reading.manifests.get(entry.plugin)) is not None
                for needs in (manifest.base, *(one.needs for one in manifest.variants))
            ),
        ),
        source_keys=read_source_keys(robot, reading.root),
    )


def _carried_facts(robot: Robot, reading: Reading) -> CarriedFacts:
    """Return what Debian's Python packages bring; nothing where no plugin speaks of one."""
    from robokit_plan.model import CarriedFacts

    needs = [
        needs
        for manifest in reading.manifests.values()
        for needs in (manifest.base, *(one.needs for one in manifest.variants))
    ]
    if not any("python3-" in text.text for one in needs for text in one.debian):
        return CarriedFacts()
    from robokit_plan.edge.python_facts import read_carried_facts

    return read_carried_facts(robot.system.release)


def _boot_config(reading: Reading) -> tuple[ConfigLine, ...]:
    """Return what the given boot configuration file says; () where none is given."""
    from robokit_plan.edge.boot_files import included_files
    from robokit_plan.edge.files import find_inside, read_text
    from robokit_plan.formats.unreadable import UnreadableFile
    from robokit_plan.hardware.boot import parse_boot_config

    robot = reading.robot
    if robot is None or robot.system.boot_config is None:
        return ()
    name = robot.system.boot_config
    place = robot.system.places.get("boot-config", robot.origin)
    path = find_inside(reading.root, name)
    if path is None:
        raise UnreadableFile.at(
            place,
            f"boot-config {name} is not a file in the robot's folder",
            "system: {boot-config: config.txt}",
        )
    return parse_boot_config(
        read_text(path, name), file=name, included=included_files(reading.root, name)
    )


def _digests(reading: Reading, facts: str, profile: str | None) -> Mapping[str, str]:
    from robokit_plan.app.staleness import inputs_of

    robot = reading.robot
    assert robot is not None  # noqa: S101
    return {"facts": facts, "robot.yaml": robot.digest, **inputs_of(reading, profile)}


def _locked(root: Path, robot: str, profile: str | None) -> Plan | None:
    """
    Return what is locked.

    Raises:
        UnreadableFile: A file of that name is there and is not the lock file of this robot and
            profile, or is not understood. It may be somebody's work, so nothing is planned that
            would be written over it.
    """
    from robokit_plan.formats.lock import lock_name_of

    path = root / lock_name_of(robot, profile)
    if not os.path.lexists(path):
        return None
    return open_own_lock(path, robot, profile)


def open_own_lock(path: Path, robot: str, profile: str | None) -> Plan:
    """
    Return the plan in the lock file at *path*, which must be of *robot* and *profile*.

    Raises:
        UnreadableFile: It is another's, cannot be read or is not understood.
    """
    from robokit_plan.formats.lock import put_aside
    from robokit_plan.formats.unreadable import UnreadableFile
    from robokit_plan.model import Origin, Place, Severity, finding

    plan = open_lock(path)
    if (plan.robot, plan.profile) != (robot, profile):
        foreign = finding(
            "lock-invalid",
            Severity.ERROR,
            f"it is the lock file of {_whose(plan.robot, plan.profile)}, "
            f"not of {_whose(robot, profile)}",
            places=[Place(origin=Origin(file=path.name))],
            why="one would be written over the other",
            repair=[put_aside(display(path)), "another name for the robot or the profile"],
        )
        raise UnreadableFile((foreign,))
    return plan


def _whose(robot: str, profile: str | None) -> str:
    return f"robot {robot}" + (f" with profile {profile}" if profile else "")


def find_lock(robot: Path | None, profile: str | None) -> Path:
    """
    Return where the lock file of the robot at *robot* belongs.

    Raises:
        UnreadableFile: There is no robot file, or it cannot be parsed.
    """
    from robokit_plan.edge.files import read_text
    from robokit_plan.edge.reading import find_robot_file
    from robokit_plan.edge.robots import parse_robot
    from robokit_plan.formats.lock import lock_name_of
    from robokit_plan.formats.unreadable import UnreadableFile

    file = find_robot_file(robot)
    found, findings = parse_robot(read_text(file, file.name), file.name)
    if found is None:
        raise UnreadableFile(findings)
    return file.parent / lock_name_of(found.name, profile)


def open_lock(path: Path) -> Plan:
    """
    Return the plan in the lock file at *path*.

    Raises:
        UnreadableFile: It cannot be read, or is no lock file that is understood here.
    """
    from robokit_plan.edge.read_lock import read_lock
    from robokit_plan.formats.lock import LockError, put_aside
    from robokit_plan.formats.unreadable import UnreadableFile

    try:
        return read_lock(path)
    except LockError as error:
        found = error.finding
    except UnreadableFile as error:
        (found,) = error.findings
    # As seen from here: the file's own reader knows no folder.
    aside = {put_aside(path.name): put_aside(display(path))}
    repair = tuple(aside.get(one, one) for one in found.repair)
    raise UnreadableFile((replace(found, repair=repair),))


def tell_written(listener: Listener, *paths: Path) -> None:
    """Say that *paths* were written."""
    for path in paths:
        listener.tell(f"wrote {display(path)}")


def write_both(file: Path, text: str, lock_path: Path, lock: str) -> None:
    """
    Write the lock file, then the robot file; where the second fails, bring the first back.

    The robot file is last: as long as it is the old one, the same command does it all again.
    """
    from robokit_plan.edge.files import CannotWrite, write_atomically

    old = text_of_lock(lock_path)
    write_atomically(lock_path, lock)
    try:
        write_atomically(file, text)
    except CannotWrite:
        with suppress(CannotWrite, OSError):
            lock_path.unlink() if old is None else write_atomically(lock_path, old)
        raise


def text_of_lock(path: Path) -> str | None:
    """
    Return the text of the lock file at *path*, None where there is none.

    Raises:
        UnreadableFile: It cannot be read.
    """
    from robokit_plan.edge.files import read_text

    return read_text(path, path.name) if os.path.lexists(path) else None


def rooted_findings(file: Path, profile: str | None, *, prefix: str) -> tuple[Finding, ...]:
    """
    Return what can be said about the robot in *file* without any index, as seen from here.

    Args:
        file: A robot file that parses.
        profile: One of its profiles, or None.
        prefix: The way from here to the robot's folder, as `lint` names files.

    Raises:
        UnreadableFile: A file of an enabled plugin cannot be read, or the board is not known.
    """
    from robokit_plan.planner import findings_without_indices

    session = open_session(file, profile=profile, locked=False, lint=False)
    return tuple(
        replace(
            one,
            places=tuple(
                replace(place, origin=replace(place.origin, file=f"{prefix}{place.origin.file}"))
                for place in one.places
            ),
        )
        for one in findings_without_indices(session.problem)
    )
