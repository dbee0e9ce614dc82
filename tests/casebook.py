"""
Runs one case of tests/cases/findings: files in, findings out, against frozen index rows.

A case file holds a list; each entry has
    name      what is shown, in words
    why       optional: the sentence behind it, or its source
    robot     robot.yaml; absent: a small robot that enables every plugin of the case
    plugins   name -> manifest without its first four lines (format, plugin, version, summary)
    files     further files of the robot's folder: path -> text
    python    project -> list of {file, requires, python, yanked, uploaded, modules, owned, reason, invalid,
              size, index, builds, extras, bytes}; the hash is made of bytes, else of the name
    debian    stanzas of a Packages file; X-Component names another part of the archive than main
    base      names among them that the fresh card carries already
    pip       text of pip's configuration file; its indices and those of the robot file are read
    before    entries that replace those of the case: a lock file is made from them first
    profile   the profile that is planned
    as-of     the day of the plan
    upgrade   names that --upgrade is typed with
    run       ``plan`` (default), ``read`` (reading alone), ``lint`` or ``lock`` (the lock file)
    expect    the findings of the rule that the file is named after, as text; "" where none is
    mended    fix -> what becomes of the case once it is typed, where `typed` cannot find its
              place by itself: [old text, new text], or entries that replace those of the case;
              null: not to be typed alone, with the reason in `why`
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from robokit_plan.app.judged import judged
from robokit_plan.app.planning import at_robot
from robokit_plan.app.session import problem_of
from robokit_plan.edge import facts, machine_facts, python_facts
from robokit_plan.edge._debian_index import fields_of, package_of, stanzas
from robokit_plan.edge._debian_names import read_name_facts
from robokit_plan.edge.lint_targets import read_lint_targets
from robokit_plan.edge.python_index import index_settings
from robokit_plan.edge.read_lock import read_lock
from robokit_plan.edge.reading import Reading, read_robot
from robokit_plan.formats.edits import disabled_text, enabled_text
from robokit_plan.formats.lock import LockError, lock_name_of, render_lock
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import (
    DebianArchive,
    DebianName,
    DebianPackage,
    DebianRow,
    DistributionMetadata,
    DistributionName,
    Finding,
    IndexFile,
    Need,
    Plan,
    ProjectPage,
    Robot,
    Snapshot,
)
from robokit_plan.planner import Problem, resolve
from tests import plain_yaml

FACTS = frozenset(
    {
        "facts_digest",
        "read_board",
        "read_carried_facts",
        "read_controllers",
        "read_electrical",
        "read_i2c",
        "read_link_rules",
        "read_machine_facts",
        "read_parts",
        "read_python_facts",
    }
)
"""Functions that read what does not change; each returns a frozen value."""
CASES = Path(__file__).parent / "cases" / "findings"
Rows = dict[str, list[tuple[IndexFile, DistributionMetadata]]]
ROBOT = """\
format: 1
robot: case
board: "raspberrypi,4-model-b"
enabled: [{names}]
"""
MANIFEST = """\
format: 1
plugin: {name}
version: "1.0"
summary: Plugin {name} of a case
"""


@contextmanager
def kept_facts() -> Iterator[None]:
    """Keep the facts between calls: reading them anew is most of the time of a small robot."""
    with pytest.MonkeyPatch.context() as patch:
        for module in (facts, python_facts, machine_facts):
            for name in FACTS.intersection(vars(module)):
                patch.setattr(module, name, cache(getattr(module, name)))
        yield


def read_cases() -> list[tuple[str, Mapping[str, Any]]]:
    """Return (rule, case) of every case file, in order."""
    return [
        (file.stem, case)
        for file in sorted(CASES.glob("*.yaml"))
        for case in plain_yaml.load(file.read_text("utf-8"))
    ]


def write_case(case: Mapping[str, Any], folder: Path) -> None:
    """Lay the files of *case* out in *folder*."""
    plugins: Mapping[str, str] = case.get("plugins", {})
    robot = case.get("robot") or ROBOT.format(names=", ".join(plugins))
    (folder / "robot.yaml").write_text(robot, "utf-8")
    (folder / "plugins").mkdir(exist_ok=True)
    for name, text in plugins.items():
        inside = folder / "plugins" / name
        inside.mkdir(exist_ok=True)
        head = "" if text.startswith("format:") else MANIFEST.format(name=name)
        (inside / "manifest.yaml").write_text(head + text, "utf-8")
    for path, text in case.get("files", {}).items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, "utf-8")


def findings_of(case: Mapping[str, Any], folder: Path) -> tuple[Finding, ...]:
    """Return every finding about *case*, laid out in *folder*."""
    write_case(case, folder)
    profile = case.get("profile")
    match case.get("run", "plan"):
        case "lint":
            reading_ = read_lint_targets([folder], here=folder)
            return judged(reading_, reading_.targets).findings
        case "lock":
            try:
                read_lock(folder / "pylock.case.toml")
            except LockError as error:
                return (error.finding,)
            return ()
    try:
        reading = read_robot(folder, profile=profile)
    except UnreadableFile as error:
        return error.findings
    if case.get("run") == "read" or reading.robot is None:
        return reading.findings
    if "before" in case:
        _lock(reading, {**case, **case["before"]})
    asked = _index_findings(reading.robot, case, folder) if "pip" in case else ()
    try:
        return (*asked, *plan_of(_problem(reading, case), case).findings)
    except UnreadableFile as error:
        return error.findings


def _problem(reading: Reading, case: Mapping[str, Any]) -> Problem:
    day = case.get("as-of")
    return replace(
        problem_of(
            reading,
            profile=case.get("profile"),
            as_of=None if day is None else date.fromisoformat(str(day)),
            upgrade=frozenset(case["upgrade"]) if "upgrade" in case else None,
        ),
        indexes={"default": "https://index.example/simple"},
    )


def _index_findings(robot: Robot, case: Mapping[str, Any], folder: Path) -> tuple[Finding, ...]:
    """Return what can be said of the indices, as a call of the command line places it."""
    file = folder / "pip.conf"
    file.write_text(case["pip"], "utf-8")
    settings = index_settings(robot.indexes, {}, files=[file])
    return tuple(at_robot(one, robot) for one in settings.findings)


def _lock(reading: Reading, case: Mapping[str, Any]) -> None:
    """Lock what *case* asks for, in the robot's own folder."""
    plan = plan_of(_problem(reading, case), case)
    name = lock_name_of(plan.robot, plan.profile)
    (reading.root / name).write_text(render_lock(plan), "utf-8")


