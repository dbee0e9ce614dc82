"""What the settings of a given boot file take away from plugins."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from robokit_plan.hardware.problem import BootClaim
from robokit_plan.model import (
    Board,
    BootEntry,
    BootVocabulary,
    ConfigLine,
    Finding,
    Severity,
    finding,
    folded,
    sorted_findings,
)

from ._gpio_words import firmware_claims
from ._overlays import names_overlays, overlay_claims, overlay_findings
from ._present_settings import holds, known_words, standing
from ._setting_conflicts import word_findings

UNKNOWN = "boot-vocabulary-unknown"


def boot_claims(
    board: Board, image: str, config: Iterable[ConfigLine]
) -> tuple[tuple[BootClaim, ...], tuple[Finding, ...]]:
    """
    Return what the settings of *config* take from plugins on *board*, and what is odd about them.

    A setting takes nothing from what it `serves`: ``dtoverlay=uart3`` waits for a device on uart3.

    Shape:
        one claim per setting that takes lines or a controller, in the file's order; a setting
        under a filter for other boards takes nothing.
    """
    vocabulary = board.boot.get(image)
    lines = tuple(config)
    if vocabulary is None or not vocabulary.entries:
        freeing = () if vocabulary is None else vocabulary.frees.values()
        known_texts = {word.text for words in freeing for word in words}
        strange = tuple(
            one
            for one in lines
            if f"{one.name}={one.value}" not in known_texts
            and (vocabulary is None or not names_overlays(one, vocabulary))
        )
        odd = _no_words(board, image, strange)
        if vocabulary is None:
            return (), odd
        return (
            tuple(overlay_claims(vocabulary, lines)),
            sorted_findings((*odd, *overlay_findings(board, vocabulary, lines))),
        )
    known = known_words(vocabulary)
    found: list[Finding] = []
    for line in lines:
        if not holds(line, vocabulary, board):
            continue
        found.extend(_length(line, vocabulary))
        entry = known.get((line.kind, vocabulary.renamed.get(line.name, line.name)))
        if entry is None:
            found.extend(_unknown_word(line, vocabulary, board))
        elif not entry.here:
            found.append(_elsewhere(line, entry, board))
    met = standing(board, image, lines)
    found.extend(word_findings(met))
    return (
        (
            *(one.takes for one in met if _takes_something(one.takes)),
            *firmware_claims(board, image, lines),
        ),
        sorted_findings(folded(found)),
    )


def _takes_something(one: BootClaim) -> bool:
    return bool(one.lines or one.buses or one.channels or one.addresses or one.selects)


def boot_freed(board: Board, image: str, config: Iterable[ConfigLine]) -> frozenset[str]:
    """
    Return what *image* gives back of what it keeps, as `DefaultClaim.by` calls it.

    The serial console where the plan knows how to take it off; what has all of its releasing words
    in *config*; ``bluetooth`` where its UART is no longer kept by it.
    """
    vocabulary = board.boot.get(image)
    if vocabulary is None:
        return frozenset()
    lines = tuple(config)
    words = {
        f"{one.name}={one.value}"
        for one in lines
        if one.kind == "firmware" and holds(one, vocabulary, board)
    }
    freed = {
        by
        for by, needed in vocabulary.frees.items()
        if needed and words.issuperset(word.text for word in needed)
    }
    if vocabulary.console_off:
        freed.update(
            one.by for one in board.default_claims if set(one.pins) <= set(board.console_pins)
        )
    if any(
        one.entry.kind == "overlay" and "bluetooth" in one.entry.buses
        for one in standing(board, image, lines)
    ):
        freed.add("bluetooth")
    return frozenset(freed)


def _no_words(board: Board, image: str, lines: tuple[ConfigLine, ...]) -> tuple[Finding, ...]:
    if not lines:
        return ()
    return (
        finding(
            UNKNOWN,
            Severity.WARNING,
            f"what this boot file takes on {board.id} is not known",
            places=(lines[0].origin,),
            why=f"there are no facts about the words of image {image} on this board",
            repair="keep the lines that it uses out of the plan with `wiring`",
        ),
    )


def _length(line: ConfigLine, vocabulary: BootVocabulary) -> Iterator[Finding]:
    if vocabulary.line_limit is not None and len(line.text) > vocabulary.line_limit:
        yield finding(
            "boot-line-cut",
            Severity.WARNING,
            f"the firmware reads only {vocabulary.line_limit} of {len(line.text)} characters",
            places=(line.origin,),
            why="what stands behind is lost without a word",
            repair=_split(line),
        )


def _split(line: ConfigLine) -> tuple[str, ...]:
    """Return *line* as several that say the same; none where it cannot be divided."""
    word, _, rest = line.text.partition("=")
    parts = [one.strip() for one in rest.split(",") if one.strip()]
    if word.strip() not in {"dtoverlay", "dtparam"} or len(parts) < 2:
        return ()
    later = [f"dtparam={one}" for one in parts[1:]]
    return (
        f"{word.strip()}={parts[0]}   in {line.origin.file}, with {', '.join(later)} below it, "
        "each on a line of its own",
    )


def _unknown_word(line: ConfigLine, vocabulary: BootVocabulary, board: Board) -> Iterator[Finding]:
    if line.kind == "firmware" and line.name in vocabulary.plain:
        return
    yield finding(
        "boot-setting-unknown",
        Severity.NOTE,
        f"what {line.text} takes on {board.id} is not known",
        places=(line.origin,),
        why="there are no facts about this word; lines that it uses are not kept free",
    )


def _elsewhere(line: ConfigLine, entry: BootEntry, board: Board) -> Finding:
    return finding(
        "boot-setting-elsewhere",
        Severity.WARNING,
        f"{line.text} does nothing on {board.id}",
        places=(line.origin,),
        why=f"{entry.kind} {entry.name} is for boards with another SoC",
        repair=f"take {line.text} out of {line.origin.file}"
        if entry.instead is None
        else f"dtoverlay={entry.instead}   in {line.origin.file}, in its place",
    )
