"""Who may import whom (DEVELOPERS.md, layers): the core stays pure because it cannot do else."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from functools import cache
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
ROOMS = {
    "hardware.problem": set(),
    "hardware.typed_claim": set(),
    "hardware.capacity": set(),
    "hardware.boot": {"hardware.problem"},
    "hardware.assign": {"hardware.problem", "hardware.typed_claim", "hardware.boot"},
    "hardware.electrical": {"hardware.problem", "hardware.typed_claim"},
    "hardware.chips": {"hardware.electrical"},
    "hardware.loom": {"hardware.electrical"},
    "hardware.circuits": {"hardware.electrical", "hardware.chips"},
    "resolve.behaviour": set(),
    "resolve.python": set(),
    "resolve.debian": set(),
}
"""Rooms within a layer -> the other rooms of that layer that they may import."""
BELOW_THE_TERMINAL = {
    "app": {
        "app", "edge", "formats", "hardware", "lint", "model", "planner", "render", "resolve",
        "suggestions", "_version",
    },
}  # fmt: skip
"""What knows neither arguments of a process nor a terminal, and what it may import of ours."""
TERMINAL = {
    "argparse", "builtins", "click", "curses", "getpass", "optparse", "readline", "rich", "termios",
    "tty", "typer",
}  # fmt: skip
"""Modules of a command line or a terminal."""
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
    folder = PACKAGE.joinpath(*layer.split("."))
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [folder.with_suffix(".py")]


def _name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _is_in(name: str, room: str) -> bool:
    return name == room or name.startswith(f"{room}.")


def _import_statements(path: Path) -> Iterator[tuple[str, tuple[str, ...], int]]:
    """Yield module, names taken from it, line, for every import in *path*."""
    # Of a package's own file, one dot means the package itself.
    package = path.relative_to(PACKAGE.parent).parts[:-1]
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            for name in node.names:
                yield name.name, (), node.lineno
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else ()
            base = ".".join((*above, *filter(None, [node.module])))
            yield base, tuple(one.name for one in node.names), node.lineno


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def _imports(path: Path) -> Iterator[tuple[str, int]]:
    for name, _, line in _import_statements(path):
        yield name, line


def _graph() -> dict[str, set[str]]:
    """Return module -> modules of ours that it names in an import, wherever that stands."""
    paths = {_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}
    graph: dict[str, set[str]] = {}
    for name, path in paths.items():
        found = {
            whole if (whole := f"{base}.{one}") in paths else base
            for base, names, _ in _import_statements(path)
            for one in names or ("",)
        }
        graph[name] = (found & paths.keys()) - {name}
    return graph


def _circle(graph: Mapping[str, set[str]]) -> str:
    """Return the first circle of *graph*, by way of its modules; empty where there is none."""
    done: set[str] = set()

    def walk(name: str, way: tuple[str, ...]) -> str:
        if name in way:
            return " -> ".join((*way[way.index(name) :], name))
        if name in done:
            return ""
        for other in sorted(graph[name]):
            if found := walk(other, (*way, name)):
                return found
        done.add(name)
        return ""

    return next((found for name in sorted(graph) if (found := walk(name, ()))), "")


@pytest.mark.parametrize("layer", sorted(ALLOWED | BELOW_THE_TERMINAL))
def test_layer_imports_only_what_is_below(layer: str) -> None:
    """A layer imports the model and itself, nothing beside or above it."""
    allowed = (ALLOWED | BELOW_THE_TERMINAL)[layer]
    wrong = []
    for path in _modules(layer):
        for name, line in _imports(path):
            parts = name.split(".")
            if parts[0] == "robokit_plan" and len(parts) > 1 and parts[1] not in allowed:
                wrong.append(f"{path.relative_to(PACKAGE)}:{line} imports {name}")
    assert not wrong


@pytest.mark.parametrize("room", sorted(ROOMS))
def test_room_imports_only_rooms_it_may(room: str) -> None:
    """A room of a layer imports itself and the rooms that the table names."""
    layer = room.partition(".")[0]
    allowed = (room, *ROOMS[room])
    wrong = []
    for path in _modules(room):
        for name, line in _imports(path):
            below = name.removeprefix("robokit_plan.")
            if (
                below != name
                and _is_in(below, layer)
                and not any(_is_in(below, one) for one in allowed)
            ):
                wrong.append(f"{path.relative_to(PACKAGE)}:{line} imports {name}")
    assert not wrong


def test_every_module_of_a_roomed_layer_has_a_room() -> None:
    """Beside rooms stands nothing but the layer's own front door."""
    layers = {room.partition(".")[0] for room in ROOMS}
    roomless = [
        str(path.relative_to(PACKAGE))
        for layer in sorted(layers)
        for path in _modules(layer)
        if path != PACKAGE / layer / "__init__.py"
        and not any(_is_in(_name(path).removeprefix("robokit_plan."), room) for room in ROOMS)
    ]
    assert not roomless