def plan_of(problem: Problem, case: Mapping[str, Any]) -> Plan:
    """Return the plan over the frozen rows of *case*; what they lack does not exist."""
    snapshot = snapshot_of(case)
    rows = rows_of(case)
    for _ in range(200):
        answer = resolve(problem, snapshot)
        if isinstance(answer, Plan):
            return answer
        snapshot = grown(snapshot, answer, rows, case)
    raise AssertionError("no plan after 200 rounds")


def grown(
    snapshot: Snapshot,
    need: Need,
    rows: Rows,
    case: Mapping[str, Any],
) -> Snapshot:
    """Return *snapshot* with the answers of *case* to *need*."""
    metadata = {file.key: meta for pages in rows.values() for file, meta in pages}
    indexes = ["default", *{file.index: None for one in rows.values() for file, _ in one}]
    pages = {
        name: tuple(
            ProjectPage(
                name=name,
                index=index,
                files=tuple(file for file, _ in rows.get(name, ()) if file.index == index),
            )
            for index in dict.fromkeys(indexes)
        )
        for name in need.pages
    }
    known = set(snapshot.debian.rows if snapshot.debian else ()) | set(need.debian)
    return Snapshot(
        pages={**snapshot.pages, **pages},
        metadata={**snapshot.metadata, **{one.key: metadata[one.key] for one in need.metadata}},
        debian=_archive(case, dict.fromkeys(sorted(known))),
        debian_reason=snapshot.debian_reason,
    )


