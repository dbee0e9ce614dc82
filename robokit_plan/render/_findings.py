"""Findings as blocks, compiler lines, JSON rows, SARIF, Markdown and annotations."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from urllib.parse import quote

from robokit_plan.model import (
    Allowed,
    Finding,
    Origin,
    Plan,
    Severity,
    counted,
    listed,
    sorted_findings,
)

from ._plain import columns, markdown, plain, prefixed

Json = dict[str, object]

_PLURAL = {Severity.ERROR: "error", Severity.WARNING: "warning", Severity.NOTE: "note"}


def render_findings_text(
    findings: Iterable[Finding], *, notes: bool = False, prefix: str = ""
) -> str:
    """
    Return *findings* as blocks, the gravest first; "" where there is nothing to say.

    Args:
        findings: In any order; repeats are dropped.
        notes: Whether notes are shown in full; else one line counts them.
        prefix: Put before file paths, for readers that stand in another folder.
    """
    ordered = sorted_findings(findings)
    shown = [one for one in ordered if notes or one.severity is not Severity.NOTE]
    blocks = [_block(one, prefix) for one in shown]
    folded = len(ordered) - len(shown)
    if folded:
        blocks.append(f"{counted(folded, 'note')} more, shown with --notes\n")
    return "\n".join(blocks)


def _block(one: Finding, prefix: str) -> str:
    places = [
        (prefixed(prefix, plain(str(place.origin))), plain(place.label)) for place in one.places
    ]
    rows = [f"  at   {line}" for line in columns(places)]
    rows += [f"  why  {plain(text)}" for text in one.why]
    rows += [f"  fix  {plain(text)}" for text in one.repair]
    if not one.repair and one.severity is not Severity.NOTE:
        rows.append("  fix  not known")
    head = f"{one.severity.value} {plain(one.rule)}: {plain(one.message)}"
    return "\n".join([head, *rows]) + "\n"


def render_verdict(plan: Plan) -> str:
    """Return one sentence, on one line: whether this robot can be built."""
    counts = {kind: sum(one.severity is kind for one in plan.findings) for kind in Severity}
    errors, warnings = counts[Severity.ERROR], counts[Severity.WARNING]
    name = plain(plan.robot) + ("" if plan.profile is None else f" ({plain(plan.profile)})")
    where = (
        f"on {plain(plan.board)} with {plain(plan.target.release)} "
        f"{plain(plan.target.architecture)}"
    )
    open_lines, only = _unmeasured(plan)
    if open_lines and only:
        has = "is" if len(open_lines) == 1 else "are"
        return f"{name} is a draft until {listed(open_lines)} {has} measured, {where}\n"
    if errors:
        return f"{name} cannot be built {where}: {counted(errors, 'error')} to mend first\n"
    unplanned = "" if plan.debian_known else "; its Debian part is not planned"
    if warnings:
        look = f"look at {counted(warnings, 'warning')} first"
        return f"{name} can be built {where}{unplanned}; {look}\n"
    return f"{name} can be built {where}{unplanned}\n"


def is_draft(plan: Plan) -> bool:
    """Whether all that keeps *plan* from being built is a level that somebody must measure."""
    lines, only = _unmeasured(plan)
    return bool(lines) and only


def _unmeasured(plan: Plan) -> tuple[list[str], bool]:
    """Return the board's lines that must be measured first, and whether that is all that errs."""
    lines = {str(use.line) for one in plan.assignments if one.on_board for use in one.lines}
    unknown = [
        one for one in plan.findings if one.rule == "level-unknown" and one.resource in lines
    ]
    others = [one for one in plan.findings if one.severity is Severity.ERROR and one not in unknown]
    return [plain(str(one.resource)) for one in unknown], not others


def render_allowed_text(allowed: Iterable[Allowed]) -> str:
    """Return a block for each finding that a comment allows; "" where there is none."""
    blocks = []
    for one in allowed:
        made = one.finding
        blocks.append(
            f"allowed {plain(made.rule)}: {plain(made.message)}\n"
            f"  at   {plain(str(one.origin))}\n"
            f"  why  {plain(one.because)}\n"
        )
    return "\n".join(blocks)


