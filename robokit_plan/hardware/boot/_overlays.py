"""Overlays that a given boot file names on one line: what they bring, whether they go."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from robokit_plan.hardware.problem import BootClaim
from robokit_plan.model import (
    Board,
    BootEnable,
    BootVocabulary,
    BusName,
    ConfigLine,
    Finding,
    Severity,
    finding,
)


def names_overlays(line: ConfigLine, vocabulary: BootVocabulary) -> bool:
    """Whether *line* is where the image reads names of overlays."""
    return line.kind == "firmware" and line.name in (
        *vocabulary.overlay_keys,
        *vocabulary.own_overlay_keys,
    )


def overlay_claims(vocabulary: BootVocabulary, lines: Iterable[ConfigLine]) -> Iterator[BootClaim]:
    """Yield what the overlays that *lines* name take: their bus has its lines already."""
    known = _known(vocabulary)
    for line, name in _named(vocabulary, lines):
        way = known.get(name)
        if way is not None and vocabulary.overlays_refused is None:
            bus = BusName(way.bus)
            yield BootClaim(
                by=f"overlay {name}", lines=dict.fromkeys(way.lines, bus), origin=line.origin
            )


def overlay_findings(
    board: Board, vocabulary: BootVocabulary, lines: Iterable[ConfigLine]
) -> Iterator[Finding]:
    """Return overlays that the image does not take, does not have, or that bring no line."""
    known = _known(vocabulary)
    for line, name in _named(vocabulary, lines):
        idle = vocabulary.idle_overlays.get(name)
        if vocabulary.overlays_refused is not None:
            rule, severity = "overlay-refused", Severity.ERROR
            message = f"image {vocabulary.image} of {board.id} takes no overlay {name}"
            why = vocabulary.overlays_refused
        elif idle is not None:
            rule, severity = "overlay-idle", Severity.WARNING
            message = f"overlay {name} switches {idle[0]} on and brings it to no line"
            why = idle[1]
        elif name not in known:
            rule, severity = "overlay-unknown", Severity.ERROR
            message = f"image {vocabulary.image} of {board.id} has no overlay {name}"
            why = "an overlay that cannot be put on may drop all others with it"
        else:
            continue
        yield finding(
            rule,
            severity,
            message,
            places=[line.origin],
            why=[why, *(vocabulary.limits if rule == "overlay-unknown" else ())],
            repair=f"take {name} out of {line.origin.file}"
            if idle is None or not vocabulary.own_overlay_keys
            else f"{vocabulary.own_overlay_keys[0]}=…   in {line.origin.file}: an overlay of your "
            "own with pinctrl-0, in its place",
            resource=name,
        )


def _known(vocabulary: BootVocabulary) -> dict[str, BootEnable]:
    return {
        word.text: way for way in vocabulary.enables for word in way.words if word.kind == "overlay"
    }


def _named(
    vocabulary: BootVocabulary, lines: Iterable[ConfigLine]
) -> Iterator[tuple[ConfigLine, str]]:
    for line in lines:
        if line.kind == "firmware" and line.name in vocabulary.overlay_keys:
            for path in (line.value or "").split():
                yield line, path.rpartition("/")[2].removesuffix(".dtbo")
