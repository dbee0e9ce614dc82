"""What an overlay that stands in the boot file means for the setting that the plan needs."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from robokit_plan.model import (
    BootEnable,
    BootVocabulary,
    BootWord,
    Finding,
    InstanceName,
    LineName,
    Severity,
    finding,
    listed,
)

from ._config import overlay_line
from ._present_settings import PresentSetting
from .options import smallest_ways


def rivals_of(
    bus: str, ways: Iterable[BootEnable], met: Iterable[PresentSetting]
) -> tuple[PresentSetting, ...]:
    """Return the overlays of *met* that set up the controller of *bus* as one of *ways* does."""
    names = {word.text.partition(",")[0] for way in ways for word in _overlays(way)}
    return tuple(
        one
        for one in met
        if one.entry.kind == "overlay" and one.entry.name in names and _lines(one, bus)
    )


def serves_already(
    one: PresentSetting, ways: Iterable[BootEnable], lines: Collection[LineName]
) -> bool:
    """Whether *one* does what one of *ways* does for *lines*, and nothing else."""
    return any(_agrees(one, way, lines, strict=True) for way in ways)


def rival_findings(
    vocabulary: BootVocabulary,
    met: Iterable[PresentSetting],
    best: BootEnable,
    lines: Collection[LineName],
    ways: Collection[BootEnable],
    because_of: tuple[InstanceName, ...],
) -> Iterator[Finding]:
    """
    Yield overlays of *met* that would lose lines to *best*, the plan's setting, or contradict it.

    Two overlays of one controller replace each other's lines: the later one stands, and the plan's
    block is the later one. What *best* covers loses nothing.
    """
    for one in met:
        has = _lines(one, best.bus)
        if set(lines) <= has:
            if any(_agrees(one, way, lines, strict=False) for way in ways):
                continue
        elif has <= set(best.lines):
            continue
        both = smallest_ways(ways, has | set(lines))
        instead = [
            f"{vocabulary.line_of(word)}   in {one.line.origin.file}, in its place"
            for way in both
            for word in _overlays(way)
        ]
        yield finding(
            "boot-setting-conflict",
            Severity.ERROR,
            f"{one.line.text} in the boot file does not bring {best.bus} to "
            f"{listed(sorted(lines))}, which is needed",
            places=(one.line.origin,),
            why=(
                f"needed for {', '.join(because_of)}",
                f"two overlays of {best.bus} are not added up: the later one stands",
            ),
            repair=(*instead[:1], f"take {one.line.text} out of {one.line.origin.file}"),
            plugins=because_of,
            resource=best.bus,
        )


def _overlays(way: BootEnable) -> tuple[BootWord, ...]:
    return tuple(word for word in way.words if word.kind == "overlay")


def _lines(one: PresentSetting, bus: str) -> frozenset[LineName]:
    return frozenset(line for line, carried in one.takes.lines.items() if carried == bus)


def _agrees(
    one: PresentSetting, way: BootEnable, lines: Collection[LineName], *, strict: bool
) -> bool:
    """Whether *one* says all that *way* says for *lines*; *strict*: and nothing besides."""
    if not set(lines) <= set(way.lines) & _lines(one, way.bus):
        return False
    pins = {name: pin.removeprefix("gpio") for name, pin in one.entry.pin_params.items()}
    usual: dict[str, str | None] = {**one.entry.defaults, **pins}
    given = dict(one.line.params)
    for word in _overlays(way):
        wanted = overlay_line(word.text, (), one.line.origin, word.text)
        needed = dict(wanted.params)
        if wanted.name != one.entry.name or needed.items() - {**usual, **given}.items():
            continue
        if not strict or not {**usual, **given}.items() - {**usual, **needed}.items():
            return True
    return False
