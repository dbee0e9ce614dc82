"""pip as the judge of an install set: what it chooses, and whether it accepts what we chose."""

from __future__ import annotations

import json
import random
import subprocess
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self, cast

from packaging.markers import default_environment
from packaging.tags import sys_tags
from packaging.utils import InvalidWheelFilename, parse_wheel_filename
from packaging.version import Version

from robokit_plan.edge.python_index import PythonIndexes
from robokit_plan.model import Finding, Severity, Snapshot, Target
from robokit_plan.resolve.python import PythonAnswer, resolve_python
from tests import plain_yaml

from .fake_python_index import BARE_FACTS, name, problem, versions

SETS: Mapping[str, Any] = plain_yaml.load(
    (Path(__file__).parents[2] / "cases" / "pip" / "sets.yaml").read_text("utf-8")
)
LOOP = Path(__file__).with_name("pip_loop.py")
NEEDS_BUILD = "needs --build-metadata"
GIVEN_UP = "given up after"
"""What pip_loop.py says where pip took too long."""
_NOTHING_FITS = (
    "ResolutionImpossible",
    "No matching distribution found",
    "requires a different Python",
    "conflicting dependencies",
)
"""What pip says where the requirements cannot be met (pip 23 to 26)."""


def host_target() -> Target:
    """Return the machine that runs the tests, as a target."""
    markers = {key: str(value) for key, value in default_environment().items()}
    return Target(
        release="host",
        image="host",
        architecture=next(
            name
            for name, one in BARE_FACTS.machines.items()
            if one.machine == markers["platform_machine"]
        ),
        python=markers["python_version"],
        tags=tuple(str(tag) for tag in sys_tags()),
        markers=markers,
    )


def drawn(indexes: PythonIndexes, target: Target, seed: int, number: int) -> tuple[str, ...]:
    """Return one to four requirements with bounds drawn from the versions on their pages."""
    draw = random.Random(f"{seed}/{number}")
    return tuple(
        one + _bound(draw, _finals(indexes, target, one))
        for one in sorted(draw.sample(SETS["names"], draw.randint(1, 4)))
    )


def _finals(indexes: PythonIndexes, target: Target, text: str) -> list[str]:
    """Return the newest final versions of *text* that have a wheel for *target*, oldest first."""
    tags = frozenset(target.tags)
    found = set()
    for page in indexes.fetch((name(text),), ()).pages[name(text)]:
        for file in page.files:
            with suppress(InvalidWheelFilename):
                _, version, _, these = parse_wheel_filename(file.filename)
                if not version.is_prerelease and tags & {str(tag) for tag in these}:
                    found.add(version)
    return [str(one) for one in sorted(found)][-40:]


def _bound(draw: random.Random, finals: Sequence[str]) -> str:
    operator = draw.choice(("", "", ">=", "<", "==", "<="))
    return operator + draw.choice(finals) if operator and finals else ""


def ours(indexes: PythonIndexes, target: Target, asked: Iterable[str]) -> PythonAnswer:
    """Return our answer without facts: pip knows none either."""
    question = problem(*asked, target=target, facts=BARE_FACTS)
    snapshot = Snapshot()
    while True:
        got = resolve_python(question, snapshot)
        if isinstance(got, PythonAnswer):
            return got
        learned = indexes.fetch(got.pages, got.metadata)
        snapshot = replace(
            snapshot,
            pages={**snapshot.pages, **learned.pages},
            metadata={**snapshot.metadata, **learned.metadata},
        )


def errors(answer: PythonAnswer) -> list[Finding]:
    """Return what is an error in *answer*."""
    return [one for one in answer.findings if one.severity is Severity.ERROR]


