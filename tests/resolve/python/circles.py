"""
Small indices in which extras, projects and both ask for each other in circles, and their judge.

Drawn by a seed: extras that name each other (`all` names `dev`, `dev` names `all`), projects whose
extras do, releases that ask for an extra of their own under a marker or with a bound, bounds narrow
enough that about half of all sets cannot be had.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from random import Random
from re import fullmatch, search
from time import process_time
from typing import Any

from packaging.requirements import Requirement

from robokit_plan.model import PythonPin, Severity
from robokit_plan.render import render_findings_text
from robokit_plan.resolve.python import PythonAnswer

from .fake_python_index import TRIXIE, FakeIndex, Rel, answer_of, ask, problem
from .judge import Judge

_EXTRAS = ("all", "dev", "docs", "test")
_MARKERS = (
    "python_version > '3'",
    "platform_machine == 'aarch64'",
    "platform_machine == 'x86_64'",
    "python_version < '3.12'",
)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """Rows, and what is asked of them, a plugin a line."""

    rows: Mapping[str, Mapping[str, Rel]]
    asked: tuple[str, ...]


def drawn(seed: int) -> Drawn:
    """Return the index of *seed*."""
    chance = Random(seed)
    large = chance.random() < 0.1
    names = [f"p{number}" for number in range(chance.randint(1, 25 if large else 7))]
    most = chance.randint(1, 10 if large else 4)
    narrow = chance.random()

    def bound(width: int = most) -> str:
        if chance.random() > narrow:
            return ""
        low = chance.randint(1, width)
        sign = chance.choice(("==", ">=", "<=", "!=", "<", ">"))
        return f"{sign}{low}"

    def extras() -> str:
        few = sorted(chance.sample(_EXTRAS, chance.choice((0, 1, 1, 2))))
        return f"[{','.join(few)}]" if few else ""

    def line(owner: str) -> str:
        # Every third asks for something of its own.
        name = owner if chance.random() < 0.35 else chance.choice(names)
        wanted = extras()
        if name == owner and not wanted:
            wanted = f"[{chance.choice(_EXTRAS)}]"
        parts = []
        if chance.random() < 0.75:
            one, other = chance.sample(_EXTRAS, 2)
            part = f"extra == '{one}'"
            parts.append(f"({part} or extra == '{other}')" if chance.random() < 0.2 else part)
        if chance.random() < 0.3:
            parts.append(chance.choice(_MARKERS))
        # A bound of a release on itself mostly lets it in, as real ones do.
        limit = bound() if name != owner or chance.random() < 0.3 else ""
        return f"{name}{wanted}{limit}" + (f"; {' and '.join(parts)}" if parts else "")

    rows = {
        name: {
            str(version): Rel(
                requires=tuple(line(name) for _ in range(chance.randint(0, 5))), extras=_EXTRAS
            )
            for version in range(1, chance.randint(1, most) + 1)
        }
        for name in names
    }
    if chance.random() < 0.7:  # a clash that stands behind all circles
        rows["end"] = {"1": Rel(), "2": Rel()}
        for name in chance.sample(names, chance.randint(1, len(names))):
            for version, release in rows[name].items():
                more = f"end{chance.choice(('<2', '>=2', ''))}; extra == '{chance.choice(_EXTRAS)}'"
                rows[name][version] = Rel(
                    requires=(*(release.requires or ()), more), extras=_EXTRAS
                )
    asked = [f"{chance.choice(names)}{extras()}{bound()}" for _ in range(chance.randint(1, 4))]
    if "end" in rows and chance.random() < 0.5:
        asked.append(f"end{chance.choice(('<2', '>=2'))}")
    return Drawn(rows=rows, asked=tuple(dict.fromkeys(asked)))


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What came of one: `wrong` says in words what is, () where nothing is."""

    seconds: float
    solvable: bool
    repairs: int
    wrong: tuple[str, ...]


