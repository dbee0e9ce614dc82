"""One use of a plugin on one robot, before and after its variant is chosen."""

from __future__ import annotations

from collections.abc import Mapping

from ._ids import InstanceName, VariantName
from ._manifest import MachineNeeds, Manifest, Needs, PythonNeeds, SettingValue
from ._origin import Origin
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class Instance:
    """
    An enabled plugin.

    `settings` are complete: the robot's values over the manifest's defaults. `origin` is the
    entry in the robot file.
    """

    name: InstanceName
    manifest: Manifest
    settings: Mapping[str, SettingValue] = field(default_factory=dict)
    origin: Origin


def variant_needs(manifest: Manifest, variant: VariantName | None) -> Needs:
    """Return what *manifest* asks for when built up as *variant*: base and variant together."""
    for one in manifest.variants:
        if one.name == variant:
            return _joined(manifest.base, one.needs)
    return manifest.base


def _joined(base: Needs, extra: Needs) -> Needs:
    """Return both needs; a scalar of the variant replaces that of the base."""
    python = PythonNeeds(
        requires_python=extra.python.requires_python or base.python.requires_python,
        requires=base.python.requires + extra.python.requires,
        modules=base.python.modules + extra.python.modules,
    )
    one, two = base.machine, extra.machine
    machine = MachineNeeds(
        groups=one.groups + two.groups,
        start=one.start + two.start,
        stop=one.stop + two.stop,
        load=one.load + two.load,
        block=one.block + two.block,
        permissions=one.permissions + two.permissions,
        environment=one.environment + two.environment,
        assets=one.assets + two.assets,
        memory_mb=one.memory_mb if two.memory_mb is None else two.memory_mb,
        cpu_percent=one.cpu_percent if two.cpu_percent is None else two.cpu_percent,
    )
    return Needs(
        python=python,
        debian=base.debian + extra.debian,
        machine=machine,
        hardware=base.hardware + extra.hardware,
    )
