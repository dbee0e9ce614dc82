"""What `render` offers, though it imports nothing until it is asked."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from robokit_plan import render


def test_every_public_name_is_there() -> None:
    """The list for people, the imports for type checkers and the table for Python agree."""
    tree = ast.parse(Path(render.__file__).read_text("utf-8"))
    imported = {
        (node.module, alias.name)
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.level == 1
        for alias in node.names
    }
    assert imported == {(home, name) for home, names in render._HOMES.items() for name in names}
    assert sorted(render.__all__) == sorted(name for _, name in imported)
    for name in render.__all__:
        assert getattr(render, name) is not None
    assert set(render.__all__) <= set(dir(render))


def test_a_name_that_is_not_there_is_an_error() -> None:
    """As with any module."""
    with pytest.raises(AttributeError, match="nonsense"):
        getattr(render, "nonsense")  # noqa: B009  the name is what is tested


def test_importing_it_imports_no_renderer() -> None:
    """That is what it is for."""
    code = (
        "import sys, robokit_plan.render as r; r.c_controllers\n"
        "print(*sorted(one for one in sys.modules if one.startswith('robokit_plan.render._')))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=600
    )
    assert "_script" not in done.stdout
    assert "_c_header" in done.stdout
