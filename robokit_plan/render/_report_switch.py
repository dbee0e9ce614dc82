"""What each switch of the page shows, computed beforehand."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence

from robokit_plan.model import Finding, InstanceName, Plan, PluginName, Together, dataclass

from ._diff import because_text, diff_plans
from ._diff_text import NOTHING, folded
from ._findings import finding_rows, render_verdict
from ._plain import plain
from ._report_html import Html, island


@dataclass(frozen=True, kw_only=True, slots=True)
class Toggle:
    """
    One plugin and the plan with its switch turned.

    `on`: it is enabled now, so the switch disables it. `plan` None: it could not be made,
    `refused` says why. `summary` and `license` as its manifest has them.
    """

    name: InstanceName
    plugin: PluginName
    on: bool
    plan: Plan | None
    refused: str = ""
    summary: str = ""
    version: str = ""
    license: str | None = None


def command(toggle: Toggle, profile: str | None) -> str:
    """Return what does at a prompt what the switch shows."""
    verb = "disable" if toggle.on else "enable"
    name = toggle.name if toggle.on else toggle.plugin
    tail = "" if profile is None else f" --profile {_word(profile)}"
    return f"robokit-plan {verb} {_word(name)}{tail}"


def _word(name: str) -> str:
    """Return *name* as one word of a shell."""
    return shlex.quote(plain(name))


def switch_data(plan: Plan, toggles: Sequence[Toggle], together: Together | None) -> Html:
    """Return the data of all switches; findings stand once, however many plans have them."""
    clashes = () if together is None else together.clashes
    shelf = _Shelf()
    base = shelf.indices(plan.findings)
    rows = [_row(plan, base, one, shelf) for one in toggles]
    return island(
        "switch-data",
        {
            "profile": None if plan.profile is None else _word(plan.profile),
            "findings": shelf.rows,
            "base": {"ok": plan.ok, "verdict": render_verdict(plan).strip(), "findings": base},
            "switches": rows,
            "clashes": [
                [[plain(name) for name in one.instances], plain(one.rule), plain(one.message)]
                for one in clashes
            ],
        },
    )


class _Shelf:
    """Findings as rows, each kind of content once."""

    def __init__(self) -> None:
        self.rows: list[dict[str, object]] = []
        self._known: dict[Finding, int] = {}

    def indices(self, findings: Iterable[Finding]) -> list[int]:
        return [self._index(one) for one in findings]

    def _index(self, one: Finding) -> int:
        if one not in self._known:
            self._known[one] = len(self.rows)
            self.rows.append(_finding(one))
        return self._known[one]


def _finding(one: Finding) -> dict[str, object]:
    (row,) = finding_rows([one])
    return {
        "rule": plain(one.rule),
        "severity": row["severity"],
        "message": plain(one.message),
        "why": [plain(words) for words in one.why],
        "repair": [plain(words) for words in one.repair],
        "places": [[plain(str(place.origin)), plain(place.label)] for place in one.places],
    }


def _said(one: Finding) -> tuple[object, ...]:
    """Return what makes two findings the same although a line above them came or went."""
    return one.rule, one.severity, one.message, one.why, one.plugins, one.resource


def _row(plan: Plan, base: list[int], toggle: Toggle, shelf: _Shelf) -> dict[str, object]:
    row: dict[str, object] = {
        "name": plain(toggle.name),
        "plugin": plain(toggle.plugin),
        "on": toggle.on,
        "command": command(toggle, plan.profile),
        "target": _word(toggle.name if toggle.on else toggle.plugin),
    }
    after = toggle.plan
    if after is None:
        return {**row, "refused": plain(toggle.refused)}
    before = {_said(one) for one in plan.findings}
    left = {_said(one) for one in after.findings}
    diff = diff_plans(plan, after)
    return {
        **row,
        "ok": after.ok,
        "verdict": render_verdict(after).strip(),
        "findings": shelf.indices(after.findings),
        "new": shelf.indices(one for one in after.findings if _said(one) not in before),
        "gone": [at for at, one in zip(base, plan.findings, strict=True) if _said(one) not in left],
        "attention": [
            [one.kind.value, plain(one.text), plain(because_text(one.because_of))]
            for one in diff.attention
        ],
        "rows": [
            [
                one.domain.value,
                plain(one.item),
                plain(NOTHING if one.now is None else one.now),
                plain(NOTHING if one.after is None else one.after),
                plain(because_text(one.because_of)),
            ]
            for one in folded(diff.rows)
        ],
    }