def test_no_import_circle() -> None:
    """No module needs itself by way of others, whether imported at its top or in a function."""
    assert not _circle(_graph())


def test_a_circle_is_named() -> None:
    """The test above can fail, and says by which way."""
    graph = {"a": {"b"}, "b": {"c", "d"}, "c": set(), "d": {"e"}, "e": {"b"}}
    assert _circle(graph) == "b -> d -> e -> b"


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


def _of_a_command_line(tree: ast.Module) -> Iterator[tuple[str, int]]:
    """Yield what a module does that only a command line may, with its line."""
    for node in ast.walk(tree):
        match node:
            case ast.Attribute(
                attr="stdin" | "stdout" | "stderr" | "argv" | "exit" | "_exit",
                value=ast.Name(id="sys" | "os"),
            ):
                yield ast.unparse(node), node.lineno
            case ast.Call(func=ast.Name(id="print" | "input" | "exit" | "quit" as name)):
                yield name, node.lineno
            case ast.Name(id="SystemExit"):
                yield "SystemExit", node.lineno
            case ast.Import(names=names) if any(
                one.name.split(".")[0] in TERMINAL for one in names
            ):
                yield ast.unparse(node), node.lineno
            case ast.ImportFrom(module=str(module), names=names) if module.split(".")[
                0
            ] in TERMINAL or (
                module in {"sys", "os", "shutil"}
                and {"stdout", "stderr", "stdin", "argv", "exit", "get_terminal_size"}
                & {one.name for one in names}
            ):
                yield ast.unparse(node), node.lineno


@pytest.mark.parametrize("layer", sorted(BELOW_THE_TERMINAL))
def test_use_cases_print_nothing_and_never_exit(layer: str) -> None:
    """Whoever calls them, a command, a test or a program, gets values and exceptions."""
    wrong = [
        f"{path.relative_to(PACKAGE)}:{line} has {what}"
        for path in _modules(layer)
        for what, line in _of_a_command_line(_tree(path))
    ]
    assert not wrong


def test_what_is_of_a_command_line_is_noticed() -> None:
    """The test above can fail."""
    bad = [
        "print(1)", "sys.stdout.write(x)", "sys.exit(1)", "raise SystemExit", "import typer",
        "from rich.table import Table", "input()", "sys.argv[1]", "os._exit(1)",
        "from sys import argv",
    ]  # fmt: skip
    good = ["os.environ", "sys.version", "import os", "listener.tell(x)"]
    found = [line for _, line in _of_a_command_line(ast.parse("\n".join([*bad, *good])))]
    assert sorted(set(found)) == list(range(1, len(bad) + 1))


def test_only_the_command_line_imports_rich() -> None:
    """Tables and colours stay in cli/."""
    wrong = [
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if path.relative_to(PACKAGE).parts[0] != "cli"
        and any(name.split(".")[0] in {"rich", "typer"} for name, _ in _imports(path))
    ]
    assert not wrong


