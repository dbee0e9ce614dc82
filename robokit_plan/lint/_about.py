"""Rules about what a plugin says of itself: version, licence, behaviour."""

from __future__ import annotations

import keyword
import re
from collections.abc import Iterator

from robokit_plan.model import Finding, Manifest, Origin, Severity, finding


def place_of(manifest: Manifest, key: str) -> Origin:
    """Return where *key* stands, else where the manifest begins."""
    return manifest.places.get(key, manifest.origin)


def check_version(manifest: Manifest) -> Iterator[Finding]:
    """The version follows PEP 440, so that other plugins can ask for it."""
    from packaging.version import InvalidVersion, Version

    try:
        Version(manifest.version)
    except InvalidVersion:
        digits = re.findall(r"[0-9]+", manifest.version)[:3]
        yield finding(
            "version-invalid",
            Severity.ERROR,
            f"version {manifest.version!r} is none that can be compared",
            places=[place_of(manifest, "version")],
            why="versions follow PEP 440, as in 0.3.1 or 1.0rc1",
            repair=f'version: "{".".join(digits) or "0.1.0"}"',
            plugins=[manifest.plugin],
        )


def check_license(manifest: Manifest) -> Iterator[Finding]:
    """The licence is an SPDX expression, for the plugin and for each asset."""
    place = place_of(manifest, "license")
    if manifest.license is None:
        yield finding(
            "license-missing",
            Severity.NOTE,
            f"{manifest.plugin} names no licence",
            places=[place],
            why="without one nobody else may copy it to their robot",
            repair="license: MIT",
            plugins=[manifest.plugin],
        )
    else:
        yield from _license(manifest, manifest.license, place)
    for needs in (manifest.base, *(variant.needs for variant in manifest.variants)):
        for asset in needs.machine.assets:
            if asset.license is not None:
                yield from _license(manifest, asset.license, asset.origin)


def _license(manifest: Manifest, text: str, place: Origin) -> Iterator[Finding]:
    from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

    try:
        canonical = canonicalize_license_expression(text)
    except InvalidLicenseExpression:
        yield finding(
            "license-invalid",
            Severity.WARNING,
            f"licence {text!r} is no SPDX expression",
            places=[place],
            why="short names as in the SPDX licence list can be compared and listed",
            repair=[f"license: {near}" for near in _near_licenses(text)]
            or ["license: LicenseRef-NAME, for a licence of your own"],
            plugins=[manifest.plugin],
        )
        return
    if canonical != text:
        yield finding(
            "license-invalid",
            Severity.NOTE,
            f"licence {text!r} is written {canonical} in the SPDX list",
            places=[place],
            repair=f"license: {canonical}",
            plugins=[manifest.plugin],
        )


# Names that people write; right column from the SPDX licence list, which `packaging` carries.
_COMMON_LICENSES = (
    (r"apache", "Apache-2.0"),
    (r"\bl\s*gpl|lesser", "LGPL-3.0-or-later"),
    (r"\ba\s*gpl|affero", "AGPL-3.0-or-later"),
    (r"gpl.*2", "GPL-2.0-or-later"),
    (r"gpl", "GPL-3.0-or-later"),
    (r"bsd.*2", "BSD-2-Clause"),
    (r"bsd", "BSD-3-Clause"),
    (r"mit", "MIT"),
    (r"mozilla|mpl", "MPL-2.0"),
    (r"cc0|public domain", "CC0-1.0"),
    (r"cc.*by.*sa", "CC-BY-SA-4.0"),
    (r"cc.*by", "CC-BY-4.0"),
)


def _near_licenses(text: str) -> list[str]:
    return [name for pattern, name in _COMMON_LICENSES if re.search(pattern, text.lower())][:1]


def check_summary(manifest: Manifest) -> Iterator[Finding]:
    """A plugin says in one line what it does."""
    if not manifest.summary.strip():
        yield finding(
            "summary-missing",
            Severity.NOTE,
            f"{manifest.plugin} does not say what it does",
            places=[place_of(manifest, "summary")],
            why="the summary stands in lists, diffs and reports",
            repair="summary: what it does for the robot, in one line",
            plugins=[manifest.plugin],
        )
    elif "\n" in manifest.summary.strip():
        yield finding(
            "summary-missing",
            Severity.NOTE,
            f"the summary of {manifest.plugin} has several lines",
            places=[place_of(manifest, "summary")],
            why="it stands in tables, one line for each plugin",
            repair=f"summary: {manifest.summary.strip().splitlines()[0]}",
            plugins=[manifest.plugin],
        )


def check_behaviour(manifest: Manifest) -> Iterator[Finding]:
    """The behaviour is an object reference: package.module:Class."""
    text = manifest.behaviour
    if text is None:
        return
    module, colon, attribute = text.partition(":")
    if colon and _is_dotted(module) and _is_dotted(attribute):
        return
    package = manifest.plugin.replace("-", "_")
    yield finding(
        "behaviour-invalid",
        Severity.ERROR,
        f"behaviour {text!r} is no object reference",
        places=[place_of(manifest, "behaviour")],
        why="the program imports it as package.module:Class (entry points specification)",
        repair=f"behaviour: {package}.{package}:{package.title().replace('_', '')}",
        plugins=[manifest.plugin],
    )


def _is_dotted(text: str) -> bool:
    # ASCII: letters of other alphabets look like these and are others (Unicode TR39).
    parts = text.split(".")
    return text.isascii() and all(p.isidentifier() and not keyword.iskeyword(p) for p in parts)
