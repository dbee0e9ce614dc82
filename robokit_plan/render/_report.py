"""The report: one HTML page that holds all of a plan and asks no network for anything."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from hashlib import sha256

from robokit_plan.model import (
    Board,
    Clash,
    Manifest,
    Plan,
    PluginName,
    Rail,
    Robot,
    Severity,
    Together,
    Wires,
    counted,
    current_text,
    dataclass,
    listed,
    size_text,
    volt_text,
)

from ._cautions import DEFERENCE, caution_rows
from ._findings import render_verdict
from ._report_budgets import budgets
from ._report_findings import findings
from ._report_header import boxes, header_figure
from ._report_html import Html, anchor, el, island, join, link
from ._report_licenses import licenses
from ._report_plugins import brings, distributions, plugin_link, tree
from ._report_power import power
from ._report_switch import Toggle, command, switch_data
from ._report_wires import wires, wires_by_part
from ._wires import WIRE_NOTE


@dataclass(frozen=True, kw_only=True, slots=True)
class Report:
    """
    All that the page shows.

    Shape:
        `manifests` plugins in reach, enabled or not; `toggles` one per switch, sorted by name;
        `together` names plugins as their switches do, None where nobody looked.
    """

    plan: Plan
    robot: Robot
    board: Board
    manifests: Mapping[PluginName, Manifest]
    toggles: tuple[Toggle, ...] = ()
    together: Together | None = None
    wires: Wires = Wires()
    """Both ends of every wire; none: only the board's ends are known."""


def report_name(plan: Plan) -> str:
    """Return the file name of the page: a profile has its own."""
    return f"report-{plan.robot}{'' if plan.profile is None else f'-{plan.profile}'}.html"


def render_report(report: Report, *, style: str, script: str) -> str:
    """
    Return the page.

    Args:
        report: What it shows.
        style: A style sheet of ours, without ``</style``.
        script: A program of ours, without ``</script``.

    Source:
        The policy admits these two by their digests and nothing else: CSP Level 3, W3C Working
        Draft, sections 6.1 and 6.7.3; a `meta` element carries it (section 3.3).
    """
    plan = report.plan
    policy = (
        f"default-src 'none'; img-src data:; script-src {_digest(script)}; "
        f"style-src {_digest(style)}; base-uri 'none'; form-action 'none'"
    )
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=policy),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="color-scheme", content="light dark"),
        el("title", f"{_title(plan)}: plan of the robot"),
        el("link", rel="icon", href="data:,"),
        el("style", Html(style)),
    )
    body = el(
        "body",
        el("a", "to the contents", href="#contents", class_="skip"),
        _top(plan),
        el("main", _sections(report), id="contents", tabindex="-1"),
        _foot(plan),
        switch_data(plan, report.toggles, report.together),
        island("page-data", {"robot": plan.robot, "profile": plan.profile or ""}),
        el("script", Html(script)),
    )
    return f"<!doctype html>\n{el('html', head, body, lang='en')}\n"


def _digest(source: str) -> str:
    return f"'sha256-{base64.b64encode(sha256(source.encode()).digest()).decode()}'"


def _title(plan: Plan) -> str:
    return plan.robot if plan.profile is None else f"{plan.robot} ({plan.profile})"


_SECTIONS = (
    ("glance", "At a glance"),
    ("findings", "Findings"),
    ("plugins", "Plugins"),
    ("cautions", "Cautions"),
    ("header", "Header and ports"),
    ("wiring", "Wiring"),
    ("power", "Power"),
    ("budgets", "Sizes and load"),
    ("boot", "Boot settings"),
    ("dependencies", "Dependencies"),
    ("licences", "Licences"),
)


def _top(plan: Plan) -> Html:
    state = "bad" if not plan.ok else "good"
    mark = "✕" if not plan.ok else "✓"
    return el(
        "header",
        el("p", "plan of the robot", class_="kind"),
        el("h1", _title(plan)),
        el(
            "p",
            el("span", mark, class_=f"mark {state}", aria_hidden="true"),
            f" {render_verdict(plan).strip()}",
            class_="verdict",
        ),
        el(
            "nav",
            el("ul", [el("li", el("a", words, href=f"#{name}")) for name, words in _SECTIONS]),
            aria_label="parts of this page",
        ),
    )


def _sections(report: Report) -> list[Html]:
    plan = report.plan
    bodies: dict[str, Html] = {
        "glance": _glance(report),
        "findings": findings(plan.findings),
        "plugins": _plugins(report),
        "cautions": _cautions(plan),
        "header": _header(report),
        "wiring": _wiring(report),
        "power": power(plan),
        "budgets": budgets(plan),
        "boot": _boot(plan),
        "dependencies": _dependencies(report),
        "licences": licenses(plan),
    }
    return [
        el(
            "section",
            el("h2", words, id=f"{name}-title"),
            bodies[name],
            id=name,
            aria_labelledby=f"{name}-title",
        )
        for name, words in _SECTIONS
    ]


