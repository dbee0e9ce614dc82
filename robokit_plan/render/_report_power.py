"""Power as bars from zero to the limit, with typical and peak marked."""

from __future__ import annotations

from robokit_plan.model import Plan, Rail, current_text, volt_text

from ._report_html import Html, el, join
from ._report_plugins import plugin_link

_WIDE = 1000
_HIGH = 34
_END = 12
"""Room at the right end for the mark of whatever reaches farthest."""


def power(plan: Plan) -> Html:
    """Return a figure for each supply; a sentence where none is known."""
    if not plan.rails:
        return el("p", "No supply is declared, so nothing can be added up.")
    return join([_patterns(), _key(), *(_rail(plan, one) for one in plan.rails)])


def _patterns() -> Html:
    """Return the hatches, so that a bar tells its parts apart without colour."""

    def hatch(name: str, path: str) -> Html:
        return el(
            "pattern",
            el("rect", width=8, height=8, class_=f"{name}-ground"),
            el("path", d=path, class_="hatch"),
            id=name,
            width=8,
            height=8,
            patternUnits="userSpaceOnUse",
        )

    return el(
        "svg",
        el(
            "defs",
            hatch("peak", "M -2 2 L 2 -2 M 0 8 L 8 0 M 6 10 L 10 6"),
            hatch("over", "M 0 0 L 8 8 M 0 8 L 8 0"),
        ),
        class_="patterns",
        width=0,
        height=0,
        aria_hidden="true",
        focusable="false",
    )


def _key() -> Html:
    def sample(kind: str, words: str) -> Html:
        mark = el(
            "svg",
            el("rect", width=28, height=14, class_=kind),
            width=28,
            height=14,
            aria_hidden="true",
        )
        return el("li", mark, el("span", words))

    return el(
        "ul",
        sample("typical", "typical"),
        sample("peak", "up to the peak"),
        sample("over", "beyond the limit"),
        sample("room", "left up to the limit"),
        class_="legend",
    )


def _rail(plan: Plan, rail: Rail) -> Html:
    unknown = [one for one in rail.loads if one.typical is None or one.peak is None]
    return el(
        "figure",
        el(
            "figcaption",
            el("strong", rail.name, class_="name"),
            f" {volt_text(rail.volts)}: {_words(rail)}",
        ),
        bar(
            f"{rail.name}: {_words(rail)}",
            typical=rail.typical,
            peak=rail.peak,
            limit=rail.limit,
        ),
        el(
            "p",
            "not declared, so not in the sum: ",
            join([_who(plan, one.instance, one.claim) for one in unknown], ", "),
            class_="quiet",
        )
        if unknown
        else None,
        _loads(plan, rail),
        class_="rail",
    )


def _words(rail: Rail) -> str:
    told = f"{current_text(rail.typical)} typical, {current_text(rail.peak)} peak, "
    if rail.limit is None:
        return f"{told}no limit declared"
    if rail.peak > rail.limit:
        over = current_text(rail.peak - rail.limit)
        return f"{told}limit {current_text(rail.limit)}: the peak is {over} beyond it"
    share = f" ({rail.peak * 100 // rail.limit} % of it at the peak)" if rail.limit else ""
    return f"{told}limit {current_text(rail.limit)}{share}"


def bar(label: str, *, typical: int, peak: int, limit: int | None) -> Html:
    """
    Return a bar from zero; its scale ends at the limit, or at the peak where that is beyond.

    Args:
        label: What it shows, in words.
        typical: What is taken as a rule, in the unit of all three.
        peak: What is taken at most.
        limit: What there is; None: not known, then no limit is drawn.
    """
    end = max(limit or 0, peak, typical, 1)

    def at(amount: int) -> int:
        return amount * (_WIDE - _END) // end

    room = end if limit is None else limit
    parts = [_part("room", 0, at(room))]
    parts.append(_part("peak", at(typical), at(min(peak, room))))
    parts.append(_part("over", at(room), at(peak)))
    parts.append(_part("typical", 0, at(min(typical, room))))
    for name, amount in (("typical", typical), ("peak", peak)):
        parts.append(_mark(name, at(amount), 6))
    if limit is not None:
        parts.append(_mark("limit", at(limit), 0))
    return el(
        "svg",
        parts,
        class_="bar",
        role="img",
        viewBox=f"0 0 {_WIDE} {_HIGH}",
        preserveAspectRatio="none",
        aria_label=label,
    )


def _part(kind: str, start: int, end: int) -> Html | None:
    if end <= start:
        return None
    return el("rect", x=start, y=8, width=end - start, height=_HIGH - 16, class_=kind)


def _mark(kind: str, at: int, inset: int) -> Html:
    return el("line", x1=at, x2=at, y1=inset, y2=_HIGH - inset, class_=f"mark {kind}-mark")


def _who(plan: Plan, instance: str, claim: str) -> Html:
    return join([plugin_link(plan, instance), f".{claim}"])


def _loads(plan: Plan, rail: Rail) -> Html | None:
    if not rail.loads:
        return None
    rows = [
        el(
            "tr",
            el("td", _who(plan, one.instance, one.claim)),
            *(
                el("td", "not declared" if value is None else current_text(value), class_="figure")
                for value in (one.typical, one.peak)
            ),
        )
        for one in sorted(
            rail.loads, key=lambda one: (-(one.peak or 0), str(one.instance), one.claim)
        )
    ]
    heads = [el("th", words, scope="col") for words in ("load", "typical", "peak")]
    return el(
        "details",
        el("summary", f"loads on {rail.name} ({len(rail.loads)})"),
        el("table", el("thead", el("tr", heads)), el("tbody", rows)),
    )
