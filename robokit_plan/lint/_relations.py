"""Rules about the words by which plugins find and avoid each other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from robokit_plan.model import ActuatorClaim, Finding, Manifest, Severity, Text, finding, near_names

from ._about import place_of


def check_excludes(manifest: Manifest) -> Iterator[Finding]:
    """A plugin excludes neither itself nor what it needs."""
    own = {manifest.plugin, *manifest.provides}
    needs = {need.text for need in manifest.needs}
    wanted = needs | {_plugin_name(text) for text in manifest.plugins}
    for text in manifest.excludes:
        if text.text in own:
            what = "itself" if text.text == manifest.plugin else f"{text.text}, which it provides"
            yield finding(
                "excludes-itself",
                Severity.ERROR,
                f"{manifest.plugin} excludes {what}",
                places=[text.origin],
                why="it could never be enabled",
                repair=f"remove {text.text} from excludes",
                plugins=[manifest.plugin],
            )
        elif text.text in wanted:
            yield finding(
                "excludes-needed",
                Severity.ERROR,
                f"{manifest.plugin} excludes {text.text} and needs it",
                places=[text.origin],
                why="it could never be enabled",
                repair=[
                    f"remove {text.text} from excludes",
                    f"remove {text.text} from {'needs' if text.text in needs else 'plugins'}",
                ],
                plugins=[manifest.plugin],
            )


def _plugin_name(text: Text) -> str:
    name = text.text
    for mark in "<>=!~ ;[":
        name = name.partition(mark)[0]
    return name


def check_own_needs(manifest: Manifest) -> Iterator[Finding]:
    """A plugin does not need what it provides itself."""
    for need in manifest.needs:
        if need.text in manifest.provides:
            yield finding(
                "needs-own",
                Severity.WARNING,
                f"{manifest.plugin} needs {need.text} and provides it itself",
                places=[need.origin],
                why="needs names services of other plugins; this one is always there",
                repair=f"remove {need.text} from needs",
                plugins=[manifest.plugin],
            )


def check_repeats(manifest: Manifest) -> Iterator[Finding]:
    """A word stands once in a list."""
    topics, machine = manifest.topics, manifest.base.machine
    lists: list[tuple[str, tuple[Text, ...]]] = [
        ("needs", manifest.needs),
        ("excludes", manifest.excludes),
        ("publishes", topics.publishes),
        ("subscribes", topics.subscribes),
        ("commands", topics.commands),
        ("groups", machine.groups),
        ("start", machine.start),
        ("stop", machine.stop),
        ("load", machine.load),
        ("block", machine.block),
        ("permissions", machine.permissions),
        ("modules", manifest.base.python.modules),
    ]
    place = place_of(manifest, "provides")
    lists.append(("provides", tuple(Text(text=one, origin=place) for one in manifest.provides)))
    for key, texts in lists:
        seen: dict[str, list[Text]] = defaultdict(list)
        for text in texts:
            seen[text.text].append(text)
        for word, alike in sorted(seen.items()):
            if len(alike) > 1:
                yield finding(
                    "listed-twice",
                    Severity.NOTE,
                    f"{word} stands {len(alike)} times in {key}",
                    places=[text.origin for text in alike],
                    why="one of them was perhaps meant to be another",
                    repair=f"keep one {word}",
                    plugins=[manifest.plugin],
                )
    for left, right in (("start", "stop"), ("load", "block")):
        held = {text.text: text for text in getattr(machine, left)}
        for text in getattr(machine, right):
            if text.text in held:
                yield finding(
                    "machine-contradicts",
                    Severity.ERROR,
                    f"{manifest.plugin} lists {text.text} under {left} and under {right}",
                    places=[held[text.text].origin, text.origin],
                    why="which of the two happens last is chance",
                    repair=[
                        f"remove {text.text} from {left}",
                        f"remove {text.text} from {right}",
                    ],
                    plugins=[manifest.plugin],
                )


def actuators_of(manifests: Iterable[Manifest]) -> frozenset[str]:
    """Return the names of all actuators that *manifests* wire."""
    return frozenset(
        claim.key.name
        for one in manifests
        for needs in (one.base, *(variant.needs for variant in one.variants))
        for claim in needs.hardware
        if isinstance(claim, ActuatorClaim)
    )


def check_commands(manifest: Manifest, actuators: frozenset[str]) -> Iterator[Finding]:
    """What a plugin commands is an actuator of its own, or of *actuators*, those of all others."""
    for text in manifest.topics.commands:
        if text.text in actuators:
            continue
        known = actuators | actuators_of([manifest])
        if text.text in known:
            continue
        near = near_names(text.text, sorted(known), 1)
        yield finding(
            "command-unknown",
            Severity.WARNING,
            f"{manifest.plugin} commands {text.text}, which no plugin here has as an actuator",
            places=[text.origin],
            why="an actuator is declared by the plugin that wires it, under hardware: actuators:",
            repair=_respelt(manifest, text.text, near)
            or f"hardware: {{actuators: {{{text.text}: {{hazard: motion, safe-state: stopped}}}}}}"
            f"   in the manifest of {manifest.plugin}, if it wires it",
            plugins=[manifest.plugin],
        )


def _respelt(manifest: Manifest, word: str, near: list[str]) -> str:
    """Return the commands of *manifest* with *word* as its actuator is called."""
    if not near:
        return ""
    texts = (near[0] if one.text == word else one.text for one in manifest.topics.commands)
    words = dict.fromkeys(texts)
    return f"topics: {{commands: [{', '.join(words)}]}}   in the manifest of {manifest.plugin}"
