"""`wiring.json`: what the robot's own program reads at start."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import Assignment, Plan

from ._findings import Json, render_json
from ._wires import WireKey, wire_colours

WIRING_FORMAT = 1


def render_wiring_json(plan: Plan) -> str:
    """
    Return the enabled instances and, per claim, where its hardware is.

    Shape:
        ``instances`` name -> plugin, version, variant, behaviour, settings, provides, assets
        (name in the manifest -> path below the robot's folder) and ``claims`` name -> resource,
        line, position, chip and offset (label of the GPIO chip, number of the line on it), bus,
        address (a number), select, channel, device, hz, active, pull, lines (signal -> line),
        and of its wires: direction (or directions, signal -> direction), level-mv and converter
        of the other side, ma, wire (or wires): the suggested colour, letters of IEC 60757.
        ``controllers`` name -> ``link`` and ``inhibit`` (the pin of its switch) -> the same.
        ``providers`` capability -> instance.

        ``device`` of a PWM channel is the folder that holds its one pwmchip; of a pin of a
        companion the link to it. A claim without one has no lasting name on the machine.
    """
    colours = wire_colours(plan)
    claims: dict[str, Json] = {one.name: {} for one in plan.instances}
    controllers: dict[str, Json] = {}
    for one in plan.assignments:
        if one.section == "controllers":
            controllers.setdefault(one.instance, {})[one.claim] = _claim(one, colours)
        else:
            claims.setdefault(one.instance, {})[one.claim] = _claim(one, colours)
    assets: dict[str, Json] = {}
    for asset in plan.machine.assets:
        assets.setdefault(asset.instance, {})[asset.path] = asset_path(asset.instance, asset.path)
    return render_json(
        {
            "format": WIRING_FORMAT,
            "robot": plan.robot,
            "profile": plan.profile,
            "board": plan.board,
            "instances": {
                one.name: {
                    "plugin": one.plugin,
                    "version": one.version,
                    "variant": one.variant,
                    "behaviour": one.behaviour,
                    "settings": {name: one.settings[name] for name in sorted(one.settings)},
                    "provides": list(one.provides),
                    "assets": assets.get(one.name, {}),
                    "claims": claims[one.name],
                }
                for one in sorted(plan.instances, key=lambda one: one.name)
            },
            "controllers": {name: controllers[name] for name in sorted(controllers)},
            "providers": {name: plan.providers[name] for name in sorted(plan.providers)},
        }
    )


def asset_path(instance: str, path: str) -> str:
    """Return where the script puts an asset, below the robot's folder."""
    return f"assets/{instance}/{path}"


def _claim(one: Assignment, colours: Mapping[WireKey, str]) -> Json:
    """Return only what holds for this claim, so that a reader can ask ``"address" in claim``."""
    first = one.lines[0] if one.lines else None
    directions = {use.signal: use.direction.value for use in one.lines if use.direction is not None}
    wires = {
        use.signal: colours[key]
        for use in one.lines
        if (key := (one.instance, one.claim, use.signal)) in colours
    }
    several = len(one.lines) > 1
    row: Json = {
        "section": one.section,
        "function": one.function or None,
        "resource": one.resource,
        "controller": one.controller,
        "line": first.line if first is not None and len(one.lines) == 1 else None,
        "position": first.position if first is not None and len(one.lines) == 1 else None,
        "chip": first.chip if first is not None and len(one.lines) == 1 else None,
        "offset": first.offset if first is not None and len(one.lines) == 1 else None,
        "bus": one.bus,
        "address": one.address,
        "select": one.select,
        "channel": one.channel,
        "port": one.port,
        "device": one.device,
        "hz": one.frequency,
        "active": None if one.active is None else one.active.value,
        "pull": None if one.pull is None else one.pull.value,
        "timeout-ms": one.timeout_ms,
        "lines": {use.signal: use.line for use in one.lines} if several else None,
        "direction": None if several else next(iter(directions.values()), None),
        "directions": directions if several and directions else None,
        "level-mv": one.level,
        "converter": one.converter or None,
        "ma": one.current,
        "wire": None if several else next(iter(wires.values()), None),
        "wires": wires if several and wires else None,
    }
    return {name: item for name, item in row.items() if item is not None}
