"""A plugin's Python files, read as text: they come from strangers and are never run."""

from __future__ import annotations

import ast
import os
import warnings
from collections.abc import Callable, Iterator, Sequence
from operator import attrgetter
from pathlib import Path

from robokit_plan.formats.comments import python_comments
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import (
    LineComment,
    Origin,
    PluginCode,
    Text,
    dataclass,
    field,
    may_hold_secret,
)

from .files import is_inside, read_text

MAX_FILES = 400
MAX_DEPTH = 8
_SKIPPED = frozenset({"__pycache__", "tests", "test", "node_modules", "build", "dist"})
_ABSENCE = frozenset({"ImportError", "ModuleNotFoundError", "Exception"})


Scan = Callable[[str], Sequence[os.DirEntry[str]]]


def scanned(folder: str) -> Sequence[os.DirEntry[str]]:
    """
    Return what is in *folder*, by name.

    Raises:
        OSError: It cannot be looked into.
    """
    with os.scandir(folder) as found:
        return sorted(found, key=attrgetter("name"))


def read_code(folder: Path, name: str, *, scan: Scan = scanned) -> PluginCode:
    """
    Return what the Python files below *folder*, called *name* in messages, import and define.

    Links out of *folder* are not followed. *scan* looks into folders, as `scanned` does.
    """
    shelf = _Shelf()
    top = str(folder)
    before = "" if name == "." else f"{name}/"
    for below in _files(top, "", 0, scan):
        if shelf.files >= MAX_FILES:
            shelf.complete = False
            break
        shelf.files += 1
        module = below.removesuffix(".py").replace("/", ".").removesuffix(".__init__")
        _read(f"{top}/{below}", f"{before}{below}", module, shelf)
    return PluginCode(
        imports=tuple(sorted(shelf.imports.values(), key=lambda one: one.text)),
        guarded=tuple(
            sorted(
                (one for name, one in shelf.guarded.items() if name not in shelf.imports),
                key=lambda one: one.text,
            )
        ),
        modules=dict(sorted(shelf.modules.items())),
        unread=tuple(sorted(shelf.unread)),
        comments=tuple(shelf.comments),
        doubtful=tuple(shelf.doubtful),
        complete=shelf.complete,
    )


@dataclass(slots=True)
class _Shelf:
    files: int = 0
    complete: bool = True
    imports: dict[str, Text] = field(default_factory=dict)
    guarded: dict[str, Text] = field(default_factory=dict)
    modules: dict[str, tuple[str, ...]] = field(default_factory=dict)
    unread: list[tuple[Origin, str]] = field(default_factory=list)
    comments: list[LineComment] = field(default_factory=list)
    doubtful: list[tuple[str, str]] = field(default_factory=list)


def _files(top: str, below: str, depth: int, scan: Scan) -> Iterator[str]:
    """Yield the Python files below *top*, as they are called from there; *below* ends with /."""
    try:
        entries = scan(f"{top}/{below}".removesuffix("/"))
    except OSError:
        return
    for entry in entries:
        name = entry.name
        if name.startswith((".", "test_")) or name in _SKIPPED:
            continue
        linked = entry.is_symlink()
        if linked and not is_inside(Path(top), Path(entry.path)):
            continue
        if entry.is_dir():
            if depth < MAX_DEPTH and not linked:
                yield from _files(top, f"{below}{name}/", depth + 1, scan)
        elif name.endswith(".py") and name != "conftest.py":
            yield f"{below}{name}"


