"""A new plugin's files: a manifest with comments and a few lines of code."""

from __future__ import annotations

import keyword
import re

from robokit_plan.model import Millivolt, Part, volt_text

_NAME = re.compile(r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*", re.ASCII)


def module_name(plugin: str) -> str:
    """
    Return the import package of *plugin*.

    >>> module_name("nav-lights"), module_name("class")
    ('nav_lights', 'class_')
    """
    name = plugin.replace("-", "_")
    return f"{name}_" if keyword.iskeyword(name) else name


def class_name(plugin: str) -> str:
    """
    Return the class of *plugin*.

    >>> class_name("nav-lights")
    'NavLights'
    """
    return "".join(part.capitalize() for part in plugin.split("-"))


def is_plugin_name(text: str) -> bool:
    """Whether *text* can name a plugin: kebab-case, beginning with a letter."""
    return _NAME.fullmatch(text) is not None


def new_plugin_files(
    plugin: str, *, summary: str, spdx: str, part: Part | None, schema: str
) -> dict[str, str]:
    """
    Return path below the plugin's folder -> text.

    Args:
        plugin: A name that `is_plugin_name`.
        summary: One line.
        spdx: An SPDX expression.
        part: Fills in the hardware section.
        schema: Where an editor finds the manifest's schema.
    """
    module, name = module_name(plugin), class_name(plugin)
    return {
        "manifest.yaml": _manifest(
            plugin,
            module,
            name,
            summary=summary,
            spdx=spdx,
            hardware=_hardware(part),
            schema=schema,
        ),
        f"{module}/__init__.py": f'"""{summary}."""\n',
        f"{module}/behaviour.py": _code(plugin, name),
    }


def _quoted(text: str) -> str:
    """Return *text* as a YAML double-quoted scalar."""
    import json

    return json.dumps(text, ensure_ascii=False)


def _manifest(
    plugin: str,
    module: str,
    name: str,
    *,
    summary: str,
    spdx: str,
    hardware: str,
    schema: str,
) -> str:
    return f"""# yaml-language-server: $schema={schema}
# What this plugin needs and claims; how one robot wires it stands in robot.yaml.
format: 1
plugin: {plugin}                # equal to the folder's name
version: "0.1.0"                # quoted: a version is text (PEP 440)
summary: {_quoted(summary)}
license: {_quoted(spdx)}     # SPDX expression
behaviour: {module}.behaviour:{name}

# settings: {{interval-s: {{type: integer, default: 5, min: 1}}}}
# provides: [daylight]          # services that others may need
# needs: [alarm-sound]          # services that some enabled plugin must provide
# plugins: ["helm>=0.4,<1"]     # other plugins and their versions
# excludes: [deck-lamp]         # what must not be enabled beside it

# python:
#   requires: ["smbus2>=0.4,<1"]          # PEP 508, quoted because of the comma
#   modules: [smbus2]                     # what the code imports
# debian:
#   packages: ["i2c-tools"]               # Debian Policy 7.1

{hardware}
# topics: {{publishes: [hull/leak], subscribes: [position], commands: [port-thruster]}}
"""


def _hardware(part: Part | None) -> str:
    if part is None:
        return """# hardware:
#   signals: {leak: {function: input, gpio: any, pull: up, active: low}}
#   i2c: {imu: {part: bno055, bus: any}}
#   actuators: {winch: {hazard: motion, safe-state: stopped}}   # anything that moves, heats, shines
"""
    words = [f"part: {part.name.lower()}", *_asked_of(part)]
    claim = {"i2c": "sensor", "one-wire": "probe"}.get(part.bus, "device")
    if part.bus != "one-wire":
        words.append(f"volts: {_LINE_VOLTS}")
    remarks = [
        f"straps: {part.strap}" if part.strap and len(part.addresses) > 1 else "",
        f"supply {_range_text(part.supply)}" if part.supply else "",
        part.note,
        "it stretches the clock; see its data sheet" if part.clock_stretching else "",
    ]
    comments = "".join(f"  # {one}\n" for one in remarks if one)
    return f"hardware:\n{comments}  {part.bus}: {{{claim}: {{{', '.join(words)}}}}}\n"


_LINE_VOLTS = 3.3
"""Level of the lines of most boards; whoever feeds a part in another way says so."""


def _asked_of(part: Part) -> list[str]:
    """Return the keys of a claim on the part's kind of bus."""
    if part.bus == "i2c":
        straps = ", ".join(f"0x{one:02x}" for one in _default_first(part))
        return [f"address: [{straps}]", "bus: any", *_speed(part)]
    if part.bus == "spi":
        return ["bus: any", "select: any", *_speed(part)]
    if part.bus == "uart":
        return [f"baud: {part.baud or 9600}", "port: any"]
    if part.bus == "i2s":
        return ["direction: in" if part.pins_for("data-out") else "direction: out", "clock: board"]
    return ["gpio: any"]


def _speed(part: Part) -> list[str]:
    return [f"max-khz: {part.max_khz}"] if part.max_khz else []


def _range_text(supply: tuple[Millivolt, Millivolt]) -> str:
    return f"{volt_text(supply[0]).removesuffix(' V')} to {volt_text(supply[1])}"


def _default_first(part: Part) -> list[int]:
    rest = [one for one in part.addresses if one != part.default]
    return rest if part.default is None else [part.default, *rest]


def _code(plugin: str, name: str) -> str:
    return f'''"""The behaviour `{plugin}`: which lines and buses it has, wiring.json says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


class {name}:
    """Started by the robot's program with its part of wiring.json."""

    def __init__(self, wiring: Mapping[str, Any], settings: Mapping[str, Any]) -> None:
        self.wiring = wiring
        self.settings = settings

    def step(self) -> None:
        """Do one round; called by the robot's program."""
'''
