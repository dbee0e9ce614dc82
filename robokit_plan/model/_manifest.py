"""A plugin's manifest as a value."""

from __future__ import annotations

from collections.abc import Mapping

from ._claim import Claim
from ._ids import BoardId, CapabilityName, PluginName, VariantName
from ._origin import Origin, Text
from ._value import dataclass, field

SettingValue = str | int | float | bool | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Setting:
    """One knob of a plugin; bounds are inclusive."""

    name: str
    type: str
    """``integer``, ``number``, ``string`` or ``boolean``."""
    default: SettingValue
    minimum: int | float | None = None
    maximum: int | float | None = None
    choices: tuple[SettingValue, ...] = ()
    summary: str = ""
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Variable:
    """An environment variable that the plugin reads; a secret's value is never planned."""

    name: str
    secret: bool
    purpose: str
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Asset:
    """A file fetched at install time and checked."""

    url: str
    sha256: str | None
    size: int | None
    path: str
    license: str | None
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class PythonNeeds:
    """Shape: `requires` are PEP 508 requirements; `modules` are import names."""

    requires_python: Text | None = None
    requires: tuple[Text, ...] = ()
    modules: tuple[Text, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineNeeds:
    """What the operating system must have or let go."""

    groups: tuple[Text, ...] = ()
    start: tuple[Text, ...] = ()
    stop: tuple[Text, ...] = ()
    load: tuple[Text, ...] = ()
    """Kernel modules to load."""
    block: tuple[Text, ...] = ()
    """Kernel modules to keep out."""
    permissions: tuple[Text, ...] = ()
    environment: tuple[Variable, ...] = ()
    assets: tuple[Asset, ...] = ()
    memory_mb: int | None = None
    cpu_percent: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Needs:
    """What a manifest, or one of its variants, asks for."""

    python: PythonNeeds = PythonNeeds()
    debian: tuple[Text, ...] = ()
    """Relations as in Debian Policy 7.1, one element each, alternatives inside."""
    machine: MachineNeeds = MachineNeeds()
    hardware: tuple[Claim, ...] = ()
    """Sorted by section and name."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Variant:
    """One way to build the plugin up."""

    name: VariantName
    needs: Needs
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Topics:
    """What a plugin says, hears and commands."""

    publishes: tuple[Text, ...] = ()
    subscribes: tuple[Text, ...] = ()
    commands: tuple[Text, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Manifest:
    """
    One plugin.

    `digest` is the SHA-256 of the manifest's bytes; `folder` is relative like `Origin.file`.
    """

    plugin: PluginName
    version: str
    summary: str
    license: str | None
    behaviour: str | None
    boards: tuple[BoardId, ...] = ()
    settings: Mapping[str, Setting] = field(default_factory=dict)
    provides: tuple[CapabilityName, ...] = ()
    needs: tuple[Text, ...] = ()
    plugins: tuple[Text, ...] = ()
    excludes: tuple[Text, ...] = ()
    base: Needs = Needs()
    variants: tuple[Variant, ...] = ()
    topics: Topics = Topics()
    folder: str
    digest: str
    values: str = ""
    """SHA-256 of what it says, whatever its spelling, order and comments; keys ``x-`` apart."""
    origin: Origin
    places: Mapping[str, Origin] = field(default_factory=dict)
    """Top-level key -> where it stands, for findings about a whole section."""
