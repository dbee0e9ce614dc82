"""Which functions call themselves, and why that ends within Python's own limit of some 1,000 calls."""

from __future__ import annotations

import ast
import io
import os
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.cli._app import run
from robokit_plan.model import DistributionName, InstanceName
from robokit_plan.render._report_plugins import tree
from tests.render.plans import HERON
from tests.resolve.debian.small_archive import answer_of, archive_of, problem_of

PACKAGE = Path(__file__).parent.parent / "robokit_plan"

_TREE = "the tree of a YAML file nests no deeper than `formats.tree.MAX_DEPTH`"
_TOML = "what tomllib has read, which gives up long before"
_VALUE = "our own classes within each other, as their fields are declared"
BOUNDED: Mapping[str, str] = {
    "edge._debian_rows.RowReader._read_rows": "twice: providers themselves are asked for no other",
    "edge._git_folder._elsewhere": "one folder upward each time, of a path that the system resolved",
    "edge._git_folder.find_git_folder": "as `_elsewhere`, which ends at the first that is a folder",
    "edge.code._files": "down to `MAX_DEPTH` folders",
    "edge.inputs._includes": "folders of apt's own settings, which this machine's root wrote",
    "edge.kept_values._made": _VALUE + "; damaged text is JSON, which gives up itself",
    "edge.kept_values._plain": _VALUE,
    "edge.lint_targets._below": "down to `MAX_DEPTH` folders",
    "formats.scalars._number": "once: underscores are gone by then",
    "formats.scalars.plain_value": "as `_number`",
    "formats.schema_findings._is_other_kind": "alternatives within alternatives of our own schemas",
    "formats.schema_findings._opened": "alternatives within alternatives of our own schemas",
    "formats.schema_findings.shown_value": _TREE,
    "formats.toml._Scan._inside": _TOML,
    "formats.toml._Scan._pair": _TOML,
    "formats.toml._Scan._value": _TOML,
    "formats.toml.document": "tables of the lock file, as its codec states them",
    "formats.toml.inline": "tables of the lock file, as its codec states them",
    "formats.toml.value": "tables of the lock file, as its codec states them",
    "formats.written.extent": _TREE,
    "hardware.assign._conflicts.irreducible.split": "halves: as deep as the logarithm of their number",
    "hardware.assign._judged.Judged._greedy.grow": "halves, as in `_conflicts`",
    "hardware.boot._config._lines": "none includes itself, and at most `edge.boot_files._MOST` are",
    "hardware.chips._timers._fit": "one a pin of a chip",
    "hardware.electrical.power._Rails._supply": "one a supply, of which a robot has at most 100",
    "render._report_html.join": "Html within Html, one step: parts are joined when they are made",
    "render._report_plugins._branch": "down to `_DEEPEST` lists",
    "resolve.debian._greedy.Greedy._keep_only_solution": "as `_mark`",
    "resolve.debian._greedy.Greedy._mark": "down to `_DEPTH` packages; the search goes on from there",
    "resolve.debian._greedy.Greedy._satisfy": "as `_mark`",
    "resolve.python._choosing.Choosing._name": "once: a name without extra asks for no other",
    "resolve.python._units.least_conflict.explain": "halves, as in `_conflicts`",
    "suggestions._alike._face": _VALUE,
    "suggestions._alike._texts": _VALUE,
    "suggestions._largest.Rules._within": "one a plugin left out, within an effort of a few thousand",
    "suggestions._together._Search._irreducible.split": "halves, as in `_conflicts`",
}
"""Function that calls itself -> why its depth has a bound that no file of a stranger moves."""


def _called(function: ast.AST) -> Iterator[tuple[str, bool]]:
    """Yield each name that *function* calls, and whether as a method of its own object."""
    for node in ast.walk(function):
        # What is handed on is called by whom it is handed to: map(self._name, ...).
        if isinstance(node, ast.Name):
            yield node.id, False
        elif (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id in {"self", "cls"}
        ):
            yield node.attr, True


def _functions(tree: ast.Module) -> dict[str, tuple[str, str | None, ast.AST]]:
    """Return dotted name -> own name, class that it is a method of, the function."""
    found: dict[str, tuple[str, str | None, ast.AST]] = {}

    def visit(node: ast.AST, prefix: str, owner: str | None) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                found[f"{prefix}{child.name}"] = (child.name, owner, child)
                visit(child, f"{prefix}{child.name}.", None)
            elif isinstance(child, ast.ClassDef):
                visit(child, f"{prefix}{child.name}.", f"{prefix}{child.name}")
            else:
                visit(child, prefix, owner)

    visit(tree, "", None)
    return found


def recursive(path: Path) -> list[str]:
    """Return the functions of a module that call themselves, directly or by way of each other."""
    functions = _functions(ast.parse(path.read_text("utf-8")))
    calls: dict[str, set[str]] = {}
    for name, (_, owner, node) in functions.items():
        called = set(_called(node))
        calls[name] = {
            other
            for other, (own, their, _) in functions.items()
            if ((own, True) in called and their is not None and their == owner)
            or ((own, False) in called and their is None and _sees(name, other))
        }
    return [name for name in calls if _reaches(name, name, calls)]


