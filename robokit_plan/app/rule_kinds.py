"""Which findings a comment may allow, by the catalogue of rules."""

from __future__ import annotations

from robokit_plan.edge.rules import read_rules
from robokit_plan.lint import RuleKind
from robokit_plan.model import RuleName


def rule_kinds() -> dict[RuleName, RuleKind]:
    """Return what decides which findings a comment may allow."""
    return {
        name: RuleKind(guess=one.guess, alone=one.domain in {"lint", "reading"})
        for name, one in read_rules().items()
    }
