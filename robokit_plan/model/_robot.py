"""A robot file as a value."""

from __future__ import annotations

import re
from collections.abc import Mapping

from ._ids import (
    BoardId,
    CapabilityName,
    ClaimName,
    ControllerName,
    InstanceName,
    LineName,
    PinId,
    PluginName,
    PortName,
    RobotName,
    RoleName,
    SupplyName,
    VariantName,
)
from ._manifest import SettingValue
from ._names import is_archive_address
from ._origin import Origin, Text
from ._units import Milliamp, MilliampHour, Millivolt
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """A further Debian archive that the builder declares."""

    name: str
    url: str
    suites: tuple[str, ...]
    components: tuple[str, ...]
    signed_by: str | None
    """A key file beside the robot file, or a keyring that a package installs."""
    priority: int | None = None
    only: tuple[str, ...] = ()
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Index:
    """A further Python index; a distribution under `only` comes from here and nowhere else."""

    name: str
    url: str
    only: tuple[str, ...]
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class System:
    """The target machine's software."""

    release: str = "debian-13"
    image: str = "debian"
    architecture: str = "arm64"
    python: str | None = None
    """``3.13``; None: the release's own."""
    mirror: str | None = None
    suites: tuple[str, ...] = ()
    """Empty: release, release-updates, release-security."""
    base: str | None = None
    """A dpkg status file, relative like `Origin.file`."""
    recommends: bool = False
    sources: tuple[Source, ...] = ()
    snapshot: str | None = None
    boot_config: str | None = None
    sdists: tuple[str, ...] = ()
    """Distributions taken as sdist even where a wheel exists."""
    memory_mb: int | None = None
    """Of this board; None: what the board's facts say."""
    card_gb: int | None = None
    """Of the card as it is sold, in units of 10^9 bytes."""
    board_typical: Milliamp | None = None
    board_peak: Milliamp | None = None
    """What the board itself draws; None: what the board's facts say."""
    places: Mapping[str, Origin] = field(default_factory=dict)

    @property
    def dated_archive(self) -> str | None:
        """
        Where Debian stands as it was at `snapshot`, UTC; None where no address follows from it.

        An address as it is; a date below `mirror`, which must then be an archive of snapshots,
        whose folders are named like ``20261101T000000Z``.
        """
        if self.snapshot is None or is_archive_address(self.snapshot):
            return self.snapshot
        digits = re.sub(r"[^0-9]", "", self.snapshot)
        if self.mirror is None or len(digits) < 8:
            return None
        return f"{self.mirror.rstrip('/')}/{digits[:8]}T{digits[8:14]:0<6}Z"


@dataclass(frozen=True, kw_only=True, slots=True)
class EnabledPlugin:
    """One entry of `enabled` or of a profile."""

    instance: InstanceName
    plugin: PluginName
    settings: Mapping[str, SettingValue] = field(default_factory=dict)
    origin: Origin
    setting_places: Mapping[str, Origin] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Wiring:
    """What the robot fixes or moves for one claim; None where it says nothing."""

    instance: InstanceName
    claim: ClaimName
    line: LineName | None = None
    position: PinId | None = None
    bus: str | None = None
    address: int | None = None
    select: str | None = None
    port: PortName | None = None
    """A carrier port, or for a UART claim an instance such as ``uart2``."""
    pin: str | None = None
    """Of a controller."""
    connector: str | None = None
    via: str | None = None
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Inhibit:
    """A hardware switch that stops actuators for work on the bench."""

    pin: str
    active: str
    stops: tuple[str, ...]
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Controller:
    """A microcontroller companion."""

    name: ControllerName
    chip: str
    link: str | None = None
    """``usb``, or a board bus or UART instance."""
    usb_id: str | None = None
    usb_serial: str | None = None
    address: int | None = None
    volts: Millivolt | None = None
    supply: SupplyName | None = None
    moves_alone: tuple[str, ...] = ()
    """Actuators that its own program animates."""
    released_by: str | None = None
    """How the host stops that: ``command``, ``line``; None: not declared."""
    resumes: str | None = None
    host_timeout_ms: int | None = None
    baud: int | None = None
    """Rate at which the board opens its port."""
    octal_memory: bool | None = None
    """Whether its module carries octal flash or octal PSRAM; None: nobody says."""
    inhibit: Inhibit | None = None
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Battery:
    """A battery behind a supply; discharge in tenths of C."""

    chemistry: str
    cells: int
    capacity: MilliampHour
    discharge_tenth_c: int | None = None
    fuse: Milliamp | None = None
    cut_off: bool = False
    protected: bool = False
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Supply:
    """A rail or battery."""

    name: SupplyName
    volts: Millivolt
    max_current: Milliamp | None
    feeds: tuple[str, ...] = ()
    """``board``, or names of other supplies, controllers."""
    by: str | None = None
    """``header``: it feeds the board through the header's 5 V positions; None: its own inlet."""
    battery: Battery | None = None
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class CarrierPort:
    """A connector of the carrier board; `lines`: the port's own name of a line -> board line."""

    name: PortName
    kind: str
    bus: str | None = None
    volts: Millivolt | None = None
    lines: Mapping[str, LineName] = field(default_factory=dict)
    supply: SupplyName | None = None
    max_current: Milliamp | None = None
    count: int = 1
    """How many claims fit; a bus port may carry several devices."""
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class AddOn:
    """
    A board that is plugged onto the header and that no plugin's claims describe.

    `size`: how many positions its socket has; `positions` that it connects, `blocks` of the SoC
    that it uses there; `id_eeprom`: the address of its identification memory.
    """

    name: str
    size: int | None = None
    positions: tuple[PinId, ...] = ()
    blocks: tuple[str, ...] = ()
    id_eeprom: int | None = None
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Program:
    """What runs on the robot."""

    run: str
    user: str | None = None
    keep_logs: int = 1
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Robot:
    """
    One robot.

    Shape:
        `enabled` in the file's order; `profiles` name -> entries; `choose` capability ->
        instance; `variants` instance -> variant; `roles` role -> supply or controller;
        `wiring` sorted by instance and claim; `measured` line -> mV.
    """

    name: RobotName
    board: BoardId
    system: System = System()
    plugin_paths: tuple[str, ...] = ("plugins",)
    enabled: tuple[EnabledPlugin, ...] = ()
    profiles: Mapping[str, tuple[EnabledPlugin, ...]] = field(default_factory=dict)
    choose: Mapping[CapabilityName, Text] = field(default_factory=dict)
    variants: Mapping[InstanceName, tuple[VariantName, Origin]] = field(default_factory=dict)
    roles: Mapping[RoleName, Text] = field(default_factory=dict)
    wiring: tuple[Wiring, ...] = ()
    indexes: tuple[Index, ...] = ()
    controllers: Mapping[ControllerName, Controller] = field(default_factory=dict)
    supplies: Mapping[SupplyName, Supply] = field(default_factory=dict)
    ports: tuple[CarrierPort, ...] = ()
    add_ons: tuple[AddOn, ...] = ()
    measured: Mapping[LineName, Millivolt] = field(default_factory=dict)
    program: Program | None = None
    digest: str
    values: Mapping[str, str] = field(default_factory=dict)
    """Key of the file -> what stands there as canonical JSON; keys ``x-`` apart."""
    origin: Origin
    places: Mapping[str, Origin] = field(default_factory=dict)

    def chosen(self, profile: str | None = None) -> tuple[EnabledPlugin, ...]:
        """Return what *profile* enables, or `enabled`; nothing where there is no such profile."""
        return self.enabled if profile is None else self.profiles.get(profile, ())
