"""Names that were checked or normalised once, told apart by the type checker."""

from __future__ import annotations

from typing import NewType

RobotName = NewType("RobotName", str)
PluginName = NewType("PluginName", str)
InstanceName = NewType("InstanceName", str)
VariantName = NewType("VariantName", str)
ClaimName = NewType("ClaimName", str)
CapabilityName = NewType("CapabilityName", str)
RoleName = NewType("RoleName", str)
SupplyName = NewType("SupplyName", str)
ControllerName = NewType("ControllerName", str)
PortName = NewType("PortName", str)
BoardId = NewType("BoardId", str)
"""Device-tree compatible string (Devicetree Specification 2.3.1)."""
PartName = NewType("PartName", str)
LineName = NewType("LineName", str)
"""A line as the SoC's documents name it: ``gpio17``, ``GPIO4_B3``, ``GPIOX_8``."""
PinId = NewType("PinId", str)
"""A header position: ``11``, ``P9_22``."""
BusName = NewType("BusName", str)
"""A controller instance: ``i2c1``, ``spi0``, ``uart0``, ``pwm0``, ``pcm``."""
ResourceName = NewType("ResourceName", str)
RuleName = NewType("RuleName", str)
DistributionName = NewType("DistributionName", str)
"""A Python distribution name, normalised as in PEP 503."""
DebianName = NewType("DebianName", str)
"""A Debian binary package name (Debian Policy 5.6.1)."""