def render_lint_verdict(findings: Iterable[Finding], files: int, *, allowed: int = 0) -> str:
    """Return one line: what was looked at, whether it is in order, what comments allow."""
    counts = {kind: sum(one.severity is kind for one in findings) for kind in Severity}
    parts = [counted(counts[kind], _PLURAL[kind]) for kind in Severity if counts[kind]]
    looked = f"{counted(files, 'file')} read"
    more = f"; {allowed} allowed by a comment" if allowed else ""
    return f"{looked}: {listed(parts) if parts else 'nothing to mend'}{more}\n"


def render_findings_gnu(findings: Iterable[Finding], *, prefix: str = "") -> str:
    """
    Return one line per finding: ``file:line:column: severity: message [rule]``.

    Source:
        GNU Coding Standards, section 4.4 "Formatting Error Messages".
    """
    return "".join(
        f"{prefixed(prefix, plain(str(one.places[0].origin)))}: {one.severity.value}: "
        f"{plain(one.message)} [{plain(one.rule)}]\n"
        for one in sorted_findings(findings)
    )


def finding_rows(findings: Iterable[Finding], *, prefix: str = "") -> list[Json]:
    """Return *findings* as JSON objects with the keys of the design."""
    return [_finding_row(one, prefix) for one in sorted_findings(findings)]


def _finding_row(one: Finding, prefix: str) -> Json:
    return {
        "rule": one.rule,
        "severity": one.severity.value,
        "message": one.message,
        "why": list(one.why),
        "repair": list(one.repair),
        "plugins": list(one.plugins),
        "resource": one.resource,
        "places": [
            {**_origin_row(place.origin, prefix), "label": place.label} for place in one.places
        ],
    }


def _origin_row(origin: Origin, prefix: str) -> Json:
    return {
        "file": prefixed(prefix, origin.file),
        "line": origin.line,
        "column": origin.column,
    }


def render_json(content: object) -> str:
    """
    Return *content* as JSON in ASCII.

    Whatever a manifest says, a terminal that shows it obeys nothing in it.
    """
    return json.dumps(content, indent=2, ensure_ascii=True) + "\n"


def render_findings_json(
    findings: Iterable[Finding], *, prefix: str = "", allowed: Iterable[Allowed] = ()
) -> str:
    """Return ``{"ok": ..., "findings": [...], "allowed": [...]}``."""
    rows = finding_rows(findings, prefix=prefix)
    return render_json(
        {
            "ok": all(row["severity"] != "error" for row in rows),
            "findings": rows,
            "allowed": [
                {
                    **_finding_row(one.finding, prefix),
                    "because": one.because,
                    "comment": _origin_row(one.origin, prefix),
                }
                for one in allowed
            ],
        }
    )


def failure_object(
    findings: Iterable[Finding], *, status: int, error: Mapping[str, object] | None
) -> Json:
    """
    Return what a command prints as JSON where it could not be carried out.

    Args:
        findings: What is wrong with files, where that is why.
        status: The exit status.
        error: Else message, why and repair.
    """
    return {
        "ok": False,
        "status": status,
        "error": error,
        "findings": finding_rows(findings),
        "allowed": [],
    }


def render_findings_markdown(
    findings: Iterable[Finding], *, prefix: str = "", allowed: int = 0
) -> str:
    """Return *findings* as one table; all text of strangers is shown literally."""
    rows = [
        "| finding | where | why | fix |",
        "|---|---|---|---|",
    ]
    rows += [finding_markdown(one, prefix) for one in sorted_findings(findings)]
    text = "\n".join(rows) + "\n" if len(rows) > 2 else "No findings.\n"
    return f"{text}\n{counted(allowed, 'finding')} allowed by a comment.\n" if allowed else text


def finding_markdown(one: Finding, prefix: str) -> str:
    """Return *one* as a row of a table: finding, where, why, fix."""
    where = [
        markdown(prefixed(prefix, str(place.origin)))
        + (f" {markdown(place.label)}" if place.label else "")
        for place in one.places
    ]
    cells = [
        f"**{one.severity.value}** {markdown(one.rule)}<br>{markdown(one.message)}",
        "<br>".join(where),
        "<br>".join(markdown(text) for text in one.why),
        "<br>".join(markdown(text) for text in one.repair) or "not known",
    ]
    return f"| {' | '.join(cells)} |"


