"""Repairs in a manifest, as they are typed."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from packaging.specifiers import SpecifierSet
from packaging.version import Version

from robokit_plan.model import DistributionName, listed

from ._parsing import Line, find_requirement, find_specifier, specifier_text
from ._problem import PythonRequirement


def manifests(lines: Iterable[PythonRequirement]) -> str:
    """Return where to type what mends *lines*, which are never none."""
    names = sorted({line.plugin for line in lines})
    return f"in the manifest{'s' if len(names) > 1 else ''} of {listed(names)}"


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


def asked_anew(line: PythonRequirement, name: DistributionName, specifier: str) -> str:
    """
    Return the requirement of *line* on *name* with another *specifier*, its extras and marker kept.

    A line that asks for something else gets one beside it.
    """
    asked = _asked(line, name)
    if asked is None:
        return f"{name}{specifier}"
    shown = f"{name}[{','.join(asked.extras)}]" if asked.extras else name
    marker = f"; {asked.marker}".replace('"', "'") if asked.marker else ""
    return f"{shown}{specifier}{marker}"


def without_version(line: PythonRequirement, name: DistributionName, version: str) -> str:
    """Return the requirement of *line* on *name* with all its bounds, and *version* let out."""
    asked = _asked(line, name)
    # What lets in this one version alone would leave nothing.
    kept = [
        str(one)
        for one in (() if asked is None else find_specifier(asked.specifier) or ())
        if one.operator not in {"==", "==="} or one.version.endswith(".*")
    ]
    return asked_anew(line, name, specifier_text(SpecifierSet(",".join([*kept, f"!={version}"]))))


def with_lower_bound(line: PythonRequirement, name: DistributionName, version: Version) -> str:
    """Return the requirement of *line* on *name*, which lets *version* in, from there on."""
    asked = _asked(line, name)
    own = "" if asked is None else asked.specifier
    return asked_anew(line, name, moved_bounds(own, version, older=False))


def _asked(line: PythonRequirement, name: DistributionName) -> Line | None:
    asked = find_requirement(line.text)
    return None if asked is None or asked.name != name or asked.url is not None else asked


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