def _sees(name: str, other: str) -> bool:
    """Whether *name* stands where *other*, a plain function, can be called by its own name."""
    return name.startswith(other.rpartition(".")[0])


def _reaches(start: str, goal: str, calls: Mapping[str, set[str]]) -> bool:
    seen: set[str] = set()
    left = list(calls[start])
    while left:
        name = left.pop()
        if name == goal:
            return True
        if name not in seen:
            seen.add(name)
            left += calls[name]
    return False


def test_every_function_that_calls_itself_is_bounded() -> None:
    found = {
        f"{path.relative_to(PACKAGE).with_suffix('').as_posix().replace('/', '.')}.{name}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for name in recursive(path)
    }
    assert found == set(BOUNDED)


def test_the_search_sees_both_kinds(tmp_path: Path) -> None:
    file = tmp_path / "some.py"
    file.write_text(
        "def plain(n):\n    return plain(n - 1)\n"
        "def one(n):\n    return two(n)\n"
        "def two(n):\n    return [one(m) for m in n]\n"
        "def outer(n):\n    def inner(m):\n        return inner(m)\n    return inner(n)\n"
        "class C:\n    def m(self):\n        return map(self.m, ())\n    def n(self):\n        return self.m()\n"
        "    def close(self):\n        self.other.close()\n"
    )
    assert recursive(file) == ["plain", "one", "two", "outer.inner", "C.m"]


@pytest.mark.parametrize("last", ["Section: misc", "Depends: absent", "Conflicts: p00000"])
def test_a_chain_of_three_thousand_packages(last: str) -> None:
    """Installable, broken at its end, in its own way: each is answered and told."""
    count = 3_000
    text = "\n\n".join(
        f"Package: p{at:05}\nVersion: 1\n" + (f"Depends: p{at + 1:05}" if at < count - 1 else last)
        for at in range(count)
    )
    answer = answer_of(problem_of(["p00000"]), archive_of(text))
    assert len(answer.pins) == (count if last.startswith("Section") else 0)
    assert [one.rule for one in answer.findings] == ([] if answer.pins else ["debian-conflict"])


def test_a_chain_of_distributions_in_the_report() -> None:
    """Lists within lists end somewhere; the table below has all of them."""
    first = HERON.python[0]
    names = [DistributionName(f"p{at:05}") for at in range(3_000)]
    pins = tuple(
        replace(
            first,
            name=name,
            requires=tuple(names[at + 1 : at + 2]),
            wanted_by=(InstanceName("compass"),),
            direct=at == 0,
        )
        for at, name in enumerate(names)
    )
    page = tree(replace(HERON, python=pins, modules={}), {})
    assert "what it needs stands in the table" in str(page)


def test_folders_within_folders(tmp_path: Path) -> None:
    """A stranger's plugin, as deep as the system has names for: 2,000 folders of one letter."""
    plugin = tmp_path / "plugins" / "vane"
    plugin.mkdir(parents=True)
    (plugin / "manifest.yaml").write_text(
        'format: 1\nplugin: vane\nversion: "1"\nsummary: s\n', "utf-8"
    )
    (tmp_path / "robot.yaml").write_text(
        'format: 1\nrobot: gull\nboard: "raspberrypi,4-model-b"\nenabled: [vane]\n', "utf-8"
    )
    with chdir(plugin):
        for _ in range(1_500):
            os.mkdir("d")  # noqa: PTH102  relative: the whole path is too long for one call
            os.chdir("d")
        Path("x.py").write_text("", "utf-8")
    try:
        for _ in range(2):
            with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
                assert run(["lint", str(tmp_path)]) == 0
    finally:
        subprocess.run(["rm", "-rf", str(plugin)], check=True)


def test_supplies_that_feed_each_other(tmp_path: Path) -> None:
    """As many as there may be, in a ring, and each feeding all behind it."""
    ring = {f"s{at}": [f"s{(at + 1) % 100}"] for at in range(100)}
    fan = {f"s{at}": [f"s{one}" for one in range(at + 1, 100)] for at in range(100)}
    for feeds, status in ((ring, 1), (fan, 0)):
        supplies = "".join(
            f"  {name}: {{volts: 5, max-ma: 100, feeds: [{', '.join(to)}]}}\n"
            for name, to in feeds.items()
        )
        (tmp_path / "robot.yaml").write_text(
            'format: 1\nrobot: gull\nboard: "raspberrypi,4-model-b"\nenabled: []\n'
            f"supplies:\n{supplies}",
            "utf-8",
        )
        said = io.StringIO()
        with redirect_stdout(said), redirect_stderr(io.StringIO()):
            assert run(["lint", str(tmp_path)]) == status
        assert said.getvalue().count("supply-loop") == status