def judged(seed: int) -> Judged:
    """Return the answer to the index of *seed*, findings rendered, against CP-SAT."""
    index = drawn(seed)
    lines = [ask(text, f"i{place}", place + 1) for place, text in enumerate(index.asked)]
    question = problem(*lines)
    rows = FakeIndex().add(index.rows)
    start = process_time()
    answer = answer_of(question, rows)
    render_findings_text(answer.findings)
    seconds = process_time() - start
    judge = _judge(index.rows)
    solvable = judge.holds(index.asked)
    errors = [one for one in answer.findings if one.severity is Severity.ERROR]
    wrong: list[str] = []
    if solvable != (not errors):
        wrong.append(f"solvable is {solvable}, and we say {[one.message for one in errors]}")
    repairs = 0
    for one in errors:
        named = sorted({index.asked[place.origin.line - 1] for place in one.places})
        if judge.holds(named):
            wrong.append(f"{named} can be met, and we say {one.message}")
        wrong += [
            f"{named} cannot be met without {text} either, and {one.message} names it"
            for text in named
            if not judge.holds(other for other in named if other != text)
        ]
        for repair in one.repair:
            mended = _mended(repair, named, index.asked)
            if mended is not None:
                repairs += 1
                if not judge.holds(mended):
                    wrong.append(f"{repair} does not mend {named}")
    left = [text for text in index.asked if _is_kept(text, index.asked, answer)]
    wrong += _unfit(index.rows, left, answer.pins) if solvable else []
    return Judged(seconds=seconds, solvable=solvable, repairs=repairs, wrong=tuple(wrong))


def _is_kept(text: str, asked: Sequence[str], answer: PythonAnswer) -> bool:
    """Whether nothing was said against *text*."""
    return not any(
        asked[place.origin.line - 1] == text
        for one in answer.findings
        if one.severity is Severity.ERROR
        for place in one.places
    )


def _mended(repair: str, named: Iterable[str], asked: Sequence[str]) -> list[str] | None:
    """Return *named* after *repair*; None where it is not one that a test can apply."""
    if (found := fullmatch(r"robokit-plan disable (.*)", repair)) is not None:
        gone = {asked[int(one[1:])] for one in found[1].split()}
        return [text for text in named if text not in gone]
    found = search(r'requires: \["([^"]+)"\]\}   in the manifest of i(\d+)\b', repair)
    if found is None:
        return None
    return [found[1] if text == asked[int(found[2])] else text for text in named]


def _judge(rows: Mapping[str, Mapping[str, Rel]]) -> Judge:
    return Judge(
        {
            name: [
                {"file": f"{name}-{version}-py3-none-any.whl", "requires": release.requires}
                for version, release in releases.items()
            ]
            for name, releases in rows.items()
        },
        TRIXIE,
    )


def _unfit(
    rows: Mapping[str, Mapping[str, Rel]], asked: Iterable[str], pins: Iterable[PythonPin]
) -> list[str]:
    """Return what *pins* lack of *asked* and of what they ask in turn, and what nothing asks for."""
    versions = {str(pin.name): pin.version for pin in pins}
    environment: dict[str, Any] = dict(TRIXIE.markers)
    wrong = []
    seen: set[tuple[str, str]] = set()
    left = [Requirement(text) for text in asked]
    while left:
        one = left.pop()
        if one.name not in versions or versions[one.name] not in one.specifier:
            wrong.append(f"{one} is not met by {versions}")
            continue
        for extra in {"", *one.extras}:
            if (one.name, extra) in seen:
                continue
            seen.add((one.name, extra))
            for text in rows[one.name][versions[one.name]].requires or ():
                line = Requirement(text)
                if line.marker is None or line.marker.evaluate({**environment, "extra": extra}):
                    left.append(line)
    more = set(versions) - {name for name, _ in seen}
    return wrong + ([f"nothing asks for {more}"] if more else [])
