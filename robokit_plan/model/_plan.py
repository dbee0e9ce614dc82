"""The complete, consistent answer as a value."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

from ._carried import CarriedPin
from ._claim import Active, Pull
from ._finding import Finding, Severity
from ._ids import (
    BoardId,
    BusName,
    CapabilityName,
    ClaimName,
    ControllerName,
    DebianName,
    DistributionName,
    InstanceName,
    LineName,
    PinId,
    PluginName,
    PortName,
    ResourceName,
    RobotName,
    SupplyName,
    VariantName,
)
from ._manifest import SettingValue, Variable
from ._software import IndexFile
from ._units import Hertz, Milliamp, Millivolt
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class Target:
    """The machine that the plan is for; never the machine that computes it."""

    release: str
    image: str
    architecture: str
    python: str
    """``3.13``."""
    tags: tuple[str, ...]
    """PEP 425 tags, best first."""
    markers: Mapping[str, str]
    """PEP 508 environment."""


class Direction(Enum):
    """Which way a line goes, seen from the board or from the companion whose pin it is."""

    IN = "in"
    OUT = "out"
    BOTH = "both"
    """Both ends drive it in turn."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LineUse:
    """
    One line that an assignment takes: the claim's own word for it, line, header position.

    `chip` and `offset`: label of the GPIO chip and the line's number on it, for a line that the
    program itself asks the chip for; chip numbers change from start to start, labels do not.
    """

    signal: str
    line: LineName
    position: PinId | None
    shared: bool = False
    """A bus line that other claims of the same bus may use too."""
    chip: str | None = None
    offset: int | None = None
    direction: Direction | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Assignment:
    """
    A claim tied to a concrete resource.

    `resource` is what a person calls it: ``gpio17``, ``i2c1 0x28``, ``spi0 select 1``,
    ``uart0``, ``camera cam0``, ``usb 0bda:2838``. `channel`: ``pwm0 channel 1``, or of the
    multiplexer that an I2C device is behind: ``mux channel 3``. `controller` set: `lines` are that
    companion's pins, without a header position, but for its link, which ends on the board
    (`on_board`). `device`: the path on the machine where one exists.
    """

    instance: InstanceName
    claim: ClaimName
    section: str
    resource: ResourceName
    lines: tuple[LineUse, ...] = ()
    bus: BusName | None = None
    address: int | None = None
    select: int | None = None
    channel: str | None = None
    route: str | None = None
    port: PortName | None = None
    controller: ControllerName | None = None
    device: str | None = None
    function: str = ""
    note: str = ""
    frequency: Hertz | None = None
    active: Active | None = None
    pull: Pull | None = None
    """Level and resistor of a signal as its manifest says them; None: not a signal."""
    timeout_ms: int | None = None
    """Of a companion's link: its firmware stops after so long a silence of the board."""
    level: Millivolt | None = None
    """Of the other side, as its manifest says."""
    current: Milliamp | None = None
    """Through its line, as its manifest says."""
    converter: str = ""
    """What stands between two levels: ``shifter``, or ``divider 10000/20000 ohm``."""

    @property
    def on_board(self) -> bool:
        """Whether `lines` are the board's, not pins of a companion."""
        return self.controller is None or (
            self.section == "controllers" and self.function != "inhibit"
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class PythonPin:
    """
    One distribution of the install set.

    `file` is what will be installed; `all_files` every acceptable file of that version for the
    target. `wanted_by` sorted instances, directly or through others. `requires` names and
    extras chosen.
    """

    name: DistributionName
    version: str
    extras: tuple[str, ...] = ()
    file: IndexFile
    all_files: tuple[IndexFile, ...] = ()
    requires_python: str | None = None
    requires: tuple[DistributionName, ...] = ()
    wanted_by: tuple[InstanceName, ...] = ()
    direct: bool = False
    installed_size: int | None = None
    license: str | None = None

    @property
    def is_wheel(self) -> bool:
        """Whether nothing has to be built on the board."""
        return self.file.filename.endswith(".whl")


@dataclass(frozen=True, kw_only=True, slots=True)
class SourceBuild:
    """
    One source archive that is built on the board, and what its wheel is kept by.

    `version` as the name of a wheel has it; `key` (16 hexadecimal digits) stands for all that the
    wheel follows from: archive, target, board, build requirements, variables of the build.
    """

    name: DistributionName
    version: str
    filename: str
    key: str


@dataclass(frozen=True, kw_only=True, slots=True)
class DebianPin:
    """
    One package added to the base, with what is needed to fetch and check it.

    `requires`: the other pins that its Pre-Depends and Depends lead to, sorted.
    """

    name: DebianName
    version: str
    architecture: str
    suite: str
    source: str = ""
    filename: str
    size: int
    installed_size: int
    sha256: str
    wanted_by: tuple[InstanceName, ...] = ()
    direct: bool = False
    requires: tuple[DebianName, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class BootSetting:
    """
    One line for the board's firmware or kernel.

    `kind`: ``parameter``, ``overlay``, ``firmware`` and ``kernel-command-line`` stand in the
    board's usual files; ``kernel-command-line-remove`` is a word that must not stand there (a
    value behind ``=`` may differ); ``file-line`` is a line of another file; ``module-load``,
    ``module-block``. `text` is the line itself; `frees` True: it is taken out where it stands.
    `file`: the file that holds it; None: the machine's own place for modules. `apply`: a command
    that puts the edited file into force before the reboot.
    """

    kind: str
    text: str
    because_of: tuple[InstanceName, ...] = ()
    source: str = ""
    file: str | None = None
    frees: bool = False
    apply: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Machine:
    """Groups, services, modules and rights; name -> instances that asked, names sorted."""

    groups: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    start: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    stop: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    load: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    block: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    permissions: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    environment: tuple[tuple[InstanceName, Variable], ...] = ()
    assets: tuple[PlannedAsset, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class PlannedAsset:
    """A file to fetch; `sha256` is never absent in a plan that is ok."""

    instance: InstanceName
    url: str
    sha256: str | None
    size: int | None
    path: str
    license: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class PlannedSource:
    """
    A further Debian archive, as a line of apt's sources.

    `key` the signing key's file in base64, "" where `keyring` names a file that a package
    installs, or where nobody gave one. `only`: packages that come from here; all others do not.
    `dated`: a snapshot, whose Release files may have run out.
    """

    name: str
    url: str
    suites: tuple[str, ...]
    components: tuple[str, ...] = ("main",)
    key: str = ""
    keyring: str | None = None
    priority: int | None = None
    only: tuple[str, ...] = ()
    dated: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Load:
    """One consumer on a supply; None: not declared."""

    instance: InstanceName
    claim: str
    typical: Milliamp | None
    peak: Milliamp | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Rail:
    """One supply with its loads."""

    name: SupplyName
    volts: Millivolt
    limit: Milliamp | None
    typical: Milliamp
    peak: Milliamp
    loads: tuple[Load, ...] = ()
    run_minutes: int | None = None
    """How long a battery lasts at the typical load; None: no battery."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PlannedInstance:
    """One enabled plugin with all choices made."""

    name: InstanceName
    plugin: PluginName
    version: str
    variant: VariantName | None
    settings: Mapping[str, SettingValue]
    behaviour: str | None
    provides: tuple[CapabilityName, ...]
    digest: str
    summary: str = ""
    license: str | None = None
    memory_mb: int | None = None
    """What the plugin says that it holds in use; None: it does not say."""
    cpu_percent: int | None = None
    """Of one core, likewise."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Capacity:
    """
    What the machine has to share out, and what its system takes of it before any plugin does.

    Shape:
        `memory_sizes_mb` the sizes that this board may have, least first: one where it is known,
        none where nobody says. `cores` and `card_bytes` None: not known.
    """

    memory_sizes_mb: tuple[int, ...] = ()
    cores: int | None = None
    card_bytes: int | None = None
    system_memory_mb: int = 0
    system_card_bytes: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """
    Everything that was decided.

    Shape:
        all tuples sorted by name; `providers` capability -> the instance that serves it;
        `digests` name of an input -> SHA-256.
    """

    robot: RobotName
    profile: str | None
    board: BoardId
    target: Target
    instances: tuple[PlannedInstance, ...]
    providers: Mapping[CapabilityName, InstanceName] = field(default_factory=dict)
    assignments: tuple[Assignment, ...] = ()
    python: tuple[PythonPin, ...] = ()
    build: tuple[PythonPin, ...] = ()
    """Build requirements of sdists, installed only while building."""
    carried: tuple[CarriedPin, ...] = ()
    """Distributions that plugins ask for and that members of `debian`, or of the card, bring."""
    debian: tuple[DebianPin, ...] = ()
    debian_build: tuple[DebianName, ...] = ()
    """Members of `debian` that only builds need."""
    debian_known: bool = True
    """False: no mirror is known, the Debian part was not planned."""
    base_known: bool = True
    """False: planned over what plain Debian's card carries, though the image is another."""
    undecided: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    """``debian``, ``python`` where that part holds an error -> instances in it; what the plan has
    of such a part is only what is left besides the error."""
    debian_suites: tuple[str, ...] = ()
    boot: tuple[BootSetting, ...] = ()
    machine: Machine = Machine()
    rails: tuple[Rail, ...] = ()
    hazards: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    """Hazard word -> instances that bring it: where cautions must be shown."""
    findings: tuple[Finding, ...] = ()
    digests: Mapping[str, str] = field(default_factory=dict)
    program: str | None = None
    program_user: str | None = None
    keep_logs: int = 1
    indexes: Mapping[str, str] = field(default_factory=dict)
    """Python index (``default`` and those of the robot file) -> address, no credentials."""
    system_packages: bool = False
    """The virtual environment sees the Python modules that Debian packages install."""
    sources: tuple[PlannedSource, ...] = ()
    """Further Debian archives of the robot file; a snapshot that was planned from is one."""
    build_environment: Mapping[DistributionName, tuple[tuple[str, str], ...]] = field(
        default_factory=dict
    )
    """Distribution that is built on the board -> variables that its build must see."""
    build_room: Mapping[DistributionName, int] = field(default_factory=dict)
    """Distribution that is built on the board -> MB of the card that its build takes meanwhile."""
    modules: Mapping[str, tuple[InstanceName, ...]] = field(default_factory=dict)
    """Import name that a manifest declares -> instances; what a self-test imports."""
    capacity: Capacity = Capacity()
    udev_rules: tuple[str, ...] = ()
    """Rules for udev, one a line: links, groups and marks, never a program (`is_udev_rule`)."""

    @property
    def ok(self) -> bool:
        """Whether no finding is an error."""
        return all(one.severity is not Severity.ERROR for one in self.findings)
