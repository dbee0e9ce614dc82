"""Currents, levels, boot states and hazards of one assignment; pure."""

from __future__ import annotations

from robokit_plan.model import ChipRule, Finding, Rail, dataclass, replace, sorted_findings

from .chips.controllers import check_controllers
from .electrical.add_ons import check_add_ons
from .electrical.batteries import check_batteries
from .electrical.boot_state import check_boot_state
from .electrical.circuit import ElectricalProblem, Wired, Wiring
from .electrical.currents import check_currents
from .electrical.hazards import check_hazards
from .electrical.i2c_bus import check_i2c
from .electrical.levels import check_levels
from .electrical.power import budgets, check_power
from .electrical.pulls import check_pulls
from .electrical.pulses import check_pulses

__all__ = ["ElectricalAnswer", "ElectricalProblem", "Wired", "electrical"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ElectricalAnswer:
    """Every supply with its loads, by name, those of the header last; and what is wrong."""

    rails: tuple[Rail, ...]
    findings: tuple[Finding, ...] = ()


def electrical(problem: ElectricalProblem) -> ElectricalAnswer:
    """
    Return the power budget of *problem* and all findings about its electricity.

    It never certifies: limits are published ones or named assumptions, rounded to the safe side.
    """
    wiring = Wiring(problem)
    rails = budgets(wiring)
    return ElectricalAnswer(
        rails=tuple(one.rail for one in rails),
        findings=sorted_findings(
            _with_reasons(one, problem.link_rules)
            for one in (
                *check_power(wiring, rails),
                *check_batteries(wiring, rails),
                *check_currents(wiring, rails),
                *check_levels(wiring),
                *check_boot_state(wiring),
                *check_i2c(wiring),
                *check_controllers(wiring),
                *check_pulls(wiring),
                *check_pulses(wiring),
                *check_add_ons(wiring),
                *check_hazards(wiring),
            )
        ),
    )


def _with_reasons(found: Finding, rules: tuple[ChipRule, ...]) -> Finding:
    """Return *found* with the words of the link rules that stand behind it."""
    words = [rule.text for rule in rules if found.rule in rule.tells]
    return replace(found, why=(*found.why, *words)) if words else found
