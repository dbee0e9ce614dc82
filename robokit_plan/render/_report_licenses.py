"""Under which licences everything is, as far as it says so."""

from __future__ import annotations

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

from robokit_plan.model import Plan, counted

from ._report_html import Html, el, join, link
from ._report_plugins import plugin_link

_SILENT = "not said"


def licenses(plan: Plan) -> Html:
    """Return a table licence -> what is under it; Debian packages in a sentence."""
    found: dict[str, list[Html]] = {}
    for one in plan.instances:
        found.setdefault(one.license or _SILENT, []).append(plugin_link(plan, one.name))
    for pin in plan.python:
        found.setdefault(pin.license or _SILENT, []).append(link("dist", pin.name))
    for asset in plan.machine.assets:
        name = el("span", f"{asset.instance}/{asset.path}", class_="name")
        found.setdefault(asset.license or _SILENT, []).append(name)
    rows = [
        el(
            "tr",
            el("th", f"{words}{_doubt(words)}", scope="row"),
            el("td", join(found[words], ", ")),
        )
        for words in sorted(found, key=lambda words: (words == _SILENT, words.lower()))
    ]
    heads = [el("th", words, scope="col") for words in ("licence", "what is under it")]
    table = el(
        "div",
        el(
            "table",
            el("caption", "licences of plugins, distributions and assets", class_="unseen"),
            el("thead", el("tr", heads)),
            el("tbody", rows),
        ),
        class_="wide",
        tabindex="0",
        role="group",
        aria_label="table of licences, scrolls sideways where the screen is narrow",
    )
    return join([table if rows else el("p", "Nothing is planned."), _debian(plan)])


def _doubt(words: str) -> str:
    """Return what to say of *words* that are no SPDX expression."""
    try:
        canonicalize_license_expression(words)
    except InvalidLicenseExpression:
        return "" if words == _SILENT else ", in its makers' words"
    return ""


def _debian(plan: Plan) -> Html | None:
    """Say where the licences of Debian packages are: no index tells them."""
    if not plan.debian:
        return None
    return el(
        "p",
        f"{counted(len(plan.debian), 'Debian package')}: their licences are in no index; on the "
        "robot each stands in ",
        el("code", "/usr/share/doc/NAME/copyright"),
        " (Debian Policy 12.5).",
    )
