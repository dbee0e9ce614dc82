"""Typed boot vocabularies from the mappings of the data files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fnmatch import fnmatchcase
from typing import Any

from robokit_plan.model import (
    BootEnable,
    BootEntry,
    BootVocabulary,
    BootWord,
    LineName,
    part_key,
)

Entry = Mapping[str, Any]


def words_from(words: Entry, family: str) -> tuple[BootEntry, ...]:
    """Return the words of a settings file as *family* understands them."""
    return tuple(_entry(one, family) for one in words["entries"])


def boot_from(
    entry: Entry,
    *,
    words: Entry | None,
    entries: tuple[BootEntry, ...],
    usb: Iterable[Entry],
    board: str,
    family: str,
) -> BootVocabulary | None:
    """
    Return how the image that *entry* describes is told things on *board*.

    *words*: the vocabulary of its settings file, *entries* the same typed. None: the mechanism is
    that of other boards.
    """
    if not _for_board(entry, board):
        return None
    listed: Entry = words or {}
    return BootVocabulary(
        image=entry["image"],
        settings_file=entry["settings_file"],
        command_line_file=entry["command_line_file"],
        apply=entry.get("apply"),
        forms=dict(entry["forms"]),
        joined=tuple(entry.get("joined", ())),
        joined_path=entry.get("overlay_path", "{text}"),
        enables=tuple(
            _enable(one)
            for one in entry["enables"]
            if family in one["families"] and _for_board(one, board)
        ),
        console_off=tuple(
            _console(one) for one in entry["console_off"] if family in one["families"]
        ),
        modules={kind: tuple(names) for kind, names in entry["modules"].items()},
        cards={part_key(one["part"]): one["overlay"] for one in entry.get("sound_cards", ())},
        frees={
            one["by"]: tuple(_word(word, one["source"]) for word in one["settings"])
            for one in entry.get("frees", ())
        },
        limits=tuple(one["text"] for one in entry.get("limits", ()) if family in one["families"]),
        overlay_keys=tuple(entry.get("overlay_keys", ())),
        own_overlay_keys=tuple(entry.get("own_overlay_keys", ())),
        idle_overlays={
            one["overlay"]: (one["bus"], one["text"])
            for one in entry.get("idle_overlays", ())
            if family in one["families"]
        },
        overlays_refused=entry.get("overlays_refused"),
        entries=entries,
        renamed=dict(listed.get("renamed", {})),
        plain=tuple(listed.get("plain_firmware", ())),
        sections={name: tuple(boards) for name, boards in listed.get("sections", {}).items()},
        usb_blocks={name: tuple(one["block"]) for one in usb for name in one["ids"]},
        line_limit=listed.get("line_limit"),
        source=entry["files_source"],
    )


def _for_board(entry: Entry, board: str) -> bool:
    return any(fnmatchcase(board, pattern) for pattern in entry.get("boards", ("*",)))


def _word(entry: Entry, source: str) -> BootWord:
    ((kind, text),) = entry.items()
    return BootWord(kind=kind, text=text, source=source)


def _console(entry: Entry) -> BootWord:
    if "remove" in entry:
        return BootWord(
            kind="kernel-command-line-remove",
            text=entry["remove"],
            remove=True,
            source=entry["source"],
        )
    return BootWord(
        kind="file-line", text=entry["text"], file=entry["file"], source=entry["source"]
    )


def _enable(entry: Entry) -> BootEnable:
    source = entry["source"]
    slow = entry.get("slow")
    return BootEnable(
        bus=entry["bus"],
        lines=_lines(entry.get("lines", ())),
        words=tuple(_word(one, source) for one in entry["settings"]),
        bluetooth=entry.get("when") == "bluetooth",
        slow=None if slow is None else _word(slow, source),
        slow_suffix=entry.get("slow_suffix"),
        releases=tuple(entry.get("releases", ())),
        note=entry.get("note", ""),
        source=source,
    )


def _entry(entry: Entry, family: str) -> BootEntry:
    lines = entry["lines"]
    maps: Entry = entry.get("maps_to", {})
    return BootEntry(
        name=entry["name"],
        kind=entry["kind"],
        lines=_lines(lines.get(family, ()) if isinstance(lines, Mapping) else lines),
        buses=tuple(entry["buses"]),
        serves=tuple(entry.get("serves", ())),
        defaults={name: str(value) for name, value in entry.get("params", {}).items()},
        pin_params={name: LineName(line) for name, line in entry.get("pin_params", {}).items()},
        choices=_options(entry.get("choices", {})),
        adds=_options(entry.get("adds", {})),
        frees=_options(entry.get("frees", {})),
        excludes=tuple(entry.get("excludes", ())),
        one_of=entry.get("one_of"),
        spoils=dict(entry.get("spoils", {})),
        addresses=_addresses(entry.get("i2c_address")),
        hazard=entry.get("hazard"),
        here=family in entry["families"],
        instead=maps.get(family),
        meaning=entry["meaning"],
        source=entry["source"],
    )


def _addresses(entry: int | Entry | None) -> dict[str, int]:
    if entry is None:
        return {}
    return (
        {"": entry} if isinstance(entry, int) else {name: int(one) for name, one in entry.items()}
    )


def _options(entry: Entry) -> dict[str, tuple[LineName, ...]]:
    return {name: _lines(lines or ()) for name, lines in entry.items()}


def _lines(names: Iterable[str]) -> tuple[LineName, ...]:
    return tuple(LineName(name) for name in names)