def _glance(report: Report) -> Html:
    plan = report.plan
    target = plan.target
    rows: list[tuple[str, list[str]]] = [
        ("board", [str(plan.board)]),
        (
            "system",
            [
                f"{target.release} ({target.image} image), {target.architecture}, "
                f"Python {target.python}"
            ],
        ),
        ("plugins", [f"{len(plan.instances)} enabled, {len(report.manifests)} in reach"]),
        ("findings", [_counts(plan)]),
        ("Python", [_python(plan)]),
        ("Debian", [_debian(plan)]),
        ("wiring", [_wired(plan)]),
        ("power", [_supply(one) for one in plan.rails]),
        ("can hurt by", [", ".join(sorted(plan.hazards))] if plan.hazards else []),
        ("program", [plan.program] if plan.program else []),
        ("profiles", sorted(report.robot.profiles)),
    ]
    return el(
        "dl",
        [(el("dt", name), [el("dd", words) for words in told]) for name, told in rows if told],
        class_="glance",
    )


def _counts(plan: Plan) -> str:
    counts = [
        counted(sum(one.severity is kind for one in plan.findings), kind.value)
        for kind in Severity
        if any(one.severity is kind for one in plan.findings)
    ]
    return listed(counts) or "none"


def _python(plan: Plan) -> str:
    if "python" in plan.undecided:
        return "not planned, an error stands in its way"
    size = sum(one.file.size or 0 for one in plan.python)
    built = [str(one.name) for one in plan.python if not one.is_wheel]
    tail = f"; built on the board: {', '.join(built)}" if built else ""
    here = [f"{one.name} {one.version}" for one in plan.carried]
    tail += f"; brought by Debian: {', '.join(here)}" if here else ""
    return f"{counted(len(plan.python), 'distribution')}, {size_text(size)} to fetch{tail}"


def _debian(plan: Plan) -> str:
    if not plan.debian_known:
        return "not planned: no mirror is known"
    if "debian" in plan.undecided:
        return "not planned, an error stands in its way"
    size = sum(one.size for one in plan.debian)
    card = sum(one.installed_size for one in plan.debian)
    return (
        f"{counted(len(plan.debian), 'package')} beyond the base, {size_text(size)} to fetch, "
        f"{size_text(card)} on the card"
    )


def _wired(plan: Plan) -> str:
    lines = {use.line for one in plan.assignments if one.on_board for use in one.lines}
    return f"{counted(len(plan.assignments), 'claim')} on {counted(len(lines), 'line')}"


def _supply(rail: Rail) -> str:
    limit = "" if rail.limit is None else f" of {current_text(rail.limit)}"
    return f"{rail.name}, {volt_text(rail.volts)}: {current_text(rail.peak)}{limit} at the peak"


# --- plugins and their switches ---------------------------------------------------------------


def _plugins(report: Report) -> Html:
    plan = report.plan
    toggles = {one.name: one for one in report.toggles if one.on}
    off = [one for one in report.toggles if not one.on]
    enabled = [
        _plugin(
            str(one.name),
            one.version if one.variant is None else f"{one.version}, {one.variant}",
            one.summary,
            brings(plan, one, report.manifests.get(one.plugin)),
            toggles.get(one.name),
            plan.profile,
        )
        for one in plan.instances
    ]
    more = [
        _plugin(
            str(one.name),
            one.version,
            one.summary,
            el("dl", el("dt", "licence"), el("dd", one.license or "not said"), class_="brings"),
            one,
            plan.profile,
        )
        for one in off
    ]
    return el(
        "div",
        el(
            "div",
            el("h3", "Enabled"),
            el("ul", enabled, class_="plugins") if enabled else el("p", "None."),
            (el("h3", "In reach, not enabled"), el("ul", more, class_="plugins")) if more else None,
            None if report.together is None else _clashes(report, report.together),
            class_="list",
        ),
        _panel(),
        class_="split",
    )


def _clashes(report: Report, found: Together) -> Html | None:
    """Return who cannot be enabled together; None where everybody can."""
    if not found.clashes and not found.nowhere:
        return None
    known = {one.name for one in report.plan.instances} | {one.name for one in report.toggles}

    def row(one: Clash, words: str) -> Html:
        who = [
            link("plugin", name) if name in known else el("span", name, class_="name")
            for name in one.instances
        ]
        told = el("span", f" {words}: {one.message} ", class_="quiet")
        return el("li", join(who, " and "), told, el("span", one.rule, class_="rule"))

    asked = "" if found.software else " Hardware and behaviour were looked at, software was not."
    return el(
        "div",
        el("h3", "Not together"),
        el(
            "ul",
            [row(one, "do not go together") for one in found.clashes],
            [row(one, "goes into no robot") for one in found.nowhere],
            class_="clashes",
        ),
        el(
            "p",
            "Which do go together: ",
            el("code", "robokit-plan suggest"),
            f".{asked}",
            class_="quiet",
        ),
    )


