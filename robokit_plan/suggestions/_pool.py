"""The plugins in reach as things that can be enabled."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from robokit_plan.model import EnabledPlugin, InstanceName, PluginName, RuleName, replace
from robokit_plan.planner import Problem, entries_of

Broken = Mapping[InstanceName, tuple[RuleName, str]]
"""Instances whose manifest or settings have an error of their own -> rule and message."""


def pool_of(problem: Problem) -> tuple[EnabledPlugin, ...]:
    """
    Return one entry per instance that could be enabled, sorted by its name.

    What is enabled keeps its name and settings; so does what the robot file enables outside the
    profile; every other plugin in reach is taken as it comes.
    """
    entries: dict[InstanceName, EnabledPlugin] = {}
    plugins: set[PluginName] = set()
    for group in (entries_of(problem.robot, problem.profile), problem.robot.enabled):
        seen = set(plugins)
        for one in group:
            if one.plugin in problem.manifests and one.plugin not in seen:
                entries.setdefault(one.instance, one)
                plugins.add(one.plugin)
    for name, manifest in problem.manifests.items():
        instance = InstanceName(name)
        if name not in plugins and instance not in entries:
            entries[instance] = EnabledPlugin(
                instance=instance, plugin=name, origin=manifest.origin
            )
    return tuple(entries[name] for name in sorted(entries))


def with_enabled(problem: Problem, entries: Iterable[EnabledPlugin]) -> Problem:
    """Return *problem* with *entries* in place of what is enabled, and nothing locked."""
    return replace(
        problem,
        robot=replace(problem.robot, enabled=tuple(entries)),
        profile=None,
        reading=(),
        locked=None,
        upgrade=None,
    )
