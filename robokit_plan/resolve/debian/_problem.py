"""What is asked of the Debian side, and what it answers."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import (
    DebianName,
    DebianPackage,
    DebianPin,
    Finding,
    InstanceName,
    Origin,
    dataclass,
    field,
)


@dataclass(frozen=True, kw_only=True, slots=True)
class DebianWant:
    """
    One relation of an enabled plugin (Debian Policy 7.1), e.g. ``mosquitto | nanomq``.

    `build`: only needed to build a Python distribution on the board. `label`: what else to say
    beside the place, e.g. "to build spidev".
    """

    text: str
    origin: Origin
    instance: InstanceName
    build: bool = False
    label: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DebianProblem:
    """
    All wants of one robot.

    `release`: ``debian-13``; `locked` name -> version that an earlier answer chose, kept while
    the archive has it; `base_place` where the robot file names the base card.
    """

    wanted: tuple[DebianWant, ...]
    release: str
    architecture: str
    recommends: bool = False
    locked: Mapping[DebianName, str] = field(default_factory=dict)
    base_place: Origin = field(default_factory=lambda: Origin(file="robot.yaml"))


@dataclass(frozen=True, kw_only=True, slots=True)
class DebianAnswer:
    """
    The packages that are added to the base, or findings that say why not.

    Shape:
        `pins` sorted by name; `build_only` those of them that nothing but builds needs, sorted;
        `removed` packages of the base that must go, sorted; `base` the whole base card; `added`
        what the archive says of each pin.
    """

    pins: tuple[DebianPin, ...] = ()
    build_only: tuple[DebianName, ...] = ()
    removed: tuple[DebianName, ...] = ()
    base: Mapping[DebianName, DebianPackage] = field(default_factory=dict)
    added: Mapping[DebianName, DebianPackage] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
