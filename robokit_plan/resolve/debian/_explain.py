"""Refusals in a builder's words: what cannot hold together, through which chain, and a repair."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.model import (
    DebianName,
    DebianNameFact,
    DebianPackage,
    Finding,
    Place,
    Severity,
    counted,
    finding,
    listed,
)

from ._problem import DebianProblem, DebianWant
from ._relation import Alternative, Group, RelationError
from ._search import Law
from ._universe import Universe, bears

_LINES = 10


def group_text(group: Group) -> str:
    """Return *group* in the syntax of Policy 7.1."""
    return " | ".join(str(alternative) for alternative in group)


def check_syntax(want: DebianWant, error: RelationError) -> Finding:
    """Return the finding for a text that is no relation."""
    where = f" near {error.part!r}" if error.part and error.part != want.text.strip() else ""
    return finding(
        "debian-syntax-wrong",
        Severity.ERROR,
        f"{want.text!r} is not a package relation{where}",
        places=[_place(want, want.text)],
        why=error.reason,
        repair=['write it as "name", "name (>= 1.2)" or "name | other"'],
        plugins=[want.instance],
        resource=want.text,
    )


def check_absent(
    universe: Universe, problem: DebianProblem, group: Group, wants: Sequence[DebianWant]
) -> Finding:
    """Return the finding for a group that no version of any package satisfies."""
    known = [one for one in group if _versions(universe, one)]
    if known:
        return _version_missing(universe, problem, group, known, wants)
    first = group[0]
    facts = _facts(universe, problem, first.name)
    near = universe.row(first.name).near
    why = [f"no package of that name and none that provides it, in {_where(universe, problem)}"]
    why += [f"{fact.note}" for fact in facts if fact.note]
    repair: list[str] = []
    for fact in facts:
        if fact.kind == "vendor":
            repair += [
                "system: {image: vendor} in the robot file, if the card carries the vendor's image",
                "system: {sources: [...]} with the vendor's archive and its key",
            ]
        repair += [f'"{name}" in place of "{first.name}"' for name in fact.instead]
    known_repairs = {name for fact in facts for name in fact.instead}
    repair += [f'"{name}" in place of "{first.name}"' for name in near if name not in known_repairs]
    names = group_text(group)
    return finding(
        "debian-package-missing",
        Severity.ERROR,
        f"{names} is not in {problem.release} for {problem.architecture}",
        places=[_place(want, want.text) for want in wants],
        why=why,
        repair=repair[:5] or _disable(wants),
        plugins=[want.instance for want in wants],
        resource=names,
    )


def _version_missing(
    universe: Universe,
    problem: DebianProblem,
    group: Group,
    known: Sequence[Alternative],
    wants: Sequence[DebianWant],
) -> Finding:
    why = []
    repair = []
    for alternative in known:
        versions = _versions(universe, alternative)
        if alternative.qualifier and not alternative.operator:
            why.append(
                f"{alternative.name} exists, but not for use as {alternative} on "
                f"{problem.architecture}"
            )
            repair.append(f'"{alternative.name}"')
            continue
        why.append(f"{problem.release} has {alternative.name} {', '.join(versions)}")
        repair.append(f'"{alternative.name} (= {versions[0]})", or "{alternative.name}"')
    other = "debian-12" if problem.release == "debian-13" else "debian-13"
    repair.append(f"robokit-plan check --release {other}")
    names = group_text(group)
    return finding(
        "debian-version-missing",
        Severity.ERROR,
        f"{problem.release} has no {names}",
        places=[_place(want, want.text) for want in wants],
        why=why,
        repair=repair,
        plugins=[want.instance for want in wants],
        resource=names,
    )


def _versions(universe: Universe, alternative: Alternative) -> list[str]:
    versions = [package.version for package in universe.versions(alternative.name)]
    if alternative.qualifier not in {"", "any"}:
        return versions
    bare = Alternative(alternative.name)
    return versions + [
        f"{package.version} (of {package.name})"
        for package in universe.row(alternative.name).providers
        if universe.offers(bare, package)
    ]


def check_conflict(
    problem: DebianProblem,
    universe: Universe,
    members: Sequence[tuple[Group, Sequence[DebianWant]]],
    proof: Sequence[Law],
    repairs: Sequence[str],
) -> Finding:
    """Return the finding for an irreducible set of wants; *proof* refuses it, *repairs* mend it."""
    wants = [want for _, some in members for want in some]
    instances = sorted({want.instance for want in wants})
    texts = sorted({group_text(group) for group, _ in members})
    if len(texts) == 1:
        message = f"{texts[0]} cannot be installed on {problem.release} for {problem.architecture}"
    else:
        message = f"{listed(texts)} cannot be installed together"
    # Such a want is refused by itself: no law names the package.
    held = {
        words
        for group, _ in members
        for one in group
        if not _exists(universe, one) and (words := _held(universe, one)) is not None
    }
    return finding(
        "debian-conflict",
        Severity.ERROR,
        message,
        places=[_place(want, group_text(group)) for group, some in members for want in some],
        why=[*told(universe, problem, members, proof), *sorted(held)],
        repair=repairs or _disable(wants),
        plugins=instances,
        resource=listed(texts),
    )


def told(
    universe: Universe,
    problem: DebianProblem,
    members: Sequence[tuple[Group, Sequence[DebianWant]]],
    proof: Sequence[Law],
) -> list[str]:
    """Return *proof* as sentences, from the wants downward; what refuses comes last."""
    by_owner: dict[DebianName, list[Law]] = {}
    last: list[Law] = []
    for law in proof:
        if law.kind == "need" and law.package is not None:
            by_owner.setdefault(law.package.name, []).append(law)
        elif law.kind != "want":
            last.append(law)
    lines: dict[str, None] = {}
    follow: list[Group] = [group for group, _ in members]
    seen: set[DebianName] = set()
    while follow:
        group = follow.pop(0)
        for name in _reached(universe, group):
            if name in seen:
                continue
            seen.add(name)
            for law in by_owner.get(name, ()):
                lines[sentence(universe, problem, law)] = None
                follow.append(law.group)
    for owner in sorted(set(by_owner) - seen):
        for law in by_owner[owner]:
            lines[sentence(universe, problem, law)] = None
    refusing = sorted({sentence(universe, problem, law) for law in last if law.kind == "refuse"})
    others = sorted({sentence(universe, problem, law) for law in last if law.kind != "refuse"})
    ordered = [*lines, *refusing, *others]
    if len(ordered) > _LINES:
        tail = ordered[-3:]
        left = len(ordered) - _LINES
        ordered = [
            *ordered[: _LINES - 3],
            f"... and {counted(left, 'more relation')} of this kind",
            *tail,
        ]
    return ordered


def _reached(universe: Universe, group: Group) -> list[DebianName]:
    names: dict[DebianName, None] = {}
    for alternative in group:
        names[alternative.name] = None
        for package in universe.row(alternative.name).providers:
            names[package.name] = None
    return list(names)


def sentence(universe: Universe, problem: DebianProblem, law: Law) -> str:
    """Return *law* in words."""
    owner = law.package
    if owner is None:
        return f"{group_text(law.group)} is wanted"
    here = f"{owner.name} {owner.version}"
    if law.kind == "need":
        text = group_text(law.group)
        if not any(_exists(universe, one) for one in law.group):
            for one in law.group:
                if (held := _held(universe, one)) is not None:
                    return f"{here} depends on {text}, but {held}"
            if any(_exists(universe, Alternative(one.name)) for one in law.group):
                return f"{here} depends on {text}, which nothing in {problem.release} fulfils"
            return f"{here} depends on {text}, which {problem.release} does not have"
        return f"{here} depends on {text}"
    other = law.other
    if law.kind == "refuse" and other is not None:
        (refused,) = law.group
        word = "conflicts with" if _is_conflict(owner.conflicts, refused) else "breaks"
        through = "" if refused.name == other.name else f", which {other.name} provides"
        return f"{here} {word} {refused}{through}"
    if law.kind == "one-version" and other is not None:
        return f"only one version of {owner.name} fits: {owner.version} or {other.version}"
    if owner.held:
        return f"{here} is on the base card and held there (apt-mark(8))"
    return f"{here} is on the base card"


def _held(universe: Universe, alternative: Alternative) -> str | None:
    """Return the words for a package of the base that nobody may change."""
    package = universe.installed.get(alternative.name)
    if package is None or not package.held:
        return None
    return f"{package.name} {package.version} is held on the base card (apt-mark(8))"


def _is_conflict(field: str, refused: Alternative) -> bool:
    return str(refused) in field or refused.name in field.replace(",", " ").split()


def _exists(universe: Universe, alternative: Alternative) -> bool:
    return any(bears(alternative, one) for one in universe.versions(alternative.name)) or any(
        universe.offers(alternative, one) for one in universe.row(alternative.name).providers
    )


def check_base_removed(
    name: DebianName,
    wants: Iterable[DebianWant],
    reason: str,
) -> Finding:
    """Return the warning that a package of the card has to go."""
    some = list(wants)
    return finding(
        "debian-base-removed",
        Severity.WARNING,
        f"{name} of the base card gets removed",
        places=[_place(want, want.text) for want in some],
        why=[reason] if reason else [],
        repair=[f"robokit-plan disable {one}" for one in sorted({w.instance for w in some})],
        plugins=[want.instance for want in some],
        resource=name,
    )


def check_old_name(
    universe: Universe, problem: DebianProblem, group: Group, wants: Sequence[DebianWant]
) -> Finding | None:
    """Return a note where a name only still works because another package provides it."""
    first = group[0]
    if universe.row(first.name).packages:
        return None
    for fact in _facts(universe, problem, first.name):
        if fact.kind == "renamed" and fact.instead:
            return finding(
                "debian-name-old",
                Severity.NOTE,
                f"{first.name} is called {fact.instead[0]} in {problem.release}",
                places=[_place(want, want.text) for want in wants],
                why=[fact.note] if fact.note else [],
                repair=[f'"{fact.instead[0]} | {first.name}" works in both releases'],
                plugins=[want.instance for want in wants],
                resource=first.name,
            )
    return None


def check_component(package: DebianPackage, wants: Sequence[DebianWant]) -> Finding | None:
    """Return the warning that a fresh card's apt does not read the package's component."""
    if package.source or package.component in {"", "main", "non-free-firmware"}:
        return None
    return finding(
        "debian-component-extra",
        Severity.WARNING,
        f"{package.name} stands in {package.component}, which a fresh card does not read",
        places=[_place(want, want.text) for want in wants],
        why="what is outside main is not part of Debian proper; look at its licence, too",
        repair=[
            f"add {package.component} to the components of the card's apt sources",
            *_disable(wants),
        ],
        plugins=[want.instance for want in wants],
        resource=package.name,
    )


def check_lock_moved(
    name: DebianName, locked: str, now: str, wants: Sequence[DebianWant]
) -> Finding:
    """Return the note that a locked version has left the archive."""
    return finding(
        "debian-lock-vanished",
        Severity.NOTE,
        f"{name} {locked} has left the archive, {now} takes its place",
        places=[_place(want, want.text) for want in wants],
        why=["mirrors keep only the newest version of each suite"],
        repair=[
            f"robokit-plan lock --upgrade {name}",
            "system: {snapshot: ...} with a dated archive, to keep old versions",
        ],
        plugins=[want.instance for want in wants],
        resource=name,
    )


def _facts(universe: Universe, problem: DebianProblem, name: DebianName) -> list[DebianNameFact]:
    return [
        fact
        for fact in universe.archive.name_facts.get(name, ())
        if (not fact.releases or problem.release in fact.releases)
        and (not fact.architectures or problem.architecture in fact.architectures)
    ]


def _where(universe: Universe, problem: DebianProblem) -> str:
    suites = ", ".join(universe.archive.suites)
    return f"{suites} ({problem.architecture})" if suites else problem.release


def _place(want: DebianWant, text: str) -> Place:
    label = f"{want.instance} asks for {text}"
    return Place(origin=want.origin, label=f"{label}, {want.label}" if want.label else label)


def _disable(wants: Iterable[DebianWant]) -> list[str]:
    return [f"robokit-plan disable {name}" for name in sorted({w.instance for w in wants})]