class Pip:
    """One process of ``pip_loop.py``; `options` stand before the requirements of each question."""

    def __init__(self, command: Sequence[str], environ: Mapping[str, str], *options: str) -> None:
        self._options = options
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=dict(environ)
        )

    def ask(self, asked: Iterable[str]) -> dict[str, str] | str:
        """Return what pip would install for *asked*, by name; its last words where it fails."""
        to, back = cast("IO[str]", self._process.stdin), cast("IO[str]", self._process.stdout)
        to.write(json.dumps([*self._options, *asked]) + "\n")
        to.flush()
        said = json.loads(back.readline())
        return cast("dict[str, str] | str", said.get("chosen", said.get("error")))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        cast("IO[str]", self._process.stdin).close()
        self._process.wait(30)
        cast("IO[str]", self._process.stdout).close()


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What came of one set; `wrong`: we are."""

    asked: tuple[str, ...]
    kind: str
    detail: str = ""
    wrong: bool = False

    def __str__(self) -> str:
        return f"{self.kind}: {' '.join(self.asked)}" + (f"   {self.detail}" if self.detail else "")


def judged(indexes: PythonIndexes, target: Target, pip: Pip, asked: tuple[str, ...]) -> Verdict:
    """
    Compare our answer with that of *pip*, which plans for *target*.

    Where versions differ, each side has to accept what the other chose, and pip's must not be
    newer throughout. Where pip refuses, so must we, with a reason, and the other way round.
    """
    answer = ours(indexes, target, asked)
    refused = errors(answer)
    rules = {one.rule for one in refused}
    mine, theirs = versions(answer), pip.ask(asked)

    def verdict(kind: str, detail: str = "", *, wrong: bool = False) -> Verdict:
        return Verdict(asked=asked, kind=kind, detail=detail, wrong=wrong)

    if isinstance(theirs, str):
        last = " / ".join(line for line in theirs.splitlines() if line.startswith("ERROR:"))[:500]
        nothing_fits = any(words in theirs for words in _NOTHING_FITS)
        if refused:
            detail = f"{refused[0].rule}: {refused[0].message}"
            if theirs.startswith(GIVEN_UP):
                return verdict("we refuse, pip gave up", detail)
            if nothing_fits and rules - {"metadata-unknown"}:
                return verdict("neither finds any", detail)
            if rules <= {"metadata-unknown"}:
                return verdict("only a source archive, unread", detail)
            return verdict("pip failed for another reason", f"{detail} / {last}", wrong=True)
        if any(not pin.is_wheel for pin in answer.pins):
            return verdict("pip was to take wheels alone, or cannot build", last)
        if pip.ask([*asked, *_pinned(mine)]) == mine:
            return verdict("pip gave up, and accepts ours", last)
        return verdict("pip refuses", f"{last}; ours {mine}", wrong=True)
    if refused:
        detail = f"{refused[0].rule}: {refused[0].message}; pip {theirs}"
        if rules <= {"metadata-unknown"}:
            same = mine.items() <= theirs.items()
            return verdict("the same, as far as files tell" if same else NEEDS_BUILD, detail)
        return verdict("pip finds one", detail, wrong=True)
    if mine == theirs:
        return verdict("identical")
    both = sorted(mine.keys() & theirs.keys())
    newer = [one for one in both if Version(mine[one]) > Version(theirs[one])]
    older = [one for one in both if Version(mine[one]) < Version(theirs[one])]
    lone = sorted(mine.keys() ^ theirs.keys())
    detail = ", ".join(
        f"{one} {mine.get(one, 'none')} (pip {theirs.get(one, 'none')})"
        for one in sorted({*newer, *older, *lone})
    )
    again = pip.ask([*asked, *_pinned(mine)])
    if again != mine:
        return verdict("pip does not accept ours", f"{detail}; {again}", wrong=True)
    if errors(ours(indexes, target, [*asked, *_pinned(theirs)])):
        return verdict("we do not accept pip's", detail, wrong=True)
    if older and not newer:
        return verdict("pip's is newer throughout", detail, wrong=True)
    if newer and not older:
        return verdict("ours is newer throughout", detail)
    return verdict("both valid, neither newer throughout", detail)


def _pinned(chosen: Mapping[str, str]) -> list[str]:
    return [f"{one}=={version}" for one, version in sorted(chosen.items())]