def snapshot_of(case: Mapping[str, Any]) -> Snapshot:
    """Return the empty snapshot that planning of *case* begins with."""
    return Snapshot(debian=_archive(case, {}), debian_reason="the case has no Debian rows")


def rows_of(case: Mapping[str, Any]) -> Rows:
    """Return project -> its files with their metadata."""
    found: Rows = {}
    for name, files in case.get("python", {}).items():
        found[name] = [_row(name, row) for row in files]
    return found


def _row(name: str, row: Mapping[str, Any]) -> tuple[IndexFile, DistributionMetadata]:
    filename = row["file"]
    file = IndexFile(
        filename=filename,
        url=f"https://files.example/{filename}",
        sha256=f"{abs(hash_of(str(row.get('bytes', filename)))):064x}",
        size=row.get("size", 10_000),
        requires_python=row.get("python"),
        yanked=row.get("yanked"),
        upload_time=row.get("uploaded"),
        index=row.get("index", "default"),
    )
    requires = row.get("requires", [])
    version = filename.removesuffix(".tar.gz").split("-")[1]
    builds = row.get("builds")
    return file, DistributionMetadata(
        name=DistributionName(name),
        version=version,
        requires_dist=None if requires is None else tuple(requires),
        requires_python=row.get("python"),
        source="wheel" if filename.endswith(".whl") else "pkg-info",
        reason=row.get("reason", ""),
        invalid=row.get("invalid", False),
        provides_extra=tuple(row.get("extras", ())),
        build_requires=None if builds is None else tuple(builds),
        modules=tuple(row["modules"]) if "modules" in row else None,
        owned=tuple(row["owned"]) if "owned" in row else None,
    )


def hash_of(text: str) -> int:
    """Return a number that stands for the file's hash; the same on every run."""
    from hashlib import sha256

    return int.from_bytes(sha256(text.encode()).digest(), "big")


def _archive(case: Mapping[str, Any], names: Mapping[DebianName, None]) -> DebianArchive | None:
    if "debian" not in case:
        return None
    packages = [
        replace(
            package_of(
                fields_of(stanza)["Package"],
                fields_of(stanza),
                suite="debian-13",
                component=_component(stanza),
            ),
            status=fields_of(stanza).get("Status", ""),
        )
        for stanza in stanzas([case["debian"].encode()])
    ]
    base = set(case.get("base", ()))
    return DebianArchive(
        rows={name: _debian_row(name, packages) for name in names},
        base={one.name: one for one in packages if one.name in base},
        suites=("debian-13",),
        name_facts=read_name_facts(),
    )


def _component(stanza: str) -> str:
    found = re.search(r"(?m)^X-Component: *(\S+)", stanza)
    return found[1] if found else "main"


def _debian_row(name: DebianName, packages: Iterable[DebianPackage]) -> DebianRow:
    packages = tuple(packages)
    return DebianRow(
        name=name,
        packages=tuple(one for one in packages if one.name == name),
        providers=tuple(
            one
            for one in packages
            if name in {part.split("(")[0].strip() for part in one.provides.split(",")}
        ),
    )


# -- typing a repair ----------------------------------------------------------------------------

_PYTHON_KEYS = frozenset({"requires", "requires-python", "modules"})
"""Keys that stand under ``python`` alone, and that repairs name without it."""
_NAME = re.compile(r"\b(?!and\b)[a-z0-9-]+")
_COMMAND = re.compile(r"robokit-plan (enable|disable) ([a-z0-9-]+(?: [a-z0-9-]+)*)\Z")
_ROBOT_KEYS = frozenset(
    [
        "robot",
        "board",
        "system",
        "plugin-paths",
        "enabled",
        "profiles",
        "choose",
        "variant",
        "roles",
        "wiring",
        "indexes",
        "controllers",
        "supplies",
        "ports",
        "measured",
        "program",
    ]
)


