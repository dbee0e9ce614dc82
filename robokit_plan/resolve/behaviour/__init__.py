"""Which plugins go together: capabilities, other plugins, topics, actuators, the machine."""

from ._actuators import actuator_findings, hazards_of
from ._capabilities import Providers, choose_providers
from ._machine import group_rules, machine_of
from ._machine_names import Installed, machine_name_findings
from ._plugins import plugin_findings
from ._run_time import run_time_findings
from ._topics import topic_findings

__all__ = [
    "Installed",
    "Providers",
    "actuator_findings",
    "choose_providers",
    "hazards_of",
    "group_rules",
    "machine_name_findings",
    "machine_of",
    "plugin_findings",
    "run_time_findings",
    "topic_findings",
]
