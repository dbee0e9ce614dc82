"""Everything that a plan depends on besides the indices, and which plugins it speaks of."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from robokit_plan.model import (
    Board,
    CarriedFacts,
    Chip,
    ChipRule,
    ConfigLine,
    Electrical,
    EnabledPlugin,
    Finding,
    I2cFacts,
    Instance,
    InstanceName,
    MachineFacts,
    MachineNames,
    Manifest,
    Part,
    Plan,
    PluginName,
    PythonFacts,
    Robot,
    SettingValue,
    dataclass,
    field,
    replace,
    with_settings,
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """
    Everything that a plan depends on besides the indices.

    Shape:
        `manifests` all plugins in reach, enabled or not; `reading` findings made while the files
        were read; `locked` what the lock file holds, None where there is none; `upgrade` names
        that may move although they are locked, None: none, empty: all; `as_of` looks at no
        later upload; `digests` name of an input -> SHA-256, kept in the lock file.
    """

    robot: Robot
    manifests: Mapping[PluginName, Manifest]
    board: Board
    parts: Mapping[str, Part] = field(default_factory=dict)
    chips: Mapping[str, Chip] = field(default_factory=dict)
    electrical: Electrical | None = None
    """None: currents, levels and boot states are left out."""
    i2c: I2cFacts | None = None
    link_rules: tuple[ChipRule, ...] = ()
    python_facts: PythonFacts = PythonFacts()
    carried_facts: CarriedFacts = CarriedFacts()
    """Read where a plugin asks Debian for a Python module."""
    profile: str | None = None
    reading: tuple[Finding, ...] = ()
    locked: Plan | None = None
    upgrade: frozenset[str] | None = None
    as_of: date | None = None
    boot_config: tuple[ConfigLine, ...] = ()
    """What `system.boot-config` of the robot file already tells the firmware."""
    indexes: Mapping[str, str] = field(default_factory=dict)
    """Names of the indices that pip is configured for, in order -> address, no credentials."""
    digests: Mapping[str, str] = field(default_factory=dict)
    machine_facts: MachineFacts = MachineFacts()
    machine_names: MachineNames = MachineNames()
    source_keys: Mapping[str, str] = field(default_factory=dict)
    """Declared Debian archive -> its key file in base64."""


def entries_of(robot: Robot, profile: str | None) -> tuple[EnabledPlugin, ...]:
    """Return what is enabled: the robot's list, or that of *profile* (KeyError if unknown)."""
    return robot.enabled if profile is None else robot.profiles[profile]


def instances_of(
    robot: Robot, profile: str | None, known: Mapping[PluginName, Manifest]
) -> tuple[Instance, ...]:
    """
    Return the enabled plugins with complete settings, sorted by name.

    An entry whose plugin is not in reach is left out: reading reported it.
    """
    found: dict[InstanceName, Instance] = {}
    for entry in entries_of(robot, profile):
        manifest = known.get(entry.plugin)
        if manifest is None or entry.instance in found:
            continue
        wished = {
            name: value for name, value in entry.settings.items() if name in manifest.settings
        }
        found[entry.instance] = Instance(
            name=entry.instance,
            manifest=_set(manifest, wished),
            settings={
                **{name: one.default for name, one in manifest.settings.items()},
                **wished,
            },
            origin=entry.origin,
        )
    return tuple(found[name] for name in sorted(found))


def _set(manifest: Manifest, settings: Mapping[str, SettingValue]) -> Manifest:
    """Return *manifest* with the numbers that the robot file sets for one instance."""
    if not settings:
        return manifest
    return replace(
        manifest,
        base=with_settings(manifest.base, settings),
        variants=tuple(
            replace(one, needs=with_settings(one.needs, settings)) for one in manifest.variants
        ),
    )
