"""Listeners that nobody speaks to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from robokit_plan.model import (
    Finding,
    Instance,
    Manifest,
    Place,
    PluginName,
    Severity,
    finding,
    listed,
)

from ._words import disabling


def topic_findings(
    instances: Iterable[Instance], known: Mapping[PluginName, Manifest]
) -> tuple[Finding, ...]:
    """
    Return one warning for each topic that is heard and never said.

    Source:
        Bridge and recorder issue threads: rosbridge_suite 551, rosbag2 1527 (no error, no data).
    """
    instances = tuple(instances)
    said = {text.text for one in instances for text in one.manifest.topics.publishes}
    heard: dict[str, list[tuple[Instance, Place]]] = defaultdict(list)
    for one in instances:
        for text in one.manifest.topics.subscribes:
            if text.text not in said:
                place = Place(origin=text.origin, label=f"{one.name} listens")
                heard[text.text].append((one, place))
    found: list[Finding] = []
    for topic, who in sorted(heard.items()):
        names = sorted({one.name for one, _ in who})
        one_alone = len(names) == 1
        found.append(
            finding(
                "publisher-missing",
                Severity.WARNING,
                f"nobody publishes {topic}, which {listed(names)} "
                f"{'listens' if one_alone else 'listen'} to",
                places=[place for _, place in who],
                why=f"{'it' if one_alone else 'they'} would start without an error and wait "
                "for ever",
                repair=[
                    *(
                        f"robokit-plan enable {name}"
                        for name, manifest in sorted(known.items())
                        if any(text.text == topic for text in manifest.topics.publishes)
                    ),
                    disabling(names),
                ],
                plugins=names,
            )
        )
    return tuple(found)
