"""A robot file and all manifests under its plugin paths, read and held against each other."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path, PurePosixPath

from robokit_plan.formats.robot_references import check_robot, completed
from robokit_plan.formats.tree import shown
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import (
    EnabledPlugin,
    Finding,
    Manifest,
    Origin,
    PluginName,
    Robot,
    Severity,
    dataclass,
    field,
    find_nearest,
    finding,
    replace,
    sorted_findings,
)

from .files import find_inside, is_inside, read_text
from .manifests import file_digest, parse_manifest
from .robots import parse_robot

ROBOT_FILE = "robot.yaml"
MANIFEST_FILE = "manifest.yaml"
MAX_PLUGINS = 10_000
"""Folders looked at under one plugin path."""

ParsedManifest = tuple[Manifest | None, tuple[Finding, ...]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """
    What was read for one robot.

    Shape:
        `manifests` plugin -> manifest, names sorted, enabled or not; `enabled` what the profile
        asked for, or the file's own `enabled`, holds; `texts` and `digests` file name -> text,
        SHA-256; names of files are relative to `root`, the robot file's folder. `robot` None:
        the file has no usable form, `findings` say why.
    """

    robot: Robot | None
    manifests: Mapping[PluginName, Manifest] = field(default_factory=dict)
    enabled: tuple[EnabledPlugin, ...] = ()
    profile: str | None = None
    findings: tuple[Finding, ...] = ()
    root: Path
    file: Path
    texts: Mapping[str, str] = field(default_factory=dict)
    digests: Mapping[str, str] = field(default_factory=dict)


def find_robot_file(path: Path | None = None, *, here: Path | None = None) -> Path:
    """
    Return the robot file that *path* means: itself, or the one in that folder.

    Without *path*, the nearest ``robot.yaml`` from *here* (the working folder) upward.

    Raises:
        UnreadableFile: There is none.
    """
    if path is not None:
        if path.is_dir():
            inside = path / ROBOT_FILE
            if inside.exists() or inside.is_symlink():
                return inside
            raise UnreadableFile.at(
                Origin(file=inside.as_posix()),
                "there is no such file",
                "--robot PATH, with the path of a robot.yaml or of its folder",
            )
        return path
    start = (here or Path.cwd()).absolute()
    for folder in (start, *start.parents):
        candidate = folder / ROBOT_FILE
        if candidate.is_file():
            return candidate
    raise UnreadableFile.at(
        Origin(file=ROBOT_FILE),
        "there is none in this folder or in one above it",
        "--robot PATH, with the path of a robot.yaml or of its folder",
    )


def read_robot(
    path: Path | None = None,
    *,
    profile: str | None = None,
    parse: Callable[[str, str], ParsedManifest] = parse_manifest,
    text: str | None = None,
) -> Reading:
    """
    Return the robot that *path* means, with all its plugins and every finding about them.

    Nothing outside the robot file's folder is read. Findings about plugins that are not enabled
    never stop a robot: they are warnings.

    Args:
        path: As `find_robot_file` takes it.
        profile: The profile that is planned.
        parse: `parse_manifest`, or a function that remembers its results by the text.
        text: In place of the robot file's own text: what an edit would make of it.

    Raises:
        UnreadableFile: The robot file, or the manifest of an enabled plugin, cannot be read or
            parsed; it carries the findings of all the other files too.
    """
    file = find_robot_file(path)
    root = file.parent
    text = read_text(file, file.name) if text is None else text
    robot, found = parse_robot(text, file.name)
    findings = list(found)
    texts = {file.name: text}
    if robot is None:
        return Reading(
            robot=None,
            profile=profile,
            findings=sorted_findings(findings),
            root=root,
            file=file,
            texts=texts,
            digests={name: file_digest(one) for name, one in texts.items()},
        )
    chosen = {str(entry.plugin) for entry in robot.chosen(profile)}
    shelf = _Shelf(chosen=chosen, texts=texts, findings=findings, parse=parse)
    for folder in _plugin_folders(root, robot, findings):
        _read_plugin(root, folder, shelf)
    manifests = {name: shelf.manifests[name] for name in sorted(shelf.manifests)}
    findings.extend(check_robot(robot, manifests, profile, shelf.told))
    robot = completed(robot, manifests)
    if shelf.unreadable:
        raise UnreadableFile([*shelf.unreadable, *sorted_findings(findings)])
    return Reading(
        robot=robot,
        manifests=manifests,
        enabled=robot.chosen(profile),
        profile=profile,
        findings=sorted_findings(findings),
        root=root,
        file=file,
        texts=texts,
        digests={name: file_digest(one) for name, one in sorted(texts.items())},
    )


@dataclass(slots=True)
class _Shelf:
    """What has been read of the plugins so far."""

    chosen: set[str]
    texts: dict[str, str]
    findings: list[Finding]
    parse: Callable[[str, str], ParsedManifest]
    manifests: dict[PluginName, Manifest] = field(default_factory=dict)
    unreadable: list[Finding] = field(default_factory=list)
    told: set[str] = field(default_factory=set)
    """Names of folders whose manifest is unusable, which was told."""


def _plugin_folders(root: Path, robot: Robot, findings: list[Finding]) -> Iterator[Path]:
    place = robot.places.get("plugin-paths", robot.origin)
    for entry in dict.fromkeys(robot.plugin_paths):
        base = find_inside(root, entry)
        if base is None:
            findings.append(
                finding(
                    "path-escape",
                    Severity.ERROR,
                    f"plugin path {shown(entry)} leads out of the robot's folder",
                    places=[place],
                    why="a robot is planned from its own folder alone, so that it can be moved",
                    repair="plugin-paths: [plugins]   with the plugins copied there",
                )
            )
            continue
        if not base.is_dir():
            findings.append(
                finding(
                    "folder-missing",
                    Severity.ERROR,
                    f"plugin path {shown(entry)} is no folder",
                    places=[place],
                    why="plugins are looked for in it",
                    repair=_folder_repair(root, entry),
                )
            )
            continue
        try:
            names = sorted(one.name for one in os.scandir(base))
        except OSError as error:
            raise UnreadableFile.at(Origin(file=entry), str(error.strerror).lower()) from None
        for name in names[:MAX_PLUGINS]:
            folder = base / name
            manifest = folder / MANIFEST_FILE
            if name.startswith(".") or not (manifest.exists() or manifest.is_symlink()):
                continue
            if is_inside(root, manifest):
                yield folder
            else:
                findings.append(
                    finding(
                        "path-escape",
                        Severity.ERROR,
                        f"{shown(name)} is a link that leads out of the robot's folder",
                        places=[Origin(file=_name(root, manifest))],
                        why="a robot is planned from its own folder alone, so that it can be moved",
                        repair=f"cp -r the plugin into {entry}/{name} in place of the link",
                    )
                )


def _folder_repair(root: Path, entry: str) -> str:
    try:
        folders = sorted(one.name for one in os.scandir(root) if one.is_dir())[:MAX_PLUGINS]
    except OSError:
        folders = []
    near = find_nearest(entry, folders)
    return f"plugin-paths: [{near}]" if near else f"mkdir {entry}"


def _name(root: Path, path: Path) -> str:
    return path.relative_to(root).as_posix()


def _read_plugin(root: Path, folder: Path, shelf: _Shelf) -> None:
    path = folder / MANIFEST_FILE
    name = _name(root, path)
    try:
        text = read_text(path, name)
        manifest, found = shelf.parse(text, name)
    except UnreadableFile as error:
        shelf.told.add(folder.name)
        if folder.name in shelf.chosen:
            shelf.unreadable.extend(error.findings)
        else:
            shelf.findings.extend(_milder(error.findings))
        return
    shelf.texts[name] = text
    in_use = folder.name in shelf.chosen or (
        manifest is not None and manifest.plugin in shelf.chosen
    )
    shelf.findings.extend(found if in_use else _milder(found))
    if manifest is None:
        shelf.told.add(folder.name)
        return
    mismatch = list(check_shelf(manifest, folder.name))
    if mismatch:
        shelf.told.add(folder.name)
        shelf.findings.extend(mismatch)
    first = shelf.manifests.get(manifest.plugin)
    if first is None:
        shelf.manifests[manifest.plugin] = manifest
    else:
        shelf.findings.append(_twice(first, manifest))


def check_shelf(manifest: Manifest, folder: str) -> Iterator[Finding]:
    """Yield the finding about a manifest whose plugin does not bear its folder's name."""
    if manifest.plugin == folder:
        return
    path = PurePosixPath(manifest.folder)
    yield finding(
        "plugin-name-mismatch",
        Severity.ERROR,
        f"the manifest in folder {shown(folder)} calls its plugin {shown(manifest.plugin)}",
        places=[manifest.places.get("plugin", manifest.origin)],
        why="a plugin is found by its folder's name",
        repair=[f"plugin: {folder}", f"mv {path} {path.parent / manifest.plugin}"],
        plugins=[manifest.plugin],
    )


def _twice(first: Manifest, second: Manifest) -> Finding:
    return finding(
        "plugin-twice",
        Severity.ERROR,
        f"two folders hold a plugin {shown(first.plugin)}",
        places=[one.places.get("plugin", one.origin) for one in (first, second)],
        why="which of the two is enabled would depend on the order of folders",
        repair=f"mv {second.folder} {second.folder}-2   and plugin: {second.plugin}-2 in its "
        "manifest",
        plugins=[first.plugin],
    )


def _milder(findings: tuple[Finding, ...]) -> Iterator[Finding]:
    """Yield findings about a plugin that is not enabled: they cannot stop this robot."""
    for one in findings:
        if one.severity is Severity.ERROR:
            yield replace(one, severity=Severity.WARNING)
        else:
            yield one
