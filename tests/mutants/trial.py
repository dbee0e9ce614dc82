"""
Tries changes against the tests that can notice them.

Everything is imported and collected once. A forked run of the tests, traced, says which test runs
which changed line; then each change is made in a fork, by giving the living function the changed
code, and those tests run there, quick and unlike ones first, until one fails. So changes of module level
(tables, fields of dataclasses) are not tried.
"""

from __future__ import annotations

import functools
import gc
import os
import pickle
import resource
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from types import CodeType, FrameType, FunctionType
from typing import Any

import pytest

from tests.casebook import kept_facts
from tests.mutants.changes import Change

SLACK = 5
"""Processor seconds that a test may take beyond three times what it takes when all is well."""
MEMORY = 4 << 30

Reach = dict[int, tuple[float, set[tuple[str, int]]]]
"""Test -> processor seconds that it takes, and the changed lines (file, line) that it runs."""


@dataclass(kw_only=True)
class Trial:
    """A plugin of pytest that runs no tests itself, but changes against tests."""

    changes: Sequence[Change]
    seconds: float
    """Processor seconds of tests, at most, for one change."""
    outcomes: list[tuple[Change, str]] = field(default_factory=list)
    """Change -> what noticed it, or "" where nothing did."""
    tests: int = 0
    _seen: set[int] = field(default_factory=set)
    _passed: bool = True
    _judging: bool = False

    def pytest_configure(self) -> None:
        import hypothesis  # not earlier: pytest rewrites its plugin

        # The same inputs each time, and no search for a smaller one: that it fails is enough.
        phases = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
        hypothesis.settings.register_profile(
            "mutants", derandomize=True, database=None, deadline=None, phases=phases
        )
        hypothesis.settings.load_profile("mutants")

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self.tests = len(session.items)
        with ExitStack() as stack:
            stack.enter_context(kept_facts())
            reach = _forked(lambda: self._reach(session))
            functions = _functions_of({one.code.co_filename for one in self.changes})
            for change in self.changes:
                self._judge(session, change, reach, functions[change.code.co_filename])
        return True

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._passed = self._passed and not report.failed
        if self._judging and report.failed:
            os.write(self._tell, report.nodeid.encode())
            os._exit(1)

    def _judge(
        self,
        session: pytest.Session,
        change: Change,
        reach: Reach,
        functions: dict[str, list[FunctionType]],
    ) -> None:
        wanted = {(change.code.co_filename, line) for line in change.lines}
        able = _varied(
            (cost, number, frozenset(lines))
            for number, (cost, lines) in reach.items()
            if not wanted.isdisjoint(lines)
        )
        chosen: list[int] = []
        spent = 0.0
        for number in able:
            cost = reach[number][0]
            if spent + cost > self.seconds and chosen:
                break
            chosen.append(number)
            spent += cost
        noticed = self._noticed(session, change, chosen, reach, functions) if chosen else ""
        self.outcomes.append((change, noticed))
        mark = f"noticed  {noticed}" if noticed else f"SURVIVED {len(chosen)} of {len(able)} tests"
        sys.stdout.write(
            f"{change.module}:{change.lines.start} {change.function}: {change.text}\n    {mark}\n"
        )
        sys.stdout.flush()

    def _noticed(
        self,
        session: pytest.Session,
        change: Change,
        chosen: Sequence[int],
        reach: Reach,
        functions: dict[str, list[FunctionType]],
    ) -> str:
        reader, self._tell = os.pipe()
        child = os.fork()
        if child == 0:
            _silence()
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
            for function in functions[change.function]:
                function.__code__ = _code_at(change.code, change.function)
            self._judging = True
            for number in chosen:
                limit = 3 * reach[number][0] + SLACK
                signal.setitimer(signal.ITIMER_PROF, limit)  # its signal ends the process
                signal.alarm(int(20 * limit))
                _run(session, session.items[number])
            os._exit(0)
        os.close(self._tell)
        with os.fdopen(reader, "rb") as pipe:
            told = pipe.read().decode()
        _, status = os.waitpid(child, 0)
        return told or ("" if status == 0 else "the limit of time or memory")

    def _reach(self, session: pytest.Session) -> Reach:
        """Return test -> (processor seconds, wanted lines that it runs), of those that pass."""
        wanted: dict[str, set[int]] = {}
        for change in self.changes:
            wanted.setdefault(change.code.co_filename, set()).update(change.lines)
        hits: set[tuple[str, int]] = set()

        def trace(frame: FrameType, event: str, argument: object) -> Any:
            code = frame.f_code
            lines = wanted.get(code.co_filename)
            if lines is None:
                return None
            interesting = _wanted_lines(code, lines)
            if not interesting:
                return None

            def line(frame: FrameType, event: str, argument: object) -> Any:
                if frame.f_lineno in interesting:
                    hits.add((code.co_filename, frame.f_lineno))
                return line

            return line

        caches = _caches()
        reach: Reach = {}
        for number, item in enumerate(session.items):
            hits.clear()
            for one in caches:
                one.cache_clear()  # else a line that ran for an earlier test would not run again
            self._passed = True
            start = time.process_time()
            sys.settrace(trace)
            _run(session, item)
            sys.settrace(None)
            cost = time.process_time() - start
            if self._passed and hits:
                reach[number] = (cost, set(hits))
        return reach


