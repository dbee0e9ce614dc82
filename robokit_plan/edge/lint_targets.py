"""The files that ``lint`` looks at: found below the given paths, read and parsed one by one."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache
from pathlib import Path

from robokit_plan.formats.robot_references import check_robot, completed
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import (
    Finding,
    Manifest,
    Origin,
    PluginCode,
    PluginName,
    Robot,
    dataclass,
    field,
    program_paths,
)

from .code import Scan, read_code, scanned
from .files import find_inside, is_inside, read_text
from .kept_files import Watched
from .manifests import parse_manifest
from .reading import MANIFEST_FILE, ROBOT_FILE, check_shelf
from .robots import parse_robot

MAX_TARGETS = 10_000
MAX_DEPTH = 6
_SKIPPED = frozenset({"__pycache__", "node_modules", "build", "dist"})


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptManifest:
    """What others need of a manifest that was judged before, and was not read again."""

    plugin: str
    actuators: frozenset[str]


@dataclass(frozen=True, kw_only=True, slots=True)
class LintTarget:
    """
    One file that was looked at.

    `name` is what findings call it, relative to the folder that lint runs in. `manifest` or
    `robot` is set where the file has a usable form; `findings` come from reading, or are all
    there are of a `kept` manifest. `unreadable`: it does not decode or parse, so the exit status
    is 2.
    """

    name: str
    path: Path
    text: str = ""
    manifest: Manifest | None = None
    robot: Robot | None = None
    code: PluginCode | None = None
    findings: tuple[Finding, ...] = ()
    kept: KeptManifest | None = None
    unreadable: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class LintReading:
    """
    All files of one run.

    Shape:
        `targets` sorted by name; `manifests` all that could be read, first of a name, with those
        in reach of the robot files, looked at or not; `actuators` of those that are kept;
        `program` import names that the robots' own programs provide.
    """

    targets: tuple[LintTarget, ...] = ()
    actuators: frozenset[str] = frozenset()
    manifests: dict[PluginName, Manifest] = field(default_factory=dict)
    program: frozenset[str] = frozenset()


def read_lint_targets(
    paths: Sequence[Path],
    *,
    here: Path | None = None,
    known: Callable[[Path, str], LintTarget | None] | None = None,
) -> LintReading:
    """
    Return every manifest and robot file that *paths* mean.

    A file means itself; a folder means what lies below it. Names are relative to *here* (the
    working folder). Nothing raises for a single bad file: it becomes a target with findings.

    Args:
        paths: Files and folders.
        here: The working folder.
        known: Returns the target that path and name of a manifest were before, if it is still
            the same; asked where there is no robot, which needs every manifest whole.

    Raises:
        UnreadableFile: A path does not exist, or no manifest or robot file lies below it.
    """
    base = (here or Path.cwd()).absolute()
    scan = cache(scanned)  # for files to look at first, for the plugin's code then
    found: dict[Path, None] = {}
    for path in paths:
        those = tuple(_files(path, scan))
        found.update(dict.fromkeys(those))
        if not those:
            name = path.as_posix()
            raise UnreadableFile.at(
                Origin(file=name),
                "there is no manifest.yaml or robot.yaml there"
                if path.exists()
                else "there is no such file or folder",
                "robokit-plan lint PATH, with a manifest, a robot file or a folder of them",
            )
    if any(path.name == ROBOT_FILE for path in found):
        known = None
    targets = [
        _manifest_target(path, base, known, scan) for path in found if path.name != ROBOT_FILE
    ]
    manifests: dict[PluginName, Manifest] = {}
    actuators: dict[str, frozenset[str]] = {}
    for target in sorted(targets, key=lambda one: one.name):
        manifest, kept = target.manifest, target.kept
        if kept is not None and kept.plugin not in manifests:
            actuators.setdefault(kept.plugin, kept.actuators)
        elif manifest is not None and manifest.plugin not in actuators:
            manifests.setdefault(manifest.plugin, manifest)
    program: set[str] = set()
    shelf = dict(manifests)
    for path in found:
        if path.name == ROBOT_FILE:
            target, near = _robot_target(path, base, manifests)
            targets.append(target)
            for name, manifest in near.items():
                shelf.setdefault(name, manifest)
            program |= program_names(path.parent)
    return LintReading(
        targets=tuple(sorted(targets, key=lambda one: one.name)),
        manifests={name: shelf[name] for name in sorted(shelf)},
        actuators=frozenset().union(*actuators.values()),
        program=frozenset(program),
    )


def lint_files(paths: Iterable[Path], reading: LintReading) -> tuple[Watched, ...]:
    """Return what was looked at to get *reading* from *paths*, as `files_state` takes it."""
    found: dict[Watched, None] = {}
    for path in map(Path.absolute, paths):
        folder = path if path.is_dir() else path.parent
        found[Watched("code", str(folder))] = None
        if folder != path:
            found[Watched("bytes", str(path))] = None
    for target in reading.targets:
        if target.robot is not None:
            from .inputs import robot_files

            found.update(dict.fromkeys(robot_files(target.path, target.robot, asked=target.path)))
    return tuple(found)


def _files(path: Path, scan: Scan) -> Iterator[Path]:
    if path.is_dir():
        top = path.absolute()
        yield from map(Path, _below(str(top), top, 0, scan))
    elif path.exists() or path.is_symlink():
        yield path.absolute()


def _below(folder: str, top: Path, depth: int, scan: Scan) -> Iterator[str]:
    try:
        entries = scan(folder)[:MAX_TARGETS]
    except OSError:
        return
    for entry in entries:
        name = entry.name
        if name.startswith(".") or name in _SKIPPED:
            continue
        linked = entry.is_symlink()
        if linked and not is_inside(top, Path(entry.path)):
            continue
        if _is_folder(entry):
            if depth < MAX_DEPTH and not linked:
                yield from _below(entry.path, top, depth + 1, scan)
        elif name in {MANIFEST_FILE, ROBOT_FILE}:
            yield entry.path


def _is_folder(entry: os.DirEntry[str]) -> bool:
    """Whether *entry* is a folder; a link that leads to itself is none, reading tells it."""
    try:
        return entry.is_dir()
    except OSError:
        return False


def _name(path: Path, base: Path) -> str:
    words, start = str(path), f"{base}/"
    if words.startswith(start) and "/.." not in words:
        return words.removeprefix(start)
    return Path(os.path.relpath(path, base)).as_posix()


def _manifest_target(
    path: Path, base: Path, known: Callable[[Path, str], LintTarget | None] | None, scan: Scan
) -> LintTarget:
    name = _name(path, base)
    before = None if known is None else known(path, name)
    if before is not None:
        return before
    text = ""
    try:
        text = read_text(path, name)
        manifest, findings = parse_manifest(text, name)
    except UnreadableFile as error:
        return LintTarget(name=name, path=path, text=text, findings=error.findings, unreadable=True)
    found = list(findings)
    if manifest is not None and path.name == MANIFEST_FILE:
        found.extend(check_shelf(manifest, path.parent.name))
    return LintTarget(
        name=name,
        path=path,
        text=text,
        manifest=manifest,
        code=None if manifest is None else read_code(path.parent, manifest.folder, scan=scan),
        findings=tuple(found),
    )


def _robot_target(
    path: Path, base: Path, manifests: dict[PluginName, Manifest]
) -> tuple[LintTarget, dict[PluginName, Manifest]]:
    name = _name(path, base)
    text = ""
    try:
        text = read_text(path, name)
        robot, findings = parse_robot(text, name)
    except UnreadableFile as error:
        broken = LintTarget(
            name=name, path=path, text=text, findings=error.findings, unreadable=True
        )
        return broken, {}
    found = list(findings)
    near: dict[PluginName, Manifest] = {}
    if robot is not None:
        near = _shelf_of(path.parent, robot, manifests, base)
        found.extend(check_robot(robot, near, None))
        robot = completed(robot, near)
    target = LintTarget(name=name, path=path, text=text, robot=robot, findings=tuple(found))
    return target, near


def _shelf_of(
    root: Path, robot: Robot, manifests: dict[PluginName, Manifest], base: Path
) -> dict[PluginName, Manifest]:
    """Return the manifests in reach of *robot*, which may lie outside what is linted."""
    shelf: dict[PluginName, Manifest] = {}
    for entry in robot.plugin_paths:
        folder = root / entry
        if not folder.is_dir() or not is_inside(root, folder):
            continue
        for path in sorted(folder.glob(f"*/{MANIFEST_FILE}"))[:MAX_TARGETS]:
            name = _name(path.absolute(), base)
            known = next((one for one in manifests.values() if one.origin.file == name), None)
            if known is None and is_inside(root, path):
                try:
                    known, _ = parse_manifest(read_text(path, name), name)
                except UnreadableFile:
                    continue
            if known is not None:
                shelf.setdefault(known.plugin, known)
    return shelf


def program_is_there(root: Path, robot: Robot) -> bool:
    """Whether a file that the robot's program is started from stands below *root*."""
    if robot.program is None:
        return False
    return any(
        (found := find_inside(root, one)) is not None and found.is_file()
        for one in program_paths(robot.program.run)
    )


def program_names(root: Path) -> set[str]:
    """Return the packages and modules that stand beside a robot file."""
    try:
        return {
            entry.name.removesuffix(".py")
            for entry in os.scandir(root)
            if _is_package(entry) or (entry.name.endswith(".py") and entry.is_file())
        }
    except OSError:
        return set()


def _is_package(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir() and (Path(entry.path) / "__init__.py").is_file()
    except OSError:  # a link that leads to itself
        return False