def fixes_of(expect: str) -> tuple[str, ...]:
    """Return the repairs that *expect* shows."""
    return tuple(
        line.removeprefix("  fix  ") for line in expect.splitlines() if line.startswith("  fix  ")
    )


def typed(case: Mapping[str, Any], fix: str) -> Mapping[str, Any] | None:
    """
    Return *case* as it is once somebody has typed *fix*; None where that takes more than typing.

    A command edits the robot file. Keys in YAML go where they belong: maps are joined, all else
    takes the place of what stood there. Of several places that are offered the first is taken.
    """
    if fix in case.get("mended", {}):
        entries = case["mended"][fix]
        if entries is None:
            return None
        return _swapped(case, *entries) if isinstance(entries, list) else {**case, **entries}
    robot = case.get("robot") or ROBOT.format(names=", ".join(case.get("plugins", {})))
    if command := _COMMAND.match(fix):
        edit = enabled_text if command[1] == "enable" else disabled_text
        names = command[2].partition(" or ")[0].split()
        return {**case, "robot": edit(robot, names, profile=case.get("profile"))}
    keys = _keys(fix)
    if keys is None:
        return None
    where = r"plugins/([a-z0-9-]+)|the manifest of ([a-z0-9-]+)|the manifests of ([a-z0-9, -]+)"
    names = [
        one for match in re.finditer(where, fix) for one in _NAME.findall("".join(match.groups("")))
    ]
    if names:
        plugins = dict(case["plugins"])
        for name in names:
            if name not in plugins:
                return None
            inside = {"python": keys} if keys.keys() <= _PYTHON_KEYS else keys
            plugins[name] = _joined(plugins[name], inside)
        return {**case, "plugins": plugins}
    if keys.keys() <= _ROBOT_KEYS:
        old = re.search(r"   in place of (\S+)", fix)
        return {**case, "robot": _joined(robot, keys, without=old[1] if old else None)}
    return None


def _swapped(case: Mapping[str, Any], old: str, new: str) -> Mapping[str, Any]:
    """Return *case* with the text *old*, which stands in it once, replaced by *new*."""
    robot = case.get("robot") or ROBOT.format(names=", ".join(case.get("plugins", {})))
    parts = {
        kind: {name: text.replace(old, new) for name, text in case.get(kind, {}).items()}
        for kind in ("plugins", "files")
    }
    texts = [robot, *case.get("plugins", {}).values(), *case.get("files", {}).values()]
    assert sum(text.count(old) for text in texts) == 1, f"{old!r} does not stand there once"
    return {**case, "robot": robot.replace(old, new), **parts}


def _keys(fix: str) -> Mapping[str, Any] | None:
    """Return what *fix* says in YAML, without the words around it."""
    text = re.split(r"   | in plugins/| in the manifest of | in robot\.yaml|\}, or ", fix)[0]
    text += "}" if "}, or " in fix and text.count("{") > text.count("}") else ""
    if "…" in text or "..." in text:
        return None
    try:
        keys = plain_yaml.load(text)
    except yaml.YAMLError:
        return None
    return keys if isinstance(keys, dict) else None


def _joined(text: str, keys: Mapping[str, Any], *, without: str | None = None) -> str:
    """Return the YAML *text* with *keys* put in, in place of *without*."""
    merged = _merged(plain_yaml.load(text) or {}, keys)
    for value in (merged[key] for key in keys if isinstance(merged[key], dict)):
        value.pop(without, None)
    return yaml.safe_dump(merged, sort_keys=False)


def _merged(old: Any, new: Any) -> Any:
    if not isinstance(old, dict) or not isinstance(new, dict):
        return new
    return {**old, **{key: _merged(old.get(key), value) for key, value in new.items()}}
