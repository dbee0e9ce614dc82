"""Step sources: declared archives with their keys."""

from __future__ import annotations

import base64
import re
import textwrap
from urllib.parse import urlsplit

from robokit_plan.model import Plan, PlannedSource, without_credentials

from ._words import here_document

SOURCES = r"""
# ---- sources: declared archives, so that later updates reach what came from them -----------------

step_sources() { archive_files place_text /etc/apt; }
"""


def sources_step(plan: Plan) -> str:
    """Return the step, and what it holds of each archive (sources.list(5), apt_preferences(5))."""
    parts = [SOURCES]
    calls = []
    for at, source in enumerate(plan.sources):
        parts += [here_document(f"archive_lines_{at}", _archive_lines(source))]
        key = source.keyring or ""
        if source.key:
            ending = "asc" if base64.b64decode(source.key).startswith(b"-----BEGIN") else "gpg"
            key = f"$2/keyrings/robokit-$robot-{source.name}.{ending}"
            wrapped = "\n".join(textwrap.wrap(source.key, 76)) + "\n"
            parts += [
                here_document(f"archive_base64_{at}", wrapped),
                f"archive_key_{at}() {{ archive_base64_{at} | base64 --decode; }}\n",
            ]
            calls += [f'  key="{key}"', f'  "$1" archive_key_{at} "$key" 644']
        elif key:
            calls.append(f"  key={key}")
        signed = "printf 'Signed-By: %s\\n' \"$key\"" if key else ":"
        parts.append(
            f"archive_text_{at}() {{\n  archive_lines_{at}\n  {signed}\n}}\n",
        )
        calls.append(
            f'  "$1" archive_text_{at} "$2/sources.list.d/robokit-$robot-{source.name}.sources" 644'
        )
        pins = archive_pins(source)
        if pins:
            parts.append(here_document(f"archive_pins_{at}", pins))
            calls.append(
                f'  "$1" archive_pins_{at} "$2/preferences.d/robokit-$robot-{source.name}.pref" 644'
            )
    parts.append(
        "# Arguments: function that puts a text at a path, folder of apt's configuration.\n"
        "archive_files() {\n" + "\n".join(calls) + "\n}\n"
    )
    return "\n".join(parts)


def _archive_lines(source: PlannedSource) -> str:
    lines = [
        "Types: deb",
        f"URIs: {without_credentials(source.url)}",
        f"Suites: {' '.join(source.suites)}",
    ]
    if not any(suite.endswith("/") for suite in source.suites):
        lines.append(f"Components: {' '.join(source.components)}")
    if source.dated:
        lines.append("Check-Valid-Until: no")
    return "\n".join(lines) + "\n"


def archive_pins(source: PlannedSource) -> str:
    host = urlsplit(source.url).hostname
    if not host or not re.fullmatch(r"[A-Za-z0-9.-]+", host):
        return ""
    rows = []
    if source.only:
        rows = [("*", 1), (" ".join(source.only), source.priority or 500)]
    elif source.priority is not None:
        rows = [("*", source.priority)]
    return "\n".join(
        f'Package: {names}\nPin: origin "{host}"\nPin-Priority: {priority}\n'
        for names, priority in rows
    )
