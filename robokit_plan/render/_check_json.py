"""The JSON object of `check` (design section 4)."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import (
    Assignment,
    InstanceName,
    ItemKind,
    PinId,
    Plan,
    card_bytes,
    fetched_bytes,
    instance_sizes,
    sized_items,
)

from ._findings import Json, finding_rows, render_json


def render_check_json(plan: Plan, *, prefix: str = "") -> str:
    """Return what `check --json` prints: the whole plan for other programs."""
    return render_json(check_object(plan, prefix=prefix))


def check_object(plan: Plan, *, prefix: str = "") -> Json:
    """Return the plan as JSON values; keys are a contract, only ever added to."""
    return {
        "robot": plan.robot,
        "profile": plan.profile,
        "board": plan.board,
        "target": {
            "release": plan.target.release,
            "image": plan.target.image,
            "architecture": plan.target.architecture,
            "python": plan.target.python,
        },
        "ok": plan.ok,
        "findings": finding_rows(plan.findings, prefix=prefix),
        "plugins": [
            {
                "name": one.name,
                "plugin": one.plugin,
                "version": one.version,
                "variant": one.variant,
                "provides": list(one.provides),
                "license": one.license,
            }
            for one in plan.instances
        ],
        "providers": {name: plan.providers[name] for name in sorted(plan.providers)},
        "python": [
            {
                "name": pin.name,
                "version": pin.version,
                "for": list(pin.wanted_by),
                "direct": pin.direct,
                "file": pin.file.filename,
                "size": pin.file.size,
                "installed_size": pin.installed_size,
                "license": pin.license,
            }
            for pin in plan.python
        ],
        "python_carried": [
            {
                "name": one.name,
                "version": one.version,
                "package": one.package,
                "for": list(one.wanted_by),
            }
            for one in plan.carried
        ],
        "python_build": [{"name": pin.name, "version": pin.version} for pin in plan.build],
        "debian": [
            {
                "name": pin.name,
                "version": pin.version,
                "for": list(pin.wanted_by),
                "direct": pin.direct,
                "architecture": pin.architecture,
                "suite": pin.suite,
                "size": pin.size,
                "installed_size": pin.installed_size,
                "build_only": pin.name in plan.debian_build,
                "requires": list(pin.requires),
            }
            for pin in plan.debian
        ],
        "debian_known": plan.debian_known,
        "base_known": plan.base_known,
        "assignments": [row for one in plan.assignments for row in assignment_rows(one)],
        "boot": {
            "settings": [
                {
                    "kind": one.kind,
                    "text": one.text,
                    "file": one.file,
                    "frees": one.frees,
                    "for": list(one.because_of),
                }
                for one in plan.boot
            ],
        },
        "machine": _machine(plan),
        "power": {
            "rails": [
                {
                    "name": rail.name,
                    "mv": rail.volts,
                    "limit_ma": rail.limit,
                    "typical_ma": rail.typical,
                    "peak_ma": rail.peak,
                    "run_minutes": rail.run_minutes,
                    "loads": [
                        {
                            "plugin": load.instance,
                            "claim": load.claim,
                            "typical_ma": load.typical,
                            "peak_ma": load.peak,
                        }
                        for load in rail.loads
                    ],
                }
                for rail in plan.rails
            ],
        },
        "budgets": _budgets(plan),
        "hazards": {name: list(plan.hazards[name]) for name in sorted(plan.hazards)},
        "digests": {name: plan.digests[name] for name in sorted(plan.digests)},
    }


def assignment_rows(one: Assignment) -> list[Json]:
    """Return one row per line that *one* takes; one row without a line where it takes none."""
    common: Json = {
        "plugin": one.instance,
        "claim": one.claim,
        "resource": one.resource,
        "line": None,
        "position": None,
        "section": one.section,
        "signal": None,
        "shared": False,
        "bus": one.bus,
        "address": None if one.address is None else f"0x{one.address:02x}",
        "select": one.select,
        "channel": one.channel,
        "port": one.port,
        "controller": one.controller,
        "device": one.device,
    }
    if not one.lines:
        return [common]
    return [
        {
            **common,
            "line": use.line,
            "position": _position(use.position),
            "signal": use.signal,
            "shared": use.shared,
        }
        for use in one.lines
    ]


def _machine(plan: Plan) -> Json:
    machine = plan.machine

    def asked(table: Mapping[str, tuple[InstanceName, ...]]) -> Json:
        return {name: list(table[name]) for name in sorted(table)}

    return {
        "groups": asked(machine.groups),
        "services": {"start": asked(machine.start), "stop": asked(machine.stop)},
        "kernel": {"load": asked(machine.load), "block": asked(machine.block)},
        "permissions": asked(machine.permissions),
        "environment": [
            {
                "plugin": instance,
                "name": variable.name,
                "secret": variable.secret,
                "purpose": variable.purpose,
            }
            for instance, variable in machine.environment
        ],
        "assets": [
            {
                "plugin": one.instance,
                "url": one.url,
                "sha256": one.sha256,
                "bytes": one.size,
                "path": one.path,
                "license": one.license,
            }
            for one in machine.assets
        ],
    }


def _budgets(plan: Plan) -> Json:
    """Return what is taken of memory, processor and card; sizes in bytes, null: not said."""
    items, has = sized_items(plan), plan.capacity
    loads = {one.name: one for one in plan.instances}
    return {
        "memory_mb": {
            "plugins": sum(one.memory_mb or 0 for one in plan.instances),
            "system": has.system_memory_mb,
            "sizes": list(has.memory_sizes_mb),
        },
        "cpu_percent": {
            "plugins": sum(one.cpu_percent or 0 for one in plan.instances),
            "limit": None if has.cores is None else has.cores * 100,
        },
        "card": {
            "fetch": fetched_bytes(items),
            "installed": card_bytes(items),
            "installed_to_build": card_bytes(one for one in items if one.kind is ItemKind.BUILD),
            "system": has.system_card_bytes,
            "room": has.card_bytes,
        },
        "plugins": [
            {
                "name": size.instance,
                "memory_mb": loads[size.instance].memory_mb,
                "cpu_percent": loads[size.instance].cpu_percent,
                "own": {"fetch": size.own_fetch, "installed": size.own_card},
                "shared": {"fetch": size.shared_fetch, "installed": size.shared_card},
            }
            for size in instance_sizes(plan)
        ],
    }


def _position(pin: PinId | None) -> int | str | None:
    """Return a header position as people write it: a number, or ``P9_22`` where it has a name."""
    return int(pin) if pin is not None and pin.isdecimal() else pin