def _plugin(
    name: str,
    version: str,
    summary: str,
    body: Html,
    toggle: Toggle | None,
    profile: str | None,
) -> Html:
    anchored = anchor("plugin", name)
    switch = None
    if toggle is not None:
        switch = el(
            "input",
            type="checkbox",
            role="switch",
            class_="switch",
            hidden=True,
            checked=toggle.on,
            id=f"{anchored}-switch",
            data_name=toggle.name,
            aria_label=f"{name} enabled",
        )
    does = None if toggle is None else el("p", el("code", command(toggle, profile)), class_="does")
    return el(
        "li",
        el("div", switch, el("h4", name), el("span", version, class_="quiet"), class_="line"),
        el("p", summary, class_="summary") if summary else None,
        el("details", el("summary", "what it brings"), body, does),
        id=anchored,
        tabindex="-1",
    )


def _panel() -> Html:
    """Return the place where the page's program shows what a switch changes."""
    return el(
        "div",
        el("h3", "If you switch"),
        el(
            "noscript",
            el(
                "p",
                "Switching needs the page's own program, which this browser does not run. "
                "Each plugin names the command that does it; with --dry-run that only shows.",
            ),
        ),
        el("p", "", id="switch-says", role="status", class_="says"),
        el("div", id="switch-shows"),
        el(
            "button", "back to the plan", type="button", id="switch-back", hidden=True,
        ),
        class_="panel",
        id="switched",
        tabindex="-1",
    )  # fmt: skip


# --- the rest ---------------------------------------------------------------------------------


def _cautions(plan: Plan) -> Html:
    rows = caution_rows(plan)
    if not rows:
        return join([el("p", "Nothing enabled is known to hurt."), el("p", DEFERENCE)])
    return join(
        [
            el(
                "dl",
                [
                    (
                        el("dt", hazard, el("span", f" ({who})", class_="quiet")),
                        el("dd", words),
                    )
                    for hazard, who, words in rows
                ],
                class_="cautions",
            ),
            el("p", DEFERENCE),
        ]
    )


def _header(report: Report) -> Html:
    held = boxes(report.plan, report.robot)
    return join(
        [
            el("p", "Seen from above, position 1 at the square pad.", class_="quiet lead"),
            el(
                "div",
                header_figure(report.plan, report.board),
                None if held is None else el("div", el("h3", "Ports and companions"), held),
                class_="beside",
            ),
        ]
    )


def _wiring(report: Report) -> Html:
    plan = report.plan
    if not plan.assignments:
        return el("p", "Nothing is wired.")
    return join(
        [
            el(
                "p",
                "Work on it with power off and the battery unplugged. Ticks stay in this browser.",
            ),
            el("p", "", id="wired", role="status", class_="quiet"),
            wires_by_part(plan, report.board, report.wires) if report.wires.wires else wires(plan),
            el("p", f"in, out: seen from the part; {WIRE_NOTE}", class_="quiet"),
            el("button", "take all ticks back", type="button", id="untick", hidden=True),
        ]
    )


def _boot(plan: Plan) -> Html:
    if not plan.boot:
        return el("p", "The image's own settings do.")
    rows = [
        el(
            "tr",
            el("td", el("code", one.text)),
            el("td", _boot_kind(one.kind, one.file), ", taken out" if one.frees else None),
            el("td", _because(plan, one.because_of)),
        )
        for one in plan.boot
    ]
    heads = [el("th", words, scope="col") for words in ("setting", "what it is", "because of")]
    return join(
        [
            el("p", "They act after a reboot."),
            el(
                "div",
                el("table", el("thead", el("tr", heads)), el("tbody", rows)),
                class_="wide",
                tabindex="0",
                role="group",
                aria_label="boot settings, scrolls sideways where the screen is narrow",
            ),
        ]
    )


def _because(plan: Plan, names: tuple[str, ...]) -> Html:
    return join([plugin_link(plan, one) for one in names], ", ")


def _boot_kind(kind: str, file: str | None) -> str:
    words = kind.replace("-", " ")
    return words if file is None else f"{words} in {file}"


def _dependencies(report: Report) -> Html:
    manifests = {str(name): one for name, one in report.manifests.items()}
    table = distributions(report.plan, manifests)
    return join(
        [
            tree(report.plan, manifests),
            (el("h3", "Every distribution"), table) if table is not None else None,
        ]
    )


def _foot(plan: Plan) -> Html:
    digests = ", ".join(f"{name} {plan.digests[name][:12]}" for name in sorted(plan.digests))
    return el(
        "footer",
        el("p", "made by ", el("code", "robokit-plan report"), f" from {digests or 'a plan'}"),
    )
