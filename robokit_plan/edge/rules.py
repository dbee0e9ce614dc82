"""The catalogue of rules: what each one means, why, and how to repair it."""

from __future__ import annotations

from functools import cache

from robokit_plan.model import RuleName, dataclass

from ._cached_yaml import DATA


@dataclass(frozen=True, kw_only=True, slots=True)
class RuleEntry:
    """
    One rule as a person reads it; `severity` is the usual one.

    `guess`: it judges by likeness and may be wrong, so a comment may allow even an error of it.
    """

    rule: RuleName
    severity: str
    summary: str
    reason: str
    example: str
    repair: str
    source: str
    domain: str
    guess: bool = False


@cache
def read_rules() -> dict[RuleName, RuleEntry]:
    """
    Return rule -> entry, sorted by name.

    Raises:
        ValueError: Two data files describe one rule; the package is broken.
    """
    import yaml

    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    found: dict[RuleName, RuleEntry] = {}
    for file in sorted((DATA / "rules").glob("*.yaml")):
        for row in yaml.load(file.read_text("utf-8"), loader) or ():  # noqa: S506  a safe loader
            entry = RuleEntry(
                rule=RuleName(row["rule"]),
                severity=row["severity"],
                summary=row["summary"],
                reason=row["reason"],
                example=row.get("example", "").rstrip(),
                repair=row["repair"],
                source=row["source"],
                domain=file.name.removesuffix(".yaml"),
                guess=row.get("guess", False),
            )
            if entry.rule in found:
                raise ValueError(f"rule {entry.rule} is described twice")
            found[entry.rule] = entry
    return {name: found[name] for name in sorted(found)}
