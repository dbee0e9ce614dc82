"""
The lock file: PEP 751 for the Python part, one table of ours for all the rest.

Findings are not locked: they follow from the inputs, and their lines move with every comment.
Neither are the target's tags, which follow from its release, architecture and Python version.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import TypeVar
from urllib.parse import urlsplit, urlunsplit

from robokit_plan.model import (
    Assignment,
    BootSetting,
    Capacity,
    CarriedPin,
    DebianPin,
    Machine,
    Plan,
    PlannedInstance,
    PlannedSource,
    PythonPin,
    Rail,
)

from . import _toml
from ._toml import Hex, Value

LOCK_FORMAT = 1
"""Of the table ``tool.robokit-plan``."""

_Name = TypeVar("_Name", bound=str)
_TOOL = "tool.robokit-plan"
_MARKERS = ("sys_platform", "platform_machine", "python_version", "implementation_name")


def lock_name(plan: Plan) -> str:
    """Return the file name that PEP 751 and the design give the lock of *plan*."""
    return lock_name_of(plan.robot, plan.profile)


def lock_name_of(robot: str, profile: str | None) -> str:
    """Return the file name of the lock of *robot*, or of one of its profiles."""
    return f"pylock.{robot}{'' if profile is None else f'-{profile}'}.toml"


def render_lock(plan: Plan) -> str:
    """
    Return the lock file of *plan*; the same plan gives the same bytes.

    Source:
        PEP 751 (accepted 2025-03-31), section "File Format".
    """
    packages = [_package(pin, plan.indexes) for pin in _sorted(plan.python)]
    text = [
        *_toml.lines(
            {
                "lock-version": "1.0",
                "environments": [_environment(plan)],
                "requires-python": f"=={plan.target.python}.*",
                "created-by": "robokit-plan",
            }
        ),
        *(_toml.tables("packages", packages) or ["packages = []"]),
        *_toml.table(_TOOL, _head(plan)),
        *_toml.table(f"{_TOOL}.target", _target(plan)),
        *_toml.tables(f"{_TOOL}.instances", [_instance(one) for one in plan.instances]),
        *_toml.table(f"{_TOOL}.providers", _by_name(plan.providers)),
        *_toml.tables(f"{_TOOL}.assignments", [_assignment(one) for one in plan.assignments]),
        *_toml.tables(f"{_TOOL}.carried", [_carried(one) for one in plan.carried]),
        *_toml.tables(f"{_TOOL}.build", [_package(pin, {}) for pin in _sorted(plan.build)]),
        *_toml.table(f"{_TOOL}.indexes", _addresses(plan.indexes)),
        *_toml.table(
            f"{_TOOL}.build-environment",
            {
                name: dict(sorted(plan.build_environment[name]))
                for name in sorted(plan.build_environment)
            },
        ),
        *_toml.table(f"{_TOOL}.build-room", dict(sorted(plan.build_room.items()))),
        *_toml.table(f"{_TOOL}.debian", _debian(plan)),
        *_toml.tables(
            f"{_TOOL}.debian.sources",
            [_source(one) for one in sorted(plan.sources, key=lambda one: one.name)],
        ),
        *_toml.tables(f"{_TOOL}.boot", [_boot(one) for one in plan.boot]),
        *_toml.table(f"{_TOOL}.modules", _by_name(plan.modules)),
        *_toml.table(f"{_TOOL}.udev", {"rules": plan.udev_rules or None}),
        *_machine(plan.machine),
        *_toml.tables(f"{_TOOL}.rails", [_rail(one) for one in plan.rails]),
        *_toml.table(f"{_TOOL}.hazards", _by_name(plan.hazards)),
        *_toml.table(f"{_TOOL}.capacity", _capacity(plan.capacity)),
        *_toml.table(f"{_TOOL}.digests", _by_name(plan.digests)),
    ]
    return "\n".join(text) + "\n"


def without_credentials(url: str) -> str:
    """Return *url* without user and password."""
    try:
        parts = urlsplit(url)
    except ValueError:
        return url
    if "@" not in parts.netloc:
        return url
    return urlunsplit(parts._replace(netloc=parts.netloc.rpartition("@")[2]))


def _environment(plan: Plan) -> str:
    """Return the PEP 508 marker of the target; only what tells machines apart."""
    known = {**plan.target.markers}
    known.setdefault("python_version", plan.target.python)
    return " and ".join(f"{name} == '{known[name]}'" for name in _MARKERS if name in known)


def _sorted(pins: Iterable[PythonPin]) -> list[PythonPin]:
    return sorted(pins, key=lambda pin: (pin.name, pin.version))


def _by_name(table: Mapping[_Name, Value]) -> dict[str, Value]:
    return {name: table[name] for name in sorted(table)}


def _addresses(indexes: Mapping[str, str]) -> dict[str, Value]:
    return {name: without_credentials(indexes[name]) for name in sorted(indexes)}


def _package(pin: PythonPin, indexes: Mapping[str, str]) -> dict[str, Value]:
    file = pin.file
    archive: dict[str, Value] = {
        "name": file.filename,
        "upload-time": _time(file.upload_time),
        "url": without_credentials(file.url),
        "size": file.size,
        "hashes": {"sha256": file.sha256},
    }
    index = indexes.get(file.index)
    ours: dict[str, Value] = {
        "for": pin.wanted_by,
        "direct": pin.direct or None,
        "extras": pin.extras or None,
        "index": None if file.index == "default" else file.index,
        "yanked": file.yanked,
        "file-requires-python": (
            None if file.requires_python == pin.requires_python else (file.requires_python or "")
        ),
        "installed-size": pin.installed_size,
        "license": pin.license,
    }
    return {
        "name": pin.name,
        "version": pin.version,
        "requires-python": pin.requires_python,
        "dependencies": [{"name": name} for name in pin.requires] or None,
        "index": None if index is None else without_credentials(index),
        "sdist": None if pin.is_wheel else archive,
        "wheels": [archive] if pin.is_wheel else None,
        "tool": {"robokit-plan": ours},
    }


def _time(text: str | None) -> datetime | None:
    """Return an upload time in UTC; None where an index sent something else."""
    try:
        read = datetime.fromisoformat(text or "")
        return (read if read.tzinfo else read.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _head(plan: Plan) -> dict[str, Value]:
    return {
        "format": LOCK_FORMAT,
        "robot": plan.robot,
        "profile": plan.profile,
        "board": plan.board,
        "system-packages": plan.system_packages or None,
        "program": plan.program,
        "program-user": plan.program_user,
        "keep-logs": plan.keep_logs,
    }


def _target(plan: Plan) -> dict[str, Value]:
    target = plan.target
    return {
        "release": target.release,
        "image": target.image,
        "architecture": target.architecture,
        "python": target.python,
        "markers": _by_name(target.markers),
    }


def _instance(one: PlannedInstance) -> dict[str, Value]:
    known = {name: item for name, item in sorted(one.settings.items()) if item is not None}
    return {
        "name": one.name,
        "plugin": one.plugin,
        "version": one.version,
        "variant": one.variant,
        "behaviour": one.behaviour,
        "settings": known or None,
        "unset": [name for name, item in sorted(one.settings.items()) if item is None] or None,
        "provides": one.provides or None,
        "digest": one.digest,
        "summary": one.summary or None,
        "license": one.license,
        "memory-mb": one.memory_mb,
        "cpu-percent": one.cpu_percent,
    }


def _capacity(one: Capacity) -> dict[str, Value]:
    return {
        "memory-sizes-mb": one.memory_sizes_mb or None,
        "cores": one.cores,
        "card-bytes": one.card_bytes,
        "system-memory-mb": one.system_memory_mb or None,
        "system-card-bytes": one.system_card_bytes or None,
    }


def _assignment(one: Assignment) -> dict[str, Value]:
    return {
        "instance": one.instance,
        "claim": one.claim,
        "section": one.section,
        "resource": one.resource,
        "lines": [
            {
                "signal": use.signal,
                "line": use.line,
                "position": use.position,
                "shared": use.shared or None,
                "chip": use.chip,
                "offset": use.offset,
                "direction": None if use.direction is None else use.direction.value,
            }
            for use in one.lines
        ]
        or None,
        "bus": one.bus,
        "address": None if one.address is None else Hex(one.address),
        "select": one.select,
        "channel": one.channel,
        "route": one.route,
        "port": one.port,
        "controller": one.controller,
        "device": one.device,
        "function": one.function or None,
        "note": one.note or None,
        "hz": one.frequency,
        "active": None if one.active is None else one.active.value,
        "pull": None if one.pull is None else one.pull.value,
        "level-mv": one.level,
        "ma": one.current,
        "converter": one.converter or None,
        "timeout-ms": one.timeout_ms,
    }


def _boot(one: BootSetting) -> dict[str, Value]:
    return {
        "kind": one.kind,
        "text": one.text,
        "file": one.file,
        "frees": one.frees or None,
        "apply": one.apply,
        "for": one.because_of,
        "source": one.source or None,
    }


def _debian(plan: Plan) -> dict[str, Value]:
    return {
        "known": plan.debian_known,
        "base-known": None if plan.base_known else False,
        "suites": plan.debian_suites,
        "build-only": sorted(plan.debian_build) or None,
        "packages": [
            _debian_package(pin)
            for pin in sorted(plan.debian, key=lambda pin: (pin.name, pin.architecture))
        ],
    }


def _carried(one: CarriedPin) -> dict[str, Value]:
    return {
        "name": one.name,
        "version": one.version,
        "package": one.package,
        "for": one.wanted_by,
    }


def _source(one: PlannedSource) -> dict[str, Value]:
    return {
        "name": one.name,
        "url": without_credentials(one.url),
        "suites": one.suites,
        "components": one.components,
        "keyring": one.keyring,
        "key": one.key or None,
        "priority": one.priority,
        "only": one.only or None,
        "dated": one.dated or None,
    }


def _debian_package(pin: DebianPin) -> dict[str, Value]:
    return {
        "name": pin.name,
        "version": pin.version,
        "architecture": pin.architecture,
        "suite": pin.suite,
        "source": pin.source or None,
        "filename": pin.filename,
        "size": pin.size,
        "installed-size": pin.installed_size,
        "sha256": pin.sha256,
        "for": pin.wanted_by,
        "direct": pin.direct or None,
        "requires": pin.requires or None,
    }


def _machine(machine: Machine) -> list[str]:
    sections: dict[str, Mapping[str, Value]] = {
        "groups": machine.groups,
        "start": machine.start,
        "stop": machine.stop,
        "load": machine.load,
        "block": machine.block,
        "permissions": machine.permissions,
    }
    return [
        *(
            text
            for name, content in sections.items()
            for text in _toml.table(f"{_TOOL}.machine.{name}", _by_name(content))
        ),
        *_toml.tables(
            f"{_TOOL}.machine.environment",
            [
                {
                    "instance": instance,
                    "name": variable.name,
                    "secret": variable.secret,
                    "purpose": variable.purpose or None,
                }
                for instance, variable in machine.environment
            ],
        ),
        *_toml.tables(
            f"{_TOOL}.machine.assets",
            [
                {
                    "instance": one.instance,
                    "url": without_credentials(one.url),
                    "sha256": one.sha256,
                    "size": one.size,
                    "path": one.path,
                    "license": one.license,
                }
                for one in machine.assets
            ],
        ),
    ]


def _rail(one: Rail) -> dict[str, Value]:
    return {
        "name": one.name,
        "mv": one.volts,
        "limit-ma": one.limit,
        "typical-ma": one.typical,
        "peak-ma": one.peak,
        "run-minutes": one.run_minutes,
        "loads": [
            {
                "instance": load.instance,
                "claim": load.claim,
                "typical-ma": load.typical,
                "peak-ma": load.peak,
            }
            for load in one.loads
        ]
        or None,
    }
