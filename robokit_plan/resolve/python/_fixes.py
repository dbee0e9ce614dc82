"""Repairs in a manifest, as they are typed."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from packaging.specifiers import SpecifierSet
from packaging.version import Version

from ._parsing import find_requirement, find_specifier, specifier_text
from ._problem import PythonRequirement
from ._words import joined


def manifests(lines: Iterable[PythonRequirement]) -> str:
    """Return where to type what mends *lines*, which are never none."""
    names = sorted({line.plugin for line in lines})
    return f"in the manifest{'s' if len(names) > 1 else ''} of {joined(names)}"


def requires_fix(text: str, lines: Iterable[PythonRequirement], more: str = "") -> str:
    """Return the repair that asks for *text* where *lines* ask; *more* follows in words."""
    return f'python: {{requires: ["{text}"]}}   {manifests(lines)}{more}'


def requires_fixes(
    lines: Iterable[PythonRequirement], text_of: Callable[[PythonRequirement], str], more: str = ""
) -> list[str]:
    """Return the repairs that put, in place of each of *lines*, what *text_of* says of it."""
    changed: dict[str, list[PythonRequirement]] = {}
    for line in lines:
        changed.setdefault(text_of(line), []).append(line)
    return [requires_fix(text, changed[text], more) for text in sorted(changed)]


def asked_anew(line: PythonRequirement, specifier: str, *, shown: str) -> str:
    """
    Return the requirement of *line* with another *specifier*, its extras and marker kept.

    *shown*: the name, for a line that is no requirement itself.
    """
    asked = find_requirement(line.text)
    if asked is None or asked.url is not None:
        return f"{shown}{specifier}"
    name = f"{asked.name}[{','.join(asked.extras)}]" if asked.extras else asked.name
    marker = f"; {asked.marker}".replace('"', "'") if asked.marker else ""
    return f"{name}{specifier}{marker}"


def without_version(line: PythonRequirement, name: str, version: Version) -> str:
    """Return the requirement of *line* on *name* with all its bounds, and *version* let out."""
    asked = find_requirement(line.text)
    own = "" if asked is None or asked.name != name else asked.specifier
    if find_specifier(own) is None:
        own = ""
    # What lets in this one version alone would leave nothing.
    kept = [
        str(one)
        for one in SpecifierSet(own)
        if one.operator not in {"==", "==="} or one.version.endswith(".*")
    ]
    specifier = specifier_text(SpecifierSet(",".join([*kept, f"!={version}"])))
    if asked is None or asked.name != name:
        return f"{name}{specifier}"
    return asked_anew(line, specifier, shown=name)


def moved_bounds(specifier: str, version: Version, *, older: bool) -> str:
    """
    Return *specifier* opened as far as *version*, with all that does not stand in its way.

    *older*: the version lies below what *specifier* lets in, so it becomes the upper bound.
    """
    beyond = {"<", "<=", "~=", "=="} if older else {">", ">=", "~=", "=="}
    kept = [
        str(one)
        for one in find_specifier(specifier) or ()
        if one.operator not in beyond and one.contains(version, prereleases=True)
    ]
    return specifier_text(SpecifierSet(",".join([*kept, f"{'<=' if older else '>='}{version}"])))


def packages_fix(package: str, lines: Iterable[PythonRequirement], more: str = "") -> str:
    """Return the repair that asks Debian for *package*."""
    return f'debian: {{packages: ["{package}"]}}   {manifests(lines)}{more}'