def _read(path: str, name: str, module: str, shelf: _Shelf) -> None:
    try:
        text = read_text(path, name)
        if not text:
            shelf.modules[module] = ()
            return
        if may_hold_secret(text):
            shelf.doubtful.append((name, text))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            tree = ast.parse(text, filename=name)
        _note(tree, name, module, shelf)
        shelf.comments += python_comments(text, name)
    except UnreadableFile as error:
        shelf.modules[module] = ()
        shelf.unread.append((error.place, str(error)))
    except SyntaxError as error:
        shelf.modules[module] = ()
        place = Origin(file=name, line=error.lineno or 0, column=max(error.offset or 1, 1))
        shelf.unread.append((place if error.lineno else Origin(file=name), error.msg))
    except (ValueError, RecursionError, MemoryError):
        # Nests deeper than the parser bears, or holds what no source may hold.
        shelf.modules[module] = ()
        shelf.unread.append((Origin(file=name), "it nests too deeply"))


def _note(tree: ast.Module, name: str, module: str, shelf: _Shelf) -> None:
    shelf.modules[module] = tuple(sorted(_bound(tree.body)))
    for node, guarded in _imports(tree):
        names = (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
        )
        place = Origin(file=name, line=node.lineno, column=node.col_offset + 1)
        for full in names:
            word = full.partition(".")[0]
            shelf_part = shelf.guarded if guarded else shelf.imports
            shelf_part.setdefault(word, Text(text=word, origin=place))


def _imports(tree: ast.Module) -> Iterator[tuple[ast.Import | ast.ImportFrom, bool]]:
    """Yield absolute imports, and whether their absence is provided for."""
    # A stack of our own: generated code may nest deeper than Python recurses.
    stack: list[tuple[ast.AST, bool]] = [(tree, False)]
    while stack:
        node, guarded = stack.pop()
        if isinstance(node, ast.Import) or (isinstance(node, ast.ImportFrom) and not node.level):
            yield node, guarded
            continue
        if isinstance(node, ast.Try):
            inner = guarded or any(_catches_absence(one) for one in node.handlers)
            stack.extend((one, inner) for one in reversed(node.body))
            rest = [*node.handlers, *node.orelse, *node.finalbody]
            stack.extend((one, guarded) for one in reversed(rest))
            continue
        if isinstance(node, ast.If) and _is_type_checking(node.test):
            stack.extend((one, True) for one in reversed(node.body))
            stack.extend((one, guarded) for one in reversed(node.orelse))
            continue
        stack.extend((one, guarded) for one in reversed(_inside(node)))


_BLOCKS = ("body", "cases", "handlers", "orelse", "finalbody")
"""Where statements hold statements, in Python's order; expressions hold none."""


def _inside(node: ast.AST) -> list[ast.AST]:
    """Return the statements, and the parts that hold some, right below *node*."""
    return [one for name in _BLOCKS for one in getattr(node, name, ())]


def _catches_absence(handler: ast.ExceptHandler) -> bool:
    if handler.type is None:
        return True
    kinds = handler.type.elts if isinstance(handler.type, ast.Tuple) else [handler.type]
    return any(isinstance(kind, ast.Name) and kind.id in _ABSENCE for kind in kinds)


def _is_type_checking(test: ast.expr) -> bool:
    name = test.attr if isinstance(test, ast.Attribute) else getattr(test, "id", "")
    return name == "TYPE_CHECKING"


def _bound(body: list[ast.stmt]) -> set[str]:
    """Return the names that a module binds at its top, in branches of `if` and `try` too."""
    names: set[str] = set()
    stack: list[ast.stmt] = list(body)
    while stack:
        node = stack.pop()
        match node:
            case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
                names.add(node.name)
            case ast.Assign():
                names.update(
                    one.id
                    for target in node.targets
                    for one in ast.walk(target)
                    if isinstance(one, ast.Name)
                )
            case ast.AnnAssign() if isinstance(node.target, ast.Name):
                names.add(node.target.id)
            case ast.Import() | ast.ImportFrom():
                names.update((alias.asname or alias.name.partition(".")[0]) for alias in node.names)
            case ast.If():
                stack.extend([*node.body, *node.orelse])
            case ast.Try():
                handlers = [line for one in node.handlers for line in one.body]
                stack.extend([*node.body, *handlers, *node.orelse, *node.finalbody])
            case _:
                pass
    return names
