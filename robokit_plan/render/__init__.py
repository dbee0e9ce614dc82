"""Plan -> text: decides nothing, reads nothing; the same plan gives the same bytes."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ._bom import bom_name, render_bom
    from ._builds import CarriedBuilds, render_builds
    from ._c_header import c_controllers, render_c_header
    from ._card import card_name, render_card, render_sums
    from ._cautions import caution_rows, render_cautions
    from ._check_json import assignment_rows, check_object, render_check_json
    from ._diff import Attention, DiffRow, Domain, Kind, PlanDiff, diff_plans
    from ._diff_text import diff_object, render_diff_json, render_diff_markdown, render_diff_text
    from ._findings import (
        failure_object,
        finding_rows,
        render_allowed_text,
        render_findings_annotations,
        render_findings_gnu,
        render_findings_json,
        render_findings_markdown,
        render_findings_sarif,
        render_findings_text,
        render_json,
        render_lint_verdict,
        render_verdict,
    )
    from ._moved import MovedFindings, findings_moved, render_moved_markdown, render_moved_text
    from ._nets import render_nets, render_parts_csv, render_parts_text
    from ._plain import markdown, plain
    from ._report import Report, render_report, report_name
    from ._report_switch import Toggle
    from ._review import RobotReview, render_review_markdown
    from ._script import (
        Locked,
        ProfilesDifferError,
        UnsafeValueError,
        profile_word,
        render_script,
        sh_quote,
        source_builds,
        union_of,
    )
    from ._suggest import (
        render_suggestions_json,
        render_suggestions_text,
        suggestions_object,
    )
    from ._summary import render_summary
    from ._verify import (
        MachineQuestion,
        MachineRow,
        Verdict,
        asked_of,
        compare_machine,
        render_machine_json,
        render_machine_text,
    )
    from ._wiring_json import render_wiring_json
    from ._wiring_svg import render_wiring_svg
    from ._wiring_text import render_wiring_csv, render_wiring_text

__all__ = [
    "Attention",
    "CarriedBuilds",
    "DiffRow",
    "Domain",
    "Kind",
    "Locked",
    "PlanDiff",
    "ProfilesDifferError",
    "Report",
    "RobotReview",
    "Toggle",
    "UnsafeValueError",
    "assignment_rows",
    "bom_name",
    "c_controllers",
    "caution_rows",
    "check_object",
    "diff_object",
    "diff_plans",
    "finding_rows",
    "MovedFindings",
    "failure_object",
    "findings_moved",
    "render_moved_markdown",
    "render_moved_text",
    "markdown",
    "plain",
    "profile_word",
    "render_allowed_text",
    "render_bom",
    "render_builds",
    "render_c_header",
    "render_cautions",
    "render_check_json",
    "render_diff_json",
    "render_diff_markdown",
    "render_diff_text",
    "render_findings_annotations",
    "render_findings_gnu",
    "render_findings_json",
    "render_findings_markdown",
    "render_findings_sarif",
    "render_findings_text",
    "render_json",
    "render_lint_verdict",
    "render_nets",
    "render_parts_csv",
    "render_parts_text",
    "render_report",
    "render_review_markdown",
    "render_script",
    "render_suggestions_json",
    "render_suggestions_text",
    "render_summary",
    "render_verdict",
    "render_wiring_csv",
    "render_wiring_json",
    "render_wiring_svg",
    "render_wiring_text",
    "report_name",
    "sh_quote",
    "source_builds",
    "suggestions_object",
    "union_of",
    "MachineQuestion",
    "MachineRow",
    "Verdict",
    "asked_of",
    "compare_machine",
    "render_machine_json",
    "render_machine_text",
    "card_name",
    "render_card",
    "render_sums",
]

_HOMES = {
    "_bom": ("bom_name", "render_bom"),
    "_builds": ("CarriedBuilds", "render_builds"),
    "_c_header": ("c_controllers", "render_c_header"),
    "_card": ("card_name", "render_card", "render_sums"),
    "_cautions": ("caution_rows", "render_cautions"),
    "_check_json": ("assignment_rows", "check_object", "render_check_json"),
    "_diff": ("Attention", "DiffRow", "Domain", "Kind", "PlanDiff", "diff_plans"),
    "_diff_text": ("diff_object", "render_diff_json", "render_diff_markdown", "render_diff_text"),
    "_findings": (
        "failure_object",
        "finding_rows",
        "render_allowed_text",
        "render_findings_annotations",
        "render_findings_gnu",
        "render_findings_json",
        "render_findings_markdown",
        "render_findings_sarif",
        "render_findings_text",
        "render_json",
        "render_lint_verdict",
        "render_verdict",
    ),
    "_moved": (
        "MovedFindings",
        "findings_moved",
        "render_moved_markdown",
        "render_moved_text",
    ),
    "_plain": ("markdown", "plain"),
    "_report": ("Report", "render_report", "report_name"),
    "_report_switch": ("Toggle",),
    "_review": ("RobotReview", "render_review_markdown"),
    "_script": (
        "Locked",
        "ProfilesDifferError",
        "UnsafeValueError",
        "profile_word",
        "render_script",
        "sh_quote",
        "source_builds",
        "union_of",
    ),
    "_suggest": ("render_suggestions_json", "render_suggestions_text", "suggestions_object"),
    "_summary": ("render_summary",),
    "_verify": (
        "MachineQuestion",
        "MachineRow",
        "Verdict",
        "asked_of",
        "compare_machine",
        "render_machine_json",
        "render_machine_text",
    ),
    "_wiring_json": ("render_wiring_json",),
    "_nets": ("render_nets", "render_parts_csv", "render_parts_text"),
    "_wiring_svg": ("render_wiring_svg",),
    "_wiring_text": ("render_wiring_csv", "render_wiring_text"),
}
"""Module -> what it gives; the same as the imports above, which only type checkers read."""


if not TYPE_CHECKING:
    # A command renders one or two things; importing all of them takes longer than rendering.
    # Type checkers do not see this, so a name that is not there stays a mistake to them.

    def __getattr__(name: str) -> object:
        """Return *name*, importing the module that gives it."""
        from importlib import import_module

        for home, names in _HOMES.items():
            if name in names:
                value = getattr(import_module(f".{home}", __name__), name)
                globals()[name] = value
                return value
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

    def __dir__() -> list[str]:
        """Return what there is, imported or not."""
        return sorted({*globals(), *__all__})