def render_findings_annotations(findings: Iterable[Finding], *, prefix: str = "") -> str:
    """
    Return workflow commands that put each finding beside its line in a code review.

    Text is escaped as those commands ask (percent, carriage return, line feed; in properties
    colon and comma too), so no manifest can start a command of its own.
    """
    level = {Severity.ERROR: "error", Severity.WARNING: "warning", Severity.NOTE: "notice"}
    lines = []
    for one in sorted_findings(findings):
        place = one.places[0].origin
        properties = [f"file={_property(prefixed(prefix, place.file))}"]
        if place.line:
            properties += [f"line={place.line}", f"col={place.column}"]
        properties.append(f"title={_property(one.rule)}")
        text = [one.message, *one.why, *(f"fix: {repair}" for repair in one.repair)]
        body = "%0A".join(_data(plain(part)) for part in text)
        lines.append(f"::{level[one.severity]} {','.join(properties)}::{body}\n")
    return "".join(lines)


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(plain(text)).replace(":", "%3A").replace(",", "%2C")


def render_findings_sarif(
    findings: Iterable[Finding],
    *,
    version: str,
    summaries: Mapping[str, str] | None = None,
    prefix: str = "",
    allowed: Iterable[Allowed] = (),
) -> str:
    """
    Return *findings* as a SARIF log.

    What a comment allows is a result with a suppression; the others have an empty list of them,
    which says that suppressions were looked for (3.27.23).

    Args:
        findings: In any order.
        version: Of this tool.
        summaries: Rule -> its one-line summary, for the rules that are known.
        prefix: Put before file paths.
        allowed: In the order of their findings.

    Source:
        OASIS SARIF 2.1.0 (27 March 2020), sections 3.14, 3.19, 3.27, 3.28, 3.35.
    """
    results: list[tuple[Finding, tuple[Json, ...]]] = [
        (one, ()) for one in sorted_findings(findings)
    ]
    results += [(one.finding, (_suppression(one, prefix),)) for one in allowed]
    rules = sorted({one.rule for one, _ in results})
    known = summaries or {}
    driver: Json = {
        "name": "robokit-plan",
        "version": version,
        "rules": [
            {"id": rule, "shortDescription": {"text": known.get(rule, rule.replace("-", " "))}}
            for rule in rules
        ],
    }
    return render_json(
        {
            "version": "2.1.0",
            "$schema": (
                "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
            ),
            "runs": [
                {
                    "tool": {"driver": driver},
                    "columnKind": "unicodeCodePoints",
                    "results": [
                        _sarif_result(one, rules.index(one.rule), prefix, suppressions)
                        for one, suppressions in results
                    ],
                }
            ],
        }
    )


def _suppression(one: Allowed, prefix: str) -> Json:
    return {
        "kind": "inSource",
        "justification": plain(one.because),
        "location": {"physicalLocation": _physical(one.origin, prefix)},
    }


def _sarif_result(
    one: Finding, rule_index: int, prefix: str, suppressions: tuple[Json, ...]
) -> Json:
    text = [one.message, *one.why, *(f"fix: {repair}" for repair in one.repair)]
    places = [_sarif_place(one, at, prefix) for at in range(len(one.places))]
    return {
        "ruleId": one.rule,
        "ruleIndex": rule_index,
        "level": one.severity.value,
        "message": {"text": "\n".join(plain(part) for part in text)},
        "locations": places[:1],
        "relatedLocations": [{"id": at, **place} for at, place in enumerate(places[1:], start=1)],
        "suppressions": list(suppressions),
    }


def _sarif_place(one: Finding, at: int, prefix: str) -> Json:
    place = one.places[at]
    row: Json = {"physicalLocation": _physical(place.origin, prefix)}
    if place.label:
        row["message"] = {"text": plain(place.label)}
    return row


def _physical(origin: Origin, prefix: str) -> Json:
    physical: Json = {"artifactLocation": {"uri": _uri(prefixed(prefix, origin.file))}}
    if origin.line:
        physical["region"] = {
            "startLine": origin.line,
            "startColumn": max(origin.column, 1),
        }
    return physical


def _uri(path: str) -> str:
    """Return *path* as a relative URI; bytes that are no text (PEP 383) become themselves again."""
    try:
        raw = path.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        raw = path.encode("utf-8", "surrogatepass")
    return quote(raw, safe="/")
