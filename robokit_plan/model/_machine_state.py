"""What was read of one machine, to be compared with a plan."""

from __future__ import annotations

from collections.abc import Mapping

from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class InstalledState:
    """One Debian package: its version, and dpkg's word for how far it is (``installed``)."""

    version: str
    status: str


@dataclass(frozen=True, kw_only=True, slots=True)
class UnitState:
    """
    One service on the machine.

    `state`: ``enabled``, ``disabled``, ``masked``, ``static`` (nothing to enable) or ``absent``.
    `active` None: not a running machine.
    """

    state: str
    active: bool | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class UsbDevice:
    """One device on USB: ``0bda:2838`` and its serial number, None where it has none."""

    id: str
    serial: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineState:
    """
    A machine as it is.

    Shape:
        `packages` ``name:architecture`` -> state; `python` distribution -> version, None: there
        is no virtual environment; `damaged` files of it that differ from what was recorded when
        they were installed; `groups` of the program's user, None: there is no such user; `units`
        by name with suffix; `texts` asked path -> content, None: no such file; `hashes` asked
        path -> SHA-256, None: no such file; `variables` name -> whether it has a value, None: the
        file may not be read; `paths` asked device -> whether it is there, empty where the machine
        does not run; `i2c_bound` devices that a driver of the kernel holds (``1-0028``); `usb`,
        `cameras` (names of sensors), `cards` (of sound) and `command_line` None: it does not run.
    """

    board: tuple[str, ...] | None = None
    release: str | None = None
    architecture: str | None = None
    packages: Mapping[str, InstalledState] = field(default_factory=dict)
    python: Mapping[str, str] | None = None
    damaged: tuple[str, ...] = ()
    groups: frozenset[str] | None = None
    units: Mapping[str, UnitState] = field(default_factory=dict)
    texts: Mapping[str, str | None] = field(default_factory=dict)
    hashes: Mapping[str, str | None] = field(default_factory=dict)
    variables: Mapping[str, bool] | None = None
    secrets_mode: int | None = None
    """Permission bits of the file with secrets."""
    free: int | None = None
    """Bytes left where the robot's folder is."""
    lock: str | None = None
    """SHA-256 of the lock file that was installed last, as a whole."""
    paths: Mapping[str, bool] = field(default_factory=dict)
    i2c_bound: frozenset[str] = frozenset()
    usb: tuple[UsbDevice, ...] | None = None
    cameras: tuple[str, ...] | None = None
    cards: tuple[str, ...] | None = None
    command_line: str | None = None
