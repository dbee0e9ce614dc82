"""All rules that look at one manifest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from robokit_plan.model import (
    AbsentNames,
    BoardId,
    Finding,
    Manifest,
    PluginCode,
    PythonFacts,
    sorted_findings,
)

from ._about import check_behaviour, check_license, check_summary, check_version
from ._assets import check_assets
from ._code import check_behaviour_object, check_imports, check_unread
from ._hardware import check_addresses, check_hazards, check_idle_keys, check_levels, check_ranges
from ._lines import check_fixed_lines, check_known_lines
from ._names import check_names
from ._relations import (
    check_commands,
    check_excludes,
    check_own_needs,
    check_repeats,
)
from ._requirements import (
    check_debian,
    check_plugin_requirements,
    check_python_requirements,
    check_repeated_requirements,
    check_requires_python,
)
from ._secrets import check_unmarked_secrets, lint_text
from ._settings import check_settings

RULES = (
    check_version,
    check_license,
    check_summary,
    check_behaviour,
    check_settings,
    check_own_needs,
    check_excludes,
    check_repeats,
    check_requires_python,
    check_python_requirements,
    check_repeated_requirements,
    check_plugin_requirements,
    check_debian,
    check_addresses,
    check_levels,
    check_idle_keys,
    check_ranges,
    check_hazards,
    check_fixed_lines,
    check_assets,
    check_unmarked_secrets,
)
"""Rules that need nothing but the manifest."""


def lint_manifest(
    manifest: Manifest,
    *,
    text: str | None = None,
    code: PluginCode | None = None,
    actuators: frozenset[str] | None = None,
    facts: PythonFacts | None = None,
    program: Iterable[str] = (),
    absent: AbsentNames | None = None,
    headers: Mapping[BoardId, frozenset[str]] | None = None,
) -> tuple[Finding, ...]:
    """
    Return the findings about *manifest* that reading it did not already bring.

    Args:
        manifest: As `parse_manifest` returns it.
        text: The file itself; looked through for secrets.
        code: The plugin's code; compared with what the manifest declares.
        actuators: Those of all plugins at hand; commands to others are then told.
        facts: Which distribution brings which module.
        program: Import names that the robot's own program provides to its plugins.
        absent: Names that the indices lacked when they were read last.
        headers: Every known board -> its header's lines, in small letters.
    """
    findings: list[Finding] = []
    for rule in RULES:
        findings.extend(rule(manifest))
    if text is not None:
        findings.extend(lint_text(text, manifest.origin.file))
    if facts is not None:
        findings.extend(check_names(manifest, facts, absent or AbsentNames()))
    if headers is not None:
        findings.extend(check_known_lines(manifest, headers))
    if actuators is not None:
        findings.extend(check_commands(manifest, actuators))
    if code is not None:
        for file, inside in code.doubtful:
            findings.extend(lint_text(inside, file))
        findings.extend(check_unread(manifest, code))
        findings.extend(check_behaviour_object(manifest, code, program))
        findings.extend(check_imports(manifest, code, facts or PythonFacts(), program))
    return sorted_findings(findings)