READS_OTHERWISE = {
    "edge/ordinary.py": (1, "the one door"),
    "edge/_git_folder.py": (1, "looks at a file once it is open, itself"),
    "edge/revisions.py": (1, "looks at a file once it is open, itself"),
    "edge/built_wheels.py": (1, "looks at a file once it is open, itself"),
    "edge/_build_metadata.py": (1, "a report in a passing folder of ours"),
    "edge/_cached_yaml.py": (1, "data of the package"),
    "edge/facts.py": (1, "data of the package"),
    "edge/names.py": (3, "data of the package"),
    "edge/report_files.py": (2, "data of the package"),
    "edge/rules.py": (1, "data of the package"),
    "edge/schemas.py": (1, "data of the package"),
    "cli/_process.py": (1, "the null device, in place of a closed stream"),
}
"""Modules that open files for reading without `edge.ordinary`: in how many places, and why."""

_BY_NAME = {
    ("tarfile", "open"), ("gzip", "open"), ("bz2", "open"), ("lzma", "open"), ("io", "open"),
    ("shutil", "copyfile"), ("shutil", "copy"), ("shutil", "copy2"), ("shutil", "copytree"),
    ("zipfile", "ZipFile"),
}  # fmt: skip
"""Functions of the standard library that open what they are given the name of."""


def _reads(path: Path) -> Iterator[int]:
    """Yield the lines of a module that open a file for reading by its name."""
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.ImportFrom) and node.module in {"os", "io"}:
            if any(one.name == "open" for one in node.names):
                yield node.lineno
        elif isinstance(node, ast.Call) and _opens(node):
            yield node.lineno


def _opens(node: ast.Call) -> bool:
    named = {one.arg: one.value for one in node.keywords}
    match node.func:
        case ast.Name(id="open"):
            if isinstance(node.args[0], ast.Constant) and isinstance(node.args[0].value, int):
                return False  # a descriptor
            return not _writes(node.args[1] if len(node.args) > 1 else named.get("mode"))
        case ast.Attribute(attr="open", value=ast.Name(id="os")):
            flags = ast.unparse(node)
            return not any(one in flags for one in ("O_WRONLY", "O_DIRECTORY"))
        case ast.Attribute(attr=name, value=ast.Name(id=module)) if (module, name) in _BY_NAME:
            # An open stream, kept by name or in place, is none of a file's.
            stream = module in {"tarfile", "zipfile", "gzip"} and (
                "fileobj" in named or module == "zipfile"
            )
            return not stream
        case ast.Attribute(attr="read_text" | "read_bytes", value=of):
            return not (isinstance(of, ast.Name) and of.id == "ordinary")
        case ast.Attribute(attr="open", value=of):
            if isinstance(of, ast.Name) and of.id in {"self", "opened", "archive"}:
                return False  # a method of ours, a member of an open archive
            return not _writes(node.args[0] if node.args else named.get("mode"))
    return False


def _writes(mode: ast.expr | None) -> bool:
    text = mode.value if isinstance(mode, ast.Constant) else "r"
    return isinstance(text, str) and bool(set(text) & set("wax"))


def test_files_are_read_by_one_function() -> None:
    """A pipe or device in place of a file would be waited for, or read without end."""
    found = {
        path.relative_to(PACKAGE).as_posix(): lines
        for path in sorted(PACKAGE.rglob("*.py"))
        if (lines := sorted(_reads(path)))
    }
    assert {name: len(lines) for name, lines in found.items()} == {
        name: count for name, (count, _) in READS_OTHERWISE.items()
    }, found


def test_reading_otherwise_is_noticed(tmp_path: Path) -> None:
    """The test above can fail."""
    module = tmp_path / "module.py"
    bad = [
        "open(x)", "x.read_text()", "os.open(x, os.O_RDONLY)", "x.open('rb')", "x.open()",
        "x.open(mode='r')", "open(x, mode='rb')", "shutil.copyfile(a, b)", "tarfile.open(x)",
        "gzip.open(x)", "from os import open", "shutil.copytree(a, b)",
    ]  # fmt: skip
    good = [
        "open(x, 'w')", "open(x, mode='w')", "x.open('xb')", "ordinary.read_bytes(x, 1)",
        "tarfile.open(fileobj=x)", "os.open(x, os.O_WRONLY)",
    ]  # fmt: skip
    module.write_text("\n".join([*bad, *good]) + "\n")
    assert sorted(_reads(module)) == list(range(1, len(bad) + 1))