def _varied(tests: Iterable[tuple[float, int, frozenset[tuple[str, int]]]]) -> list[int]:
    """Order tests: first the quickest of each kind, tests being of one kind that run the same lines."""
    order: list[tuple[int, float, int]] = []
    kinds: Counter[frozenset[tuple[str, int]]] = Counter()
    for cost, number, lines in sorted(tests, key=lambda one: one[:2]):
        order.append((kinds[lines], cost, number))
        kinds[lines] += 1
    return [number for _, _, number in sorted(order)]


_interesting: dict[int, tuple[CodeType, frozenset[int]]] = {}


def _wanted_lines(code: CodeType, lines: set[int]) -> frozenset[int]:
    kept = _interesting.get(id(code))
    if kept is None:
        found = frozenset(lines.intersection(line for _, _, line in code.co_lines() if line))
        kept = _interesting[id(code)] = (code, found)
    return kept[1]


def _run(session: pytest.Session, item: pytest.Item) -> None:
    """Run *item* with fixtures of its own, whatever runs after it."""
    session.config.hook.pytest_runtest_protocol(item=item, nextitem=None)


def _forked(work: Any) -> Any:
    """Return what *work* returns in a fork; the process itself stays as it was."""
    reader, writer = os.pipe()
    if os.fork() == 0:
        _silence()
        with os.fdopen(writer, "wb") as pipe:
            pickle.dump(work(), pipe)
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as pipe:
        found = pickle.load(pipe)
    os.wait()
    return found


def _silence() -> None:
    nowhere = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(nowhere, number)


def _functions_of(files: set[str]) -> dict[str, dict[str, list[FunctionType]]]:
    """Return file -> qualified name -> the living functions of that name."""
    found: dict[str, dict[str, list[FunctionType]]] = {file: {} for file in files}
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename in files:
            named = found[one.__code__.co_filename]
            named.setdefault(one.__code__.co_qualname, []).append(one)
    return found


def _caches() -> list[Any]:
    """Return the caches of pure functions; facts that the edge reads stay."""
    return [
        one
        for one in gc.get_objects()
        if isinstance(one, functools._lru_cache_wrapper)
        and one.__module__.startswith("robokit_plan.")
        and not one.__module__.startswith("robokit_plan.edge.")
    ]


def _code_at(module: CodeType, name: str) -> CodeType:
    code = module
    for part in name.split("."):
        code = next(
            one for one in code.co_consts if isinstance(one, CodeType) and one.co_name == part
        )
    return code
