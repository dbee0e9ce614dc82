"""What `lint` calls an error is one for every command: said once more of what a robot enables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from robokit_plan.model import Finding, Severity

if TYPE_CHECKING:
    from robokit_plan.edge.reading import Reading
    from robokit_plan.model import LineComment, Manifest, RuleName

_SAID_BY_THE_PLAN = frozenset({"level-too-high", "line-nowhere", "machine-contradicts"})
"""Errors of a manifest alone that planning tells with more: the claim's line, the other plugin."""


def lint_errors(reading: Reading) -> tuple[Finding, ...]:
    """
    Return the errors of `lint` about the robot file and enabled plugins that no plan tells.

    What a comment allows stays allowed; what planning finds by itself is left to it.

    Args:
        reading: Of a robot file that has a usable form.
    """
    from robokit_plan.edge.lint_targets import program_is_there
    from robokit_plan.edge.python_facts import read_python_facts
    from robokit_plan.formats.comments import yaml_comments
    from robokit_plan.lint import check_program_file, lint_robot, settle

    robot = reading.robot
    assert robot is not None  # noqa: S101  the caller looked
    text = reading.texts[reading.file.name]
    facts = read_python_facts()
    found = [
        *lint_robot(robot, reading.manifests, text=text),
        *check_program_file(
            robot,
            reading.manifests,
            there=program_is_there(reading.root, robot),
            standard=facts.standard_of(robot.system.release, robot.system.python),
        ),
    ]
    comments = list(yaml_comments(text, reading.file.name))
    for name in dict.fromkeys(entry.plugin for entry in reading.enabled):
        manifest = reading.manifests.get(name)
        if manifest is not None:
            more, spoken = _of_plugin(reading, manifest)
            found += more
            comments += spoken
    errors = [one for one in found if one.severity is Severity.ERROR]
    if not errors:
        return ()  # as almost always; the catalogue of rules is long to read
    from robokit_plan.app.rule_kinds import rule_kinds

    rules = _rules()
    errors = [one for one in errors if one.rule in rules]
    if comments:
        errors = [one for one in settle(errors, comments, rule_kinds())[0] if one.rule in rules]
    known = set(reading.findings)
    return tuple(one for one in errors if one.severity is Severity.ERROR and one not in known)


def _of_plugin(reading: Reading, manifest: Manifest) -> tuple[list[Finding], list[LineComment]]:
    from robokit_plan.edge.code import read_code
    from robokit_plan.edge.lint_targets import program_names
    from robokit_plan.edge.python_facts import read_python_facts
    from robokit_plan.formats.comments import yaml_comments
    from robokit_plan.lint import check_removed_imports, lint_manifest

    assert reading.robot is not None  # noqa: S101  the caller looked
    system = reading.robot.system
    file = manifest.origin.file
    text = reading.texts.get(file, "")
    code = read_code((reading.root / file).parent, manifest.folder)
    facts = read_python_facts()
    found = lint_manifest(
        manifest, text=text, code=code, facts=facts, program=program_names(reading.root)
    )
    python = facts.python_of(system.release, system.python)
    found += tuple(check_removed_imports(manifest, code, facts, python))
    return [*found], [*code.comments, *yaml_comments(text, file)]


def _rules() -> frozenset[RuleName]:
    """Return the rules of lint alone, without those that planning tells with more."""
    from robokit_plan.edge.rules import read_rules
    from robokit_plan.model import RuleName

    return frozenset(
        name
        for name, one in read_rules().items()
        if one.domain == "lint" and name not in _SAID_BY_THE_PLAN
    ) | {RuleName("module-removed")}
