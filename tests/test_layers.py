"""Who may import whom (DEVELOPERS.md, layers): the core stays pure because it cannot do else."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "robokit_plan"
ALLOWED = {
    "model": {"model"},
    "resolve": {"model", "resolve"},
    "hardware": {"model", "hardware"},
    "lint": {"model", "lint"},
    "formats": {"model", "formats"},
    "render": {"model", "formats", "render"},
    "edge": {"model", "formats", "edge"},
    "planner": {"model", "hardware", "resolve", "planner"},
    "suggestions": {"model", "hardware", "resolve", "planner", "suggestions"},
}
IMPURE = {
    "asyncio", "datetime.now", "http", "locale", "logging", "multiprocessing", "os",
    "pathlib", "random", "requests", "rich", "shutil", "socket", "sqlite3", "subprocess", "sys",
    "tempfile", "threading", "time", "typer", "urllib.request", "urllib3", "uuid", "yaml",
}  # fmt: skip
"""Modules by which a pure layer could reach a disk, a network, a clock or a terminal."""
TEXT = {"formats": {"yaml"}}
"""Of those, what a layer uses on texts alone."""
PURE = ("model", "formats", "resolve", "hardware", "lint", "render", "planner", "suggestions")


def _modules(layer: str) -> list[Path]:
    folder = PACKAGE / layer
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [PACKAGE / f"{layer}.py"]


def _imports(path: Path) -> Iterator[tuple[str, int]]:
    package = ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts[:-1])
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            for name in node.names:
                yield name.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, base]).rstrip(".")
            yield base, node.lineno


@pytest.mark.parametrize("layer", sorted(ALLOWED))
def test_layer_imports_only_what_is_below(layer: str) -> None:
    """A layer imports the model and itself, nothing beside or above it."""
    wrong = []
    for path in _modules(layer):
        for name, line in _imports(path):
            parts = name.split(".")
            if parts[0] == "robokit_plan" and len(parts) > 1 and parts[1] not in ALLOWED[layer]:
                wrong.append(f"{path.relative_to(PACKAGE)}:{line} imports {name}")
    assert not wrong


@pytest.mark.parametrize("layer", PURE)
def test_pure_layer_has_no_way_out(layer: str) -> None:
    """No pure module imports what reaches a disk, a network, a clock or a terminal."""
    wrong = [
        f"{path.relative_to(PACKAGE)}:{line} imports {name}"
        for path in _modules(layer)
        for name, line in _imports(path)
        if {name, name.split(".")[0]} & (IMPURE - TEXT.get(layer, set()))
    ]
    assert not wrong


def test_only_the_command_line_imports_rich() -> None:
    """Tables and colours stay in cli/."""
    wrong = [
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if path.relative_to(PACKAGE).parts[0] != "cli"
        and any(name.split(".")[0] in {"rich", "typer"} for name, _ in _imports(path))
    ]
    assert not wrong
