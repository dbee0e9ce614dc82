"""Repairs in a manifest, as they are typed."""

from __future__ import annotations

from collections.abc import Iterable

from robokit_plan.model import listed

from ._problem import PythonRequirement


def manifests(lines: Iterable[PythonRequirement]) -> str:
    """Return where to type what mends *lines*, which are never none."""
    names = sorted({line.plugin for line in lines})
    return f"in the manifest{'s' if len(names) > 1 else ''} of {listed(names)}"


def requires_fix(text: str, lines: Iterable[PythonRequirement], more: str = "") -> str:
    """Return the repair that asks for *text* where *lines* ask; *more* follows in words."""
    return f'python: {{requires: ["{text}"]}}   {manifests(lines)}{more}'


def packages_fix(package: str, lines: Iterable[PythonRequirement], more: str = "") -> str:
    """Return the repair that asks Debian for *package*."""
    return f'debian: {{packages: ["{package}"]}}   {manifests(lines)}{more}'
