"""Whether a lock file still says what its files say: by what they mean, not by their bytes."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.model import (
    Finding,
    Origin,
    Place,
    Severity,
    finding,
    listed,
)

if TYPE_CHECKING:
    from robokit_plan.edge.reading import Reading
    from robokit_plan.model import Robot
    from robokit_plan.planner import Problem

ROBOT, MANIFEST, FILE = "robot.yaml", "manifest", "file"
"""First words of the names under which a lock file keeps what it was made from."""
_UNREAD = frozenset({"format", "robot", "profiles", "enabled", "plugin-paths"})
"""Keys of a robot file that say nothing of one profile's plan, or are told apart."""
_BY_INSTANCE = frozenset({"wiring", "variant"})
_SHOWN = 6
"""So many differences are told by name."""


def inputs_of(reading: Reading, profile: str | None) -> dict[str, str]:
    """
    Return name -> digest of all that the plan of *profile* reads of the robot's own files.

    A comment, another spelling of a value, another profile, a plugin that is off, and what the
    robot file says of it change nothing. Files that the robot file names count by their bytes.

    Shape:
        ``robot.yaml KEY``, ``manifest PLUGIN``, ``file NAME`` -> 16 hexadecimal digits
    """
    robot = reading.robot
    assert robot is not None  # noqa: S101  the caller looked
    chosen = robot.chosen(profile)
    instances = {str(one.instance) for one in chosen}
    found = {}
    for key, text in robot.values.items():
        if key in _UNREAD:
            continue
        value = _of_instances(text, instances) if key in _BY_INSTANCE else text
        if value not in {"{}", "[]", "null"}:
            found[f"{ROBOT} {key}"] = _short(value)
    found[f"{ROBOT} {_list_of(profile)}"] = _short(_entries(robot, profile))
    for one in chosen:
        manifest = reading.manifests.get(one.plugin)
        if manifest is not None:
            found[f"{MANIFEST} {one.plugin}"] = manifest.values[:16]
    for name in _files(robot):
        found[f"{FILE} {name}"] = _bytes(reading.root / name)
    return {name: found[name] for name in sorted(found)}


def _list_of(profile: str | None) -> str:
    return "enabled" if profile is None else f"profiles.{profile}"


def _entries(robot: Robot, profile: str | None) -> str:
    if profile is None:
        return robot.values.get("enabled", "[]")
    profiles = json.loads(robot.values.get("profiles", "{}"))
    return json.dumps(profiles.get(profile), sort_keys=True, ensure_ascii=False)


def _of_instances(text: str, instances: set[str]) -> str:
    """Return a map of the robot file without what it says of instances that are off."""
    data = json.loads(text)
    if not isinstance(data, dict):
        return text
    kept = {key: value for key, value in data.items() if key.partition(".")[0] in instances}
    return json.dumps(kept, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _files(robot: Robot) -> Iterator[str]:
    named = (robot.system.boot_config, robot.system.base)
    yield from (one for one in named if one is not None)
    yield from (one.signed_by for one in robot.system.sources if one.signed_by is not None)


def _short(text: str) -> str:
    return sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def _bytes(path: Path) -> str:
    from robokit_plan.edge.ordinary import sha256_of

    try:
        return sha256_of(path)[:16]
    except OSError:
        return "absent"


def changed_inputs(locked: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """
    Return what changed since a lock file was written, in words; nothing where it does not say.

    A lock file of an earlier tool holds no such digests. A plugin whose manifest is not beside the
    robot file has not changed: the lock file may stand alone.
    """
    kinds = (f"{ROBOT} ", f"{MANIFEST} ", f"{FILE} ")
    if not any(name.startswith(kinds) for name in locked):
        return ()
    told = []
    for name in sorted({*locked, *now}):
        if not name.startswith(kinds) or locked.get(name) == now.get(name):
            continue
        kind, _, what = name.partition(" ")
        if kind == MANIFEST and (name not in now or name not in locked):
            continue  # which plugins there are, `enabled` says
        told.append(
            {
                ROBOT: f"`{what}` of robot.yaml",
                MANIFEST: f"the manifest of {what}",
                FILE: f"the file {what}",
            }[kind]
        )
    return tuple(told)


def is_stale(problem: Problem) -> bool:
    """Whether what *problem* has locked no longer says what its files say."""
    return problem.locked is not None and bool(
        changed_inputs(problem.locked.digests, problem.digests)
    )


def stale_finding(
    lock: str, changed: tuple[str, ...], profile: str | None, severity: Severity
) -> Finding:
    """Return the finding about the lock file *lock* that no longer says what its files say."""
    command = "robokit-plan lock" + (f" --profile {profile}" if profile else "")
    some = list(changed[:_SHOWN])
    if len(changed) > _SHOWN:
        some.append(f"{len(changed) - _SHOWN} more")
    return finding(
        "lock-stale",
        severity,
        f"{lock} no longer says what the robot's files say",
        places=[Place(origin=Origin(file=lock, line=1, column=1))],
        why=f"since it was written {listed(some)} changed",
        repair=(
            f"{command}   writes it anew",
            "robokit-plan diff"
            + (f" --profile {profile}" if profile else "")
            + "   shows what moves",
        ),
        resource=lock,
    )
