"""
Freeze a conflict of today's indices: ``python -m tests.record_conflict tests/cases/conflicts/NAME.yaml``.

The file gives the case as tests/casebook.py reads it, without rows: plugins, robot, a sentence and
its source. What planning reads of the indices that pip and apt are configured for is written
into it, trimmed to what the explanation rests on: a row, a relation or a requirement goes as long as the
finding still reads the same. The explanation is printed; `expect` is for a person to write.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import yaml
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import (
    InvalidSdistFilename,
    InvalidWheelFilename,
    parse_sdist_filename,
    parse_wheel_filename,
)
from packaging.version import Version

from robokit_plan.app.session import problem_of
from robokit_plan.edge._debian_index import fields_of, package_of
from robokit_plan.edge._debian_names import read_name_facts
from robokit_plan.edge.cache import Cache, cache_file
from robokit_plan.edge.debian_archive import debian_archive
from robokit_plan.edge.python_index import PythonIndexes, index_settings
from robokit_plan.edge.reading import read_robot
from robokit_plan.model import (
    DebianArchive,
    DebianName,
    DebianPackage,
    DebianRow,
    DistributionMetadata,
    DistributionName,
    IndexFile,
    Need,
    Plan,
    ProjectPage,
    Severity,
    Snapshot,
    Target,
)
from robokit_plan.planner import Planner, Problem
from robokit_plan.render import render_findings_text
from robokit_plan.resolve.debian._relation import index_provides
from tests.casebook import grown, kept_facts, plan_of, rows_of, write_case
from tests.resolve.debian.small_archive import Everything, paragraphs

ROWS = ("python", "debian", "base", "recorded")
FIELDS = (
    ("Package", "name"),
    ("Version", "version"),
    ("Architecture", "architecture"),
    ("Multi-Arch", "multi_arch"),
    ("Priority", "priority"),
    ("Pre-Depends", "pre_depends"),
    ("Depends", "depends"),
    ("Conflicts", "conflicts"),
    ("Breaks", "breaks"),
    ("Provides", "provides"),
)
_Item = TypeVar("_Item")
_PLAIN = {"Multi-Arch": "no", "Priority": "optional"}
_KEYS = ("Package", "Version", "Architecture")


def recorded(case: Mapping[str, Any], folder: Path, day: str) -> tuple[dict[str, Any], str]:
    """Return *case* with the rows that planning it reads, trimmed, and the explanation."""
    write_case(case, folder)
    reading = read_robot(folder)
    assert reading.robot is not None, reading.findings
    # As the casebook asks, and with the facts of the tool: what is read is what a user would read.
    problem = replace(
        problem_of(reading, profile=None), indexes={"default": "https://index.example/simple"}
    )
    plan, snapshot = _planned(problem, folder, debian=case.get("only") != "python")
    told = told_in(plan)
    rows: dict[str, Any] = {"recorded": day}
    if snapshot.pages:
        rows["python"] = _python_rows(snapshot, plan.target)
    if snapshot.debian is not None:
        rows["debian"] = _written(
            _stanza(one)
            for name in sorted(snapshot.debian.rows)
            for one in snapshot.debian.rows[name].packages
        )
        rows["base"] = sorted(snapshot.debian.base)
    full = {**case, **rows}
    planner = Planner(problem)
    replayed = told_in(_frozen_plan(planner, full))
    assert replayed == told, f"live:\n{told}\nfrozen:\n{replayed}"
    less = _trimmed(full, lambda less: told_in(_frozen_plan(planner, less)) == told)
    assert told_in(plan_of(problem, less)) == told
    return less, told


def told_in(plan: Plan) -> str:
    """Return the errors of *plan*, as a person reads them."""
    return render_findings_text([one for one in plan.findings if one.severity is Severity.ERROR])


def _frozen_plan(planner: Planner, case: Mapping[str, Any]) -> Plan:
    """Return the plan over the rows of *case*, all of which are given at once."""
    rows = rows_of(case)
    need = Need(
        pages=tuple(map(DistributionName, rows)),
        metadata=tuple(file for found in rows.values() for file, _ in found),
    )
    snapshot = replace(
        grown(Snapshot(debian_reason="the case has no Debian rows"), need, rows, {}),
        debian=_archive(case),
    )
    while True:
        got = planner.resolve(snapshot)
        if isinstance(got, Plan):
            return got
        snapshot = replace(grown(snapshot, got, rows, {}), debian=snapshot.debian)


def _archive(case: Mapping[str, Any]) -> DebianArchive | None:
    if "debian" not in case:
        return None
    packages = [_package(text) for text in case["debian"].strip().split("\n\n") if text]
    by_name: dict[DebianName, list[DebianPackage]] = {}
    providing: dict[DebianName, list[DebianPackage]] = {}
    for one in packages:
        by_name.setdefault(one.name, []).append(one)
        for name, *_ in index_provides(one.provides):
            providing.setdefault(name, []).append(one)
    return DebianArchive(
        rows=Everything(
            {
                name: DebianRow(
                    name=name,
                    packages=tuple(by_name.get(name, ())),
                    providers=tuple(providing.get(name, ())),
                )
                for name in {*by_name, *providing}
            }
        ),
        base={name: by_name[name][0] for name in case["base"] if name in by_name},
        suites=("debian-13",),
        name_facts=read_name_facts(),
    )


@cache
def _package(text: str) -> DebianPackage:
    fields = fields_of(text)
    return package_of(fields["Package"], fields, suite="debian-13", component="main")


def _planned(problem: Problem, folder: Path, *, debian: bool) -> tuple[Plan, Snapshot]:
    """Return the plan over the configured indices, and every row that it has read."""
    robot = problem.robot
    reader = (
        debian_archive(robot.system, root=folder, environ=os.environ) if debian else "not asked"
    )
    snapshot = Snapshot(debian_reason="the case has no Debian rows")
    if not isinstance(reader, str):
        snapshot = replace(snapshot, debian=reader.archive)
    settings = index_settings((), os.environ, files=())
    with PythonIndexes(settings, Cache(cache_file(os.environ))) as indexes:
        planner = Planner(problem)
        while True:
            got = planner.resolve(snapshot)
            if isinstance(got, Plan):
                return got, snapshot
            learned = indexes.fetch(got.pages, got.metadata)
            archive = snapshot.debian
            if got.debian and not isinstance(reader, str):
                archive = reader.read(got.debian)
            snapshot = replace(
                snapshot,
                pages={**snapshot.pages, **learned.pages},
                metadata={**snapshot.metadata, **learned.metadata},
                debian=archive,
            )


# Python rows


def _python_rows(snapshot: Snapshot, target: Target) -> dict[str, list[dict[str, Any]]]:
    return {
        name: [
            _row(file, snapshot.metadata.get(file.key), target)
            for file in _worth_keeping(snapshot.pages[name], target)
        ]
        for name in sorted(snapshot.pages)
    }


def _worth_keeping(pages: Iterable[ProjectPage], target: Target) -> list[IndexFile]:
    """Return what the target can use; of a version of which it can use no wheel, all for a Linux."""
    tags = frozenset(target.tags)
    by_version: dict[Version, list[IndexFile]] = {}
    for page in pages:
        for file in page.files:
            with suppress(InvalidWheelFilename, InvalidSdistFilename):
                by_version.setdefault(_version_and_tags(file)[0], []).append(file)
    kept = []
    for files in by_version.values():
        own = [one for one in files if tags & _version_and_tags(one)[1]]
        kept += own or [one for one in files if "linux" in one.filename]
        kept += [one for one in files if not one.filename.endswith(".whl")]
    return kept


def _version_and_tags(file: IndexFile) -> tuple[Version, frozenset[str]]:
    if not file.filename.endswith(".whl"):
        return parse_sdist_filename(file.filename)[1], frozenset()
    _, version, _, tags = parse_wheel_filename(file.filename)
    return version, frozenset(map(str, tags))


def _row(file: IndexFile, metadata: DistributionMetadata | None, target: Target) -> dict[str, Any]:
    row: dict[str, Any] = {"file": file.filename}
    if metadata is not None:
        lines = metadata.requires_dist
        row["requires"] = None if lines is None else [one for one in lines if _holds(one, target)]
        if metadata.reason:
            row["reason"] = metadata.reason
    if file.requires_python:
        row["python"] = file.requires_python
    if file.yanked is not None:
        row["yanked"] = file.yanked
    if file.upload_time:
        row["uploaded"] = file.upload_time
    return row


def _holds(line: str, target: Target) -> bool:
    marker: Marker | None = Requirement(line).marker
    if marker is None:
        return True
    return "extra" in str(marker) or marker.evaluate(dict(target.markers))


# Debian rows


def _stanza(one: DebianPackage) -> dict[str, str]:
    found = {field: getattr(one, attribute) for field, attribute in FIELDS}
    marks = {"Essential": one.essential, "Protected": one.protected}
    return {field: value for field, value in found.items() if value != _PLAIN.get(field, "")} | {
        field: "yes" for field, value in marks.items() if value
    }


# Trimming


def _trimmed(case: dict[str, Any], same: Callable[[Mapping[str, Any]], bool]) -> dict[str, Any]:
    """Return *case* with as few rows and words in them as keep the finding the same."""
    before = None
    while before != (before := json.dumps(case)):
        if "debian" in case:
            case = _less_debian(case, same)
        if "python" in case:
            case = _less_python(case, same)
    return case


def _less_debian(case: dict[str, Any], same: Callable[[Mapping[str, Any]], bool]) -> dict[str, Any]:
    def with_stanzas(stanzas: Iterable[Mapping[str, str]]) -> dict[str, Any]:
        return {**case, "debian": _written(stanzas)}

    case = {**case, "base": _fewest(case["base"], lambda some: same({**case, "base": some}))}
    stanzas = _fewest(paragraphs(case["debian"]), lambda some: same(with_stanzas(some)))
    for place, stanza in enumerate(stanzas):
        for field in [one for one in stanza if one not in _KEYS]:

            def less(some: list[str], *, place: int = place, field: str = field) -> bool:
                shorter = {**stanzas[place], field: ", ".join(some)}
                return same(with_stanzas([*stanzas[:place], shorter, *stanzas[place + 1 :]]))

            kept = _fewest(stanzas[place][field].split(", "), less)
            stanzas[place] = {**stanzas[place], field: ", ".join(kept)}
    return with_stanzas(stanzas)


def _written(stanzas: Iterable[Mapping[str, str]]) -> str:
    return (
        "\n\n".join(
            "\n".join(f"{field}: {value}" for field, value in stanza.items() if value)
            for stanza in stanzas
        )
        + "\n"
    )


def _less_python(case: dict[str, Any], same: Callable[[Mapping[str, Any]], bool]) -> dict[str, Any]:
    python = dict(case["python"])
    # What was never looked into mostly does not matter.
    read = {name: [row for row in rows if "requires" in row] for name, rows in python.items()}
    if same({**case, "python": read}):
        python = read
    for name in sorted(python):

        def fewer(rows: list[dict[str, Any]], *, name: str = name) -> bool:
            return same({**case, "python": {**python, name: rows}})

        python[name] = _fewest(python[name], fewer)
        for place, row in enumerate(python[name]):

            def changed(new: dict[str, Any], *, name: str = name, place: int = place) -> bool:
                return fewer([*python[name][:place], new, *python[name][place + 1 :]], name=name)

            for key in ("uploaded", "reason", "yanked", "python"):
                shorter = {one: value for one, value in row.items() if one != key}
                if key in row and changed(shorter):
                    row = python[name][place] = shorter  # noqa: PLW2901  the row as it is now
            if row.get("requires"):
                kept = _fewest(
                    row["requires"],
                    lambda some, row=row, changed=changed: changed({**row, "requires": some}),  # type: ignore[misc]
                )
                python[name][place] = {**row, "requires": kept}
    return {**case, "python": {name: rows for name, rows in python.items() if rows}}


def _fewest(items: Sequence[_Item], same: Callable[[list[_Item]], bool]) -> list[_Item]:
    """
    Return a part of *items* that is still the *same*, and of which no single item can go.

    Source:
        A. Zeller, R. Hildebrandt, Simplifying and Isolating Failure-Inducing Input, IEEE
        Transactions on Software Engineering 28 (2002), the complements of algorithm ddmin.
    """
    kept = list(items)
    size = max(1, len(kept))
    while kept:
        place, shorter = 0, False
        while place < len(kept):
            less = kept[:place] + kept[place + size :]
            if same(less):
                kept, shorter = less, True
            else:
                place += size
        if size == 1 and not shorter:
            break
        size = max(1, size // 2)
    return kept


# Writing


def _text(case: Mapping[str, Any], head: str) -> str:
    """Return the file's text: *head* as a person wrote it, then the rows."""
    lines = [head.rstrip("\n")]
    if "recorded" in case:
        lines.append(f"recorded: {_flow(case['recorded'])}")
    if "python" in case:
        lines.append("python:")
        for name, rows in case["python"].items():
            lines.append(f"  {name}:")
            lines += [f"  - {_flow(row)}" for row in rows]
    if "debian" in case:
        lines.append(f"base: {_flow(case['base'])}")
        lines.append("debian: |")
        lines += [f"  {line}".rstrip() for line in case["debian"].rstrip("\n").splitlines()]
    return "\n".join(lines) + "\n"


def _flow(value: object) -> str:
    """Return *value* on one line; JSON is YAML."""
    return json.dumps(value, ensure_ascii=False)


def main(paths: Iterable[str], day: str) -> None:
    """Record the cases in the files *paths*."""
    for path in map(Path, paths):
        text = path.read_text("utf-8")
        head = text.partition("\nrecorded: ")[0].partition("\nexpect: ")[0] + "\n"
        case = {key: value for key, value in yaml.safe_load(head).items() if key not in ROWS}
        expect = yaml.safe_load(text).get("expect", "")
        with tempfile.TemporaryDirectory() as folder, kept_facts():
            found, told = recorded(case, Path(folder), day)
        sys.stdout.write(f"{path}\n{told}\n")
        body = _text(found, head)
        if expect:
            body += "expect: |\n" + "".join(
                f"  {line}".rstrip() + "\n" for line in expect.splitlines()
            )
        path.write_text(body, "utf-8")


if __name__ == "__main__":
    from datetime import UTC, datetime

    main(sys.argv[1:], datetime.now(UTC).date().isoformat())
