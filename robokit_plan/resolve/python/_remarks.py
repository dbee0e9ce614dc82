"""What is worth saying about a set that can be installed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from robokit_plan.model import (
    Finding,
    Place,
    PythonPin,
    Severity,
    finding,
    listed,
    near_names,
    size_text,
)

from ._fixes import (
    asked_anew,
    packages_fix,
    requires_fix,
    requires_fixes,
    with_lower_bound,
    without_version,
)
from ._offers import Offer, offers_of
from ._parsing import (
    allows,
    find_requirement,
    find_version,
    is_exact,
    normal_name,
    parse_requirement,
)
from ._pins import Installed
from ._problem import PythonRequirement
from ._releases import covers
from ._units import Unit
from ._world import Ask, World

_LARGE = 1_000_000_000
"""Bytes; about what a slow link carries in a night, common practice, no source."""

_OLD_DAYS = 2 * 365
"""From here on a fall-back counts as years old; common practice, no source."""

_MOST_NAMED = 4


def check_chosen(world: World, chosen: Installed, units: Iterable[Unit]) -> list[Finding]:
    """Return warnings and notes about *chosen*, which answers *units*."""
    found: list[Finding] = []
    for pin in chosen.pins:
        found += _yanked(world, chosen, pin)
        found += _vanished(world, chosen, pin)
        found += _changed(world, chosen, pin)
        found += _passed_over(world, chosen, pin)
        found += _old(world, chosen, pin)
        found += _undated(world, chosen, pin)
        found += _extras(world, chosen, pin)
        found += _added(world, chosen, pin)
    for unit in units:
        found += _mistaken(world, unit)
    return found + _confusable(world, chosen) + _large(chosen)


def _large(chosen: Installed) -> list[Finding]:
    sizes = sorted(((pin.file.size or 0, pin.name) for pin in chosen.pins), reverse=True)
    total = sum(size for size, _ in sizes)
    if total < _LARGE:
        return []
    most = [name for _, name in sizes[:5]]
    return [
        chosen.about(
            "large-download",
            Severity.WARNING,
            f"the Python files together are {size_text(total)}",
            *most,
            why=[
                "most of it: "
                + ", ".join(f"{name} {size_text(size)}" for size, name in sizes[:5] if size),
                *(f"{name}: {chosen.chain(name)}" for name in most[:1]),
            ],
            repair='indexes: [{name: small, url: "https://index.example/simple/", '
            f"only: [{most[0]}]}}]   in robot.yaml, for an index of builds for small boards",
        )
    ]


def _yanked(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    if pin.file.yanked is None:
        return []
    reason = pin.file.yanked or "no reason given"
    kept = world.locked(pin.name) == pin.version
    return [
        chosen.about(
            "yanked-release",
            Severity.WARNING,
            f"{pin.name} {pin.version} was withdrawn by its makers",
            pin.name,
            why=[reason, "the lock file holds it" if kept else "it is asked for exactly"],
            repair=f"robokit-plan lock --upgrade {pin.name}"
            if kept
            else requires_fixes(
                chosen.direct_lines(pin.name),
                lambda line: without_version(line, pin.name, pin.version),
            ),
        )
    ]


def _vanished(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    """Say where the locked release is on no index any more."""
    locked = world.locked(pin.name)
    project = world.project(pin.name)
    if locked is None or locked == pin.version or project is None:
        return []
    if any(str(offer.version) == locked for offer in offers_of(project)):
        return []
    return [
        chosen.about(
            "release-vanished",
            Severity.WARNING,
            f"{pin.name} {locked} has left the index, {pin.version} takes its place",
            pin.name,
            why="the lock file holds a release whose files no index lists any more",
            repair=f"robokit-plan lock --upgrade {pin.name}",
        )
    ]


def _changed(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    """Say where the index lists other bytes under the name of the locked file."""
    locked = world.problem.locked_files.get(pin.name)
    if (
        locked is None
        or world.locked(pin.name) != pin.version
        or locked.filename != pin.file.filename
        or None in {locked.sha256, pin.file.sha256}
        or locked.sha256 == pin.file.sha256
    ):
        return []
    return [
        chosen.about(
            "file-changed",
            Severity.ERROR,
            f"{pin.file.filename} is not the file that was locked",
            pin.name,
            why=[
                f"locked was SHA-256 {_short(locked.sha256)}, the index {pin.file.index} lists "
                f"{_short(pin.file.sha256)}",
                "an index that builds wheels itself does so; so does one that was broken into",
            ],
            repair=f"robokit-plan lock --upgrade {pin.name}   once you know why it changed",
        )
    ]


def _passed_over(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    """Say where a newer release would have been taken but for its metadata."""
    release = chosen.releases[pin.name]
    over = [
        one
        for one in chosen.invalid
        if one.name == pin.name
        and one.version > release.version
        and all(allows(ask.specifier, one.version) for ask in chosen.asks[pin.name])
    ]
    if not over:
        return []
    newest = max(over, key=lambda one: one.version)
    more = [f"so are {len(over) - 1} more"] if len(over) > 2 else []
    more = ["so is one more"] if len(over) == 2 else more
    return [
        chosen.about(
            "metadata-invalid",
            Severity.WARNING,
            f"{pin.name} {newest.version} is passed over for {pin.version}: "
            f"{world.invalid(newest)}",
            pin.name,
            why=[*more, "pip passes such a release over, too"],
            repair=requires_fixes(
                chosen.direct_lines(pin.name),
                lambda line: without_version(line, pin.name, str(newest.version)),
                ", which ends this warning and changes nothing else",
            ),
        )
    ]


def _short(digest: str | None) -> str:
    return f"{(digest or '')[:16]}…"


def _old(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    """Say where the newest releases were passed over for want of a wheel."""
    project = world.project(pin.name)
    release = chosen.releases[pin.name]
    if project is None or not release.is_wheel or world.locked(pin.name) == pin.version:
        return []
    newest = max((find_version(text) or release.version for text in project.unfit), default=None)
    newest_sdist = max(
        (one.version for one in project.releases if not one.is_wheel), default=release.version
    )
    if max(newest or release.version, newest_sdist) <= release.version:
        return []  # the usual case, settled without a look at every file
    usable = {one.version for one in project.releases if one.is_wheel}
    for offer in offers_of(project):
        if offer.version <= release.version:
            return []
        if (
            offer.version in usable
            or offer.version.is_prerelease
            or not all(allows(ask.specifier, offer.version) for ask in chosen.asks[pin.name])
            or not any(
                world.python_lets_in(file) and file.yanked is None and not world.is_too_late(file)
                for file in offer.files
            )
        ):
            continue
        return _old_finding(world, chosen, pin, offer)
    return []


def _day(uploaded: str | None) -> date | None:
    """Return the day of an upload time; None where the index says none, or no day."""
    try:
        return date.fromisoformat((uploaded or "")[:10])
    except ValueError:
        return None


def _old_finding(world: World, chosen: Installed, pin: PythonPin, newer: Offer) -> list[Finding]:
    mine, other = _day(pin.file.upload_time), _day(newer.uploaded)
    if mine is not None and other is not None:
        if (other - mine).days < _OLD_DAYS:
            return []
        age = f"{pin.version} is of {mine:%Y-%m}, {newer.version} of {other:%Y-%m}"
    else:
        age = "how old it is cannot be told: the index gives no upload times"
    machine = world.target.markers["platform_machine"]
    repair = []
    if newer.sdists:
        sdists = f"system: {{sdists: [{pin.name}]}}"
        repair.append(f"{sdists}   in robot.yaml, to compile {newer.version}")
    for fact in world.facts.native.get(pin.name, ()):
        package = fact.instead.get(world.target.release)
        if package is not None:
            repair.append(
                packages_fix(package, chosen.lines[pin.name], f", in place of {pin.name}")
            )
    return [
        chosen.about(
            "old-release-chosen",
            Severity.WARNING,
            f"{pin.name} falls back to {pin.version}, though {newer.version} exists",
            pin.name,
            why=[
                f"newer releases have no wheel for Python {world.target.python} on {machine}",
                age,
                chosen.chain(pin.name),
            ],
            repair=repair
            or requires_fixes(
                chosen.direct_lines(pin.name),
                lambda line: with_lower_bound(line, pin.name, newer.version),
                ", to be told if none fits",
            ),
        )
    ]


def _undated(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    project = world.project(pin.name)
    if project is None or not project.undated or pin.file.upload_time is not None:
        return []
    if any(ask.root is not None and is_exact(ask.specifier) for ask in chosen.asks[pin.name]):
        return []  # a person has chosen this version, not the day
    return [
        chosen.about(
            "upload-time-unknown",
            Severity.NOTE,
            f"{pin.name} {pin.version} may be newer than {world.problem.as_of}",
            pin.name,
            why=f"the index {pin.file.index} gives no upload time for it",
            repair=requires_fixes(
                chosen.direct_lines(pin.name),
                lambda line: asked_anew(line, pin.name, f"=={pin.version}"),
                ", if it was there then",
            ),
        )
    ]


def _extras(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    metadata = world.metadata(chosen.releases[pin.name])
    if metadata is None or metadata.requires_dist is None:
        return []
    known = {normal_name(extra) for extra in metadata.provides_extra}
    missing = [extra for extra in pin.extras if extra not in known]
    lines = {extra: _lines_with(chosen, pin, extra) for extra in missing}
    return [
        chosen.about(
            "extra-unknown",
            Severity.WARNING if lines[extra] else Severity.NOTE,
            f"{pin.name} {pin.version} has no extra {extra}, so it brings nothing",
            pin.name,
            why=f"it has {', '.join(sorted(known))}" if known else "it has no extras",
            repair=_with_other_extra(lines[extra], extra, known),
        )
        for extra in missing
    ]


def _lines_with(chosen: Installed, pin: PythonPin, extra: str) -> list[PythonRequirement]:
    """Return the lines of plugins that ask for *extra*; none where a distribution does."""
    read = [(line, find_requirement(line.text)) for line in chosen.lines[pin.name]]
    return [
        line
        for line, asked in read
        if asked is not None and asked.name == pin.name and extra in asked.extras
    ]


def _with_other_extra(
    lines: Iterable[PythonRequirement], extra: str, known: Iterable[str]
) -> list[str]:
    return requires_fixes(lines, lambda line: _mended(line, extra, known))


def _mended(line: PythonRequirement, extra: str, known: Iterable[str]) -> str:
    """Return what *line* asks with the near one of *known* in place of *extra*, or without it."""
    asked = parse_requirement(line.text)
    near = near_names(extra, sorted(known), 1)
    extras = sorted({*asked.extras, *near} - {extra})
    shown = f"{asked.name}[{','.join(extras)}]" if extras else asked.name
    marker = f"; {asked.marker}".replace('"', "'") if asked.marker else ""
    return f"{shown}{asked.specifier}{marker}"


def _added(world: World, chosen: Installed, pin: PythonPin) -> list[Finding]:
    release = chosen.releases[pin.name]
    found = []
    project = world.project(pin.name)
    for fact in world.facts.constraints.get(pin.name, ()):
        if fact.avoid:
            if project is not None and any(covers(fact.versions, one) for one in project.releases):
                found.append(
                    chosen.about(
                        "constraint-added",
                        Severity.NOTE,
                        f"{pin.name}{fact.versions} is passed over",
                        pin.name,
                        why=[fact.reason, fact.source],
                    )
                )
            continue
        added = [
            ask.text
            for ask in world.asks(release, "") or ()
            if ask.added == fact.reason
            and covers(fact.versions, release)
            and not _is_bound(world, chosen, ask)
        ]
        if added:
            found.append(
                chosen.about(
                    "constraint-added",
                    Severity.NOTE,
                    f"{', '.join(added)} is asked for on behalf of {pin.name} {pin.version}",
                    pin.name,
                    why=[fact.reason, fact.source],
                )
            )
    return found


def _is_bound(world: World, chosen: Installed, added: Ask) -> bool:
    """Return whether the other asks let in nothing that *added* keeps out."""
    others = [ask for ask in chosen.asks.get(added.name, ()) if not ask.added]
    project = world.project(added.name)
    if not others or project is None:
        return False
    return all(
        allows(added.specifier, one.version)
        for one in world.matches(project, [ask.specifier for ask in others])
    )


def _mistaken(world: World, unit: Unit) -> list[Finding]:
    fact = world.facts.mistaken.get(unit.ask.name)
    if fact is None or not fact.exists:
        return []
    return [
        finding(
            "distribution-mistaken",
            Severity.WARNING,
            f"{unit.ask.name} on the index is probably not what is meant",
            places=[
                Place(origin=line.origin, label=f"{line.instance} asks for {line.text}")
                for line in unit.lines
            ],
            why=[f"the module {fact.module} comes from {fact.meant}", fact.source],
            repair=requires_fix(fact.meant, unit.lines, f", in place of {unit.ask.name}"),
            plugins=unit.instances,
            resource=unit.ask.name,
        )
    ]


def _index_places(world: World, own: str) -> Iterable[Place]:
    for index in world.problem.indexes:
        if index.name == own and index.origin is not None:
            yield Place(origin=index.origin, label=f"the index {own}")


def _confusable(world: World, chosen: Installed) -> list[Finding]:
    """Name distributions that several indexes offer, where that could put a stranger's in."""
    found = []
    mixed: dict[tuple[str, ...], list[PythonPin]] = {}
    for pin in chosen.pins:
        own = world.only_index(pin.name)
        project = world.project(pin.name)
        # What is bound is looked for elsewhere too; an index with `only` serves nothing else.
        pages = world.snapshot.pages.get(pin.name, ()) if own or project is None else project.pages
        others = sorted({page.index for page in pages if page.files} - {own})
        if own and others:
            found.append(
                chosen.about(
                    "index-confusion",
                    Severity.NOTE,
                    f"{pin.name} is on the index {listed(others)} too, and is not taken from there",
                    pin.name,
                    why=f"robot.yaml gives it to {own} alone; another installer would mix the two",
                    places=_index_places(world, own),
                )
            )
        elif not own and len(others) > 1:
            mixed.setdefault(tuple(others), []).append(pin)
    return found + [_mixed(chosen, indexes, pins) for indexes, pins in sorted(mixed.items())]


def _mixed(chosen: Installed, indexes: tuple[str, ...], pins: list[PythonPin]) -> Finding:
    """Say that nothing binds *pins* to one of the *indexes* that have them."""
    names = [pin.name for pin in pins]
    taken = sorted({pin.file.index for pin in pins})
    shown = listed(names if len(names) <= _MOST_NAMED else [*names[:_MOST_NAMED], "others"])
    return chosen.about(
        "index-confusion",
        Severity.WARNING,
        f"{shown} {'is' if len(names) == 1 else 'are'} on the indexes {listed(indexes)}, and "
        "nothing says which of them is meant",
        *names,
        why=[
            f"the newest counts, wherever it is; {listed(taken)} won",
            "whoever may upload to one of them can put files in place of the other's",
        ],
        repair=[
            f'indexes: [{{name: own, url: "https://…", only: [{", ".join(names[:_MOST_NAMED])}]}}]'
            "   in robot.yaml, with the one index that they shall come from",
        ],
    )
