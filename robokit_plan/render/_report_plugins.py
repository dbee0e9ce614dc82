"""The plugins of the page: what each brings, and the switch that tries the other case."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from packaging.requirements import InvalidRequirement, Requirement
from packaging.utils import canonicalize_name

from robokit_plan.model import (
    DistributionName,
    InstanceName,
    Manifest,
    Plan,
    PlannedInstance,
    PythonPin,
    counted,
    current_text,
    listed,
    size_text,
    variant_needs,
)

from ._diff import place_text
from ._report_html import Html, anchor, el, join, link


def plugin_link(plan: Plan, name: str) -> Html:
    """Return a link to the plugin of that instance; plain text for a board or companion."""
    known = any(one.name == name for one in plan.instances)
    return link("plugin", name) if known else el("span", name, class_="name")


def direct_pins(
    plan: Plan, one: PlannedInstance, manifest: Manifest | None
) -> tuple[PythonPin, ...]:
    """Return what *one* itself requires of the install set, sorted by name."""
    wanted = [pin for pin in plan.python if one.name in pin.wanted_by]
    if manifest is None:
        return tuple(pin for pin in wanted if pin.direct)
    names = set()
    for requirement in variant_needs(manifest, one.variant).python.requires:
        try:
            names.add(canonicalize_name(Requirement(requirement.text).name))
        except InvalidRequirement:
            continue  # a finding already
    return tuple(pin for pin in wanted if str(pin.name) in names)


def brings(plan: Plan, one: PlannedInstance, manifest: Manifest | None) -> Html:
    """Return what *one* brings to the robot, part by part; parts without anything are left out."""
    return el(
        "dl",
        [
            (el("dt", title), [el("dd", row) for row in rows])
            for title, rows in _parts(plan, one, manifest)
            if rows
        ],
        class_="brings",
    )


def _parts(
    plan: Plan, one: PlannedInstance, manifest: Manifest | None
) -> Iterator[tuple[str, list[Html]]]:
    yield "licence", [_words(one.license or "not said")]
    if str(one.plugin) != one.name:
        yield "plugin", [_words(one.plugin)]
    yield "serves", [_words(", ".join(one.provides))] if one.provides else []
    yield (
        "settings",
        [_words(f"{name}: {one.settings[name]}") for name in sorted(one.settings)],
    )
    yield "Python", _python(plan, one, manifest)
    yield "Debian", _debian(plan, one.name)
    yield (
        "lines",
        [
            join([el("span", claim.claim, class_="name"), f" {place_text(claim)}"])
            for claim in plan.assignments
            if claim.instance == one.name
        ],
    )
    yield "power", _power(plan, one.name)
    yield "rights", [_words(words) for words in _rights(plan, one.name)]
    yield "assets", [_words(words) for words in _assets(plan, one.name)]
    yield (
        "can hurt by",
        [
            el("a", hazard, href="#cautions")
            for hazard in sorted(plan.hazards)
            if one.name in plan.hazards[hazard]
        ],
    )


def _words(text: str) -> Html:
    return join([text])


def _python(plan: Plan, one: PlannedInstance, manifest: Manifest | None) -> list[Html]:
    direct = direct_pins(plan, one, manifest)
    rows = [
        join(
            [
                link("dist", pin.name),
                f" {pin.version}" + ("" if pin.is_wheel else ", built on the board"),
            ]
        )
        for pin in direct
    ]
    rows += [
        join([el("span", pin.name, class_="name"), f" {pin.version}, brought by {pin.package}"])
        for pin in plan.carried
        if one.name in pin.wanted_by
    ]
    more = sum(one.name in pin.wanted_by for pin in plan.python) - len(direct)
    if more:
        rows.append(_words(f"{counted(more, 'distribution')} more that these need"))
    return rows


def _debian(plan: Plan, name: InstanceName) -> list[Html]:
    mine = [pin for pin in plan.debian if name in pin.wanted_by]
    rows = [
        join([el("span", pin.name, class_="name"), f" {pin.version}"]) for pin in mine if pin.direct
    ]
    more = len(mine) - len(rows)
    if more:
        rows.append(_words(f"{counted(more, 'package')} more that these need"))
    return rows


def _power(plan: Plan, name: InstanceName) -> list[Html]:
    rows = []
    for rail in plan.rails:
        for load in rail.loads:
            if load.instance != name:
                continue
            told = [
                f"{current_text(value)} {words}"
                for words, value in (("typical", load.typical), ("peak", load.peak))
                if value is not None
            ]
            rows.append(_words(f"{load.claim} on {rail.name}: {', '.join(told) or 'not declared'}"))
    return rows


def _rights(plan: Plan, name: InstanceName) -> Iterator[str]:
    machine = plan.machine
    tables: tuple[tuple[str, Mapping[str, tuple[InstanceName, ...]]], ...] = (
        ("group {}", machine.groups),
        ("service {} runs", machine.start),
        ("service {} is kept from starting", machine.stop),
        ("kernel module {} is loaded", machine.load),
        ("kernel module {} is kept out", machine.block),
        ("may {}", machine.permissions),
    )
    for words, table in tables:
        for item in sorted(table):
            if name in table[item]:
                yield words.replace("{}", item)
    for instance, variable in machine.environment:
        if instance == name:
            noun = "secret" if variable.secret else "variable"
            yield f"reads {noun} {variable.name}: {variable.purpose}"


def _assets(plan: Plan, name: InstanceName) -> Iterator[str]:
    for one in plan.machine.assets:
        if one.instance == name:
            told = [one.path, "size not said" if one.size is None else size_text(one.size)]
            told += [one.license or "licence not said", f"from {one.url}"]
            yield ", ".join(told)


# --- dependencies, to follow ------------------------------------------------------------------


def tree(plan: Plan, manifests: Mapping[str, Manifest]) -> Html:
    """
    Return plugin -> distribution -> what that needs, as nested lists.

    What was unfolded before, in reading order, is only linked, so cycles end too.
    """
    pins = {pin.name: pin for pin in plan.python}
    seen: set[DistributionName] = set()
    rows = []
    for one in plan.instances:
        direct = direct_pins(plan, one, manifests.get(one.plugin))
        debian = [pin for pin in plan.debian if one.name in pin.wanted_by]
        if not direct and not debian:
            continue
        told = []
        if direct:
            told.append(counted(len(direct), "distribution"))
        if debian:
            told.append(counted(len(debian), "Debian package"))
        rows.append(
            el(
                "details",
                el("summary", el("span", one.name, class_="name"), f" {listed(told)}"),
                el("p", link("plugin", one.name), " in the list of plugins", class_="back"),
                el("ul", [_branch(pin, pins, seen) for pin in direct]) if direct else None,
                _packages([pin.name for pin in debian if pin.direct], "Debian, asked for: "),
                _crowd([pin.name for pin in debian if not pin.direct]),
                class_="tree",
            )
        )
    return join(rows) if rows else el("p", "Nothing is installed.")


def _packages(names: list[str], title: str) -> Html | None:
    if not names:
        return None
    return el("p", title, el("span", ", ".join(names), class_="name"))


def _crowd(names: list[str]) -> Html | None:
    """Return packages that only others need, folded, on paper too."""
    if not names:
        return None
    return el(
        "details",
        el("summary", f"{counted(len(names), 'package')} more that these need"),
        el("p", ", ".join(names), class_="name"),
        class_="long",
    )


_DEEPEST = 30
"""A list within lists that is deeper can neither be read nor drawn."""


def _branch(
    pin: PythonPin,
    pins: Mapping[DistributionName, PythonPin],
    seen: set[DistributionName],
    depth: int = 1,
) -> Html:
    again, deep = pin.name in seen, depth >= _DEEPEST
    below = [pins[name] for name in pin.requires if name in pins]
    note = ""
    if below and again:
        note = " (what it needs stands above)"
    elif below and deep:
        note = " (what it needs stands in the table)"
    else:
        seen.add(pin.name)
    return el(
        "li",
        link("dist", pin.name),
        f" {pin.version}{note}",
        el("ul", [_branch(one, pins, seen, depth + 1) for one in below])
        if below and not (again or deep)
        else None,
    )


def distributions(plan: Plan, manifests: Mapping[str, Manifest]) -> Html | None:
    """Return the table of the install set, each row a place that links lead to."""
    if not plan.python:
        return None
    known = {pin.name for pin in plan.python}
    asked: dict[str, list[InstanceName]] = {}
    for one in plan.instances:
        for pin in direct_pins(plan, one, manifests.get(one.plugin)):
            asked.setdefault(pin.name, []).append(one.name)
    needed: dict[str, list[DistributionName]] = {}
    for pin in plan.python:
        for name in pin.requires:
            needed.setdefault(name, []).append(pin.name)
    rows = []
    for pin in plan.python:
        size = "" if pin.file.size is None else size_text(pin.file.size)
        rows.append(
            el(
                "tr",
                el("th", pin.name, scope="row", class_="name"),
                el("td", pin.version, None if pin.is_wheel else ", built on the board"),
                el("td", _links("plugin", asked.get(pin.name, ()))),
                el("td", _links("dist", needed.get(pin.name, ()))),
                el("td", _links("dist", [name for name in pin.requires if name in known])),
                el("td", size, class_="figure"),
                el("td", pin.license or "not said"),
                id=anchor("dist", pin.name),
                tabindex="-1",
            )
        )
    heads = ("distribution", "version", "asked for by", "needed by", "needs", "size", "licence")
    return el(
        "div",
        el(
            "table",
            el("caption", "what gets installed for Python, and why", class_="unseen"),
            el("thead", el("tr", [el("th", words, scope="col") for words in heads])),
            el("tbody", rows),
        ),
        class_="wide",
        tabindex="0",
        role="group",
        aria_label="table of distributions, scrolls sideways where the screen is narrow",
    )


def _links(kind: str, names: tuple[str, ...] | list[InstanceName] | list[DistributionName]) -> Html:
    return join([link(kind, name) for name in sorted(names)], ", ")
