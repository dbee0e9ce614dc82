"""
Hardware facts of the package as typed values.

The data files are the truth: a new board is a new file in ``data/boards``, nothing here. They are
read once a process: nobody changes the package under a running command.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from hashlib import sha256
from typing import Any

from robokit_plan.model import (
    Board,
    BoardId,
    BootEntry,
    BootVocabulary,
    Chip,
    ChipRule,
    Electrical,
    I2cFacts,
    Part,
    near_names,
    part_key,
)

from ._board_from import board_from, part_from
from ._boot_from import boot_from, words_from
from ._cached_yaml import DATA, read_data_file
from ._controller_from import chip_from, rules_from
from ._electrical_from import electrical_from, i2c_from

BOARDS = DATA / "boards"
BOOT = DATA / "boot"
PARTS = DATA / "parts"
CONTROLLERS = DATA / "controllers"
_LINKS = "links.yaml"


class UnknownBoard(LookupError):  # noqa: N818  named after what is wrong
    """
    No board of ours bears that compatible string.

    `near`: known boards with a similar name, likeliest first; empty where none is similar.
    `several`: boards that share the string, so it does not tell which one is meant.
    """

    def __init__(
        self, name: str, *, near: tuple[BoardId, ...] = (), several: tuple[BoardId, ...] = ()
    ) -> None:
        super().__init__(name)
        self.name = name
        self.near = near
        self.several = several

    def __str__(self) -> str:
        if self.several:
            return f"{self.name} names several boards: {', '.join(self.several)}"
        tail = f"; did you mean {self.near[0]}" if self.near else ""
        return f"no facts about board {self.name}{tail}"


def board_ids() -> tuple[BoardId, ...]:
    """Return all boards that we have facts about, sorted."""
    return tuple(sorted(BoardId(name[:-5]) for name in _yaml_names(BOARDS)))


def boards_by_words(text: str) -> tuple[BoardId, ...]:
    """
    Return the boards whose compatible string holds every word of *text*, in any order and spelling.

    A number is a word of its own and must be there whole, so that no sister with another number is
    meant; a word of letters may be a part of one. Of several, those that have the fewest words
    besides: the plain board, not its variants.

    >>> boards_by_words("Pi 4 Model B"), boards_by_words("zero w")
    (('raspberrypi,4-model-b',), ('raspberrypi,model-zero-w',))
    """
    wanted = _words_of(text)
    if not wanted:
        return ()
    found: dict[BoardId, int] = {}
    for one in board_ids():
        words = _words_of(one)
        left = list(words)
        for word in wanted:
            match = next((each for each in left if each == word), None)
            if match is None and word.isalpha() and len(word) > 1:
                match = next((each for each in words if word in each), None)
            if match is None:
                break
            if match in left:
                left.remove(match)
        else:
            found[one] = len(left)
    fewest = min(found.values(), default=0)
    return tuple(one for one, count in found.items() if count == fewest)


def _words_of(text: str) -> list[str]:
    """Return the words of a name: runs of letters, runs of digits."""
    return re.findall(r"[a-z]+|[0-9]+", text.casefold().replace("+", " plus "))


def find_board(text: str) -> BoardId:
    """
    Return the board that a person means: by a compatible string, or by words of one.

    Raises:
        UnknownBoard: None, or several.
    """
    try:
        return board_id(text)
    except UnknownBoard as error:
        found = boards_by_words(text)
        if len(found) > 1 and not error.several:
            raise UnknownBoard(text, several=found) from error
        if len(found) != 1:
            raise
        return found[0]


@cache
def release_words() -> Mapping[str, str]:
    """Return code name of a release, in small letters -> its name in a robot file."""
    data = read_data_file(DATA / "debian" / "releases.yaml")["releases"]
    return {str(one["codename"]): name for name, one in data.items()}


def find_release(text: str) -> str | None:
    """
    Return the release that a person means by its code name or its number; None: none of ours.

    >>> find_release("Trixie"), find_release("debian 12"), find_release("13"), find_release("sid")
    ('debian-13', 'debian-12', 'debian-13', None)
    """
    word = text.strip().casefold()
    names = release_words()
    if word in names:
        return names[word]
    number = re.fullmatch(r"(?:debian[ -]?)?([0-9]+)(?:\.[0-9]+)?", word)
    wanted = f"debian-{number[1]}" if number else word
    return wanted if wanted in names.values() else None


def board_id(compatible: str) -> BoardId:
    """
    Return the board that *compatible* names: its id, or another of its strings if unique.

    Raises:
        UnknownBoard: No board has that string, or more than one has.

    Source:
        Devicetree Specification 2.3.1: the property lists the most specific string first.
    """
    known = board_ids()
    if compatible in known:
        return BoardId(compatible)
    bearers = tuple(
        one for one in known if compatible in read_data_file(BOARDS / f"{one}.yaml")["compatible"]
    )
    match bearers:
        case (only,):
            return only
        case ():
            by_words = boards_by_words(compatible)
            near = by_words or tuple(BoardId(name) for name in near_names(compatible, known))
            raise UnknownBoard(compatible, near=near)
        case _:
            raise UnknownBoard(compatible, several=bearers)


@cache
def read_board(compatible: str) -> Board:
    """
    Return the board that *compatible* names.

    Raises:
        UnknownBoard: No board has that string, or more than one has.
    """
    entry = read_data_file(BOARDS / f"{board_id(compatible)}.yaml")
    family = read_data_file(BOARDS / "families" / f"{entry['family']}.yaml")
    header = read_data_file(BOARDS / "headers" / f"{entry['header']}.yaml")
    return board_from(entry, family=family, header=header, boot=_boot(entry["board"], family))


@cache
def read_parts() -> Mapping[str, Part]:
    """
    Return all parts that we know.

    Shape:
        `part_key` of the name and of every alias -> part.
    """
    parts: dict[str, Part] = {}
    for entry in _entries(PARTS, "parts"):
        part = part_from(entry)
        for name in (part.name, *part.aliases):
            parts[part_key(name)] = part
    return parts


@cache
def read_controllers() -> Mapping[str, Chip]:
    """
    Return all controller chips that we know.

    Shape:
        `part_key` of the id, the name and every alias -> chip.
    """
    chips: dict[str, Chip] = {}
    for name in sorted(_yaml_names(CONTROLLERS)):
        if name != _LINKS:
            chip = chip_from(read_data_file(CONTROLLERS / name))
            for key in (chip.id, chip.name, *chip.aliases):
                chips[part_key(key)] = chip
    return chips


@cache
def read_link_rules() -> tuple[ChipRule, ...]:
    """Return what holds for every link between the board and a controller."""
    return rules_from(read_data_file(CONTROLLERS / _LINKS)["links"])


@cache
def read_electrical() -> Electrical:
    """Return the limits and thresholds of the electrical checks."""
    return electrical_from(read_data_file(DATA / "electrical.yaml"))


@cache
def read_i2c() -> I2cFacts:
    """Return what holds for every I2C bus."""
    return i2c_from(read_data_file(DATA / "i2c.yaml"))


def read_sources() -> Mapping[str, str]:
    """Return what the keys in every `source` stand for."""
    sources: Mapping[str, str] = read_data_file(DATA / "sources.yaml")["sources"]
    return sources


@cache
def facts_digest() -> str:
    """Return the SHA-256 over all data files, names and contents, in sorted order."""
    total = sha256()
    for path in sorted(DATA.rglob("*.yaml")):
        name = path.relative_to(DATA).as_posix()
        total.update(f"{name}\0{sha256(path.read_bytes()).hexdigest()}\n".encode())
    return total.hexdigest()


def _boot(board: str, family: Mapping[str, Any]) -> Mapping[str, BootVocabulary]:
    """Return image -> its boot vocabulary, for the images that are known on *board*."""
    found: dict[str, BootVocabulary] = {}
    usb = read_data_file(DATA / "usb.yaml")["devices"]
    # Images of one board mostly share their words; typing them is the dear part.
    known: dict[str, tuple[Mapping[str, Any], tuple[BootEntry, ...]]] = {}
    for image, name in family["boot"].items():
        entry = read_data_file(BOOT / f"{name}.yaml")
        words = entry.get("vocabulary")
        if words is not None and words not in known:
            listed = read_data_file(BOOT / f"{words}.yaml")
            known[words] = (listed, words_from(listed, family["family"]))
        listed_words, entries = (None, ()) if words is None else known[words]
        vocabulary = boot_from(
            entry,
            words=listed_words,
            entries=entries,
            usb=usb,
            board=board,
            family=family["family"],
        )
        if vocabulary is not None:
            found[image] = vocabulary
    return found


def _yaml_names(folder: os.PathLike[str]) -> Iterator[str]:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.endswith(".yaml") and entry.is_file():
                yield entry.name


def _entries(folder: os.PathLike[str], key: str) -> Iterable[Mapping[str, Any]]:
    for name in sorted(_yaml_names(folder)):
        yield from read_data_file(DATA / os.fspath(folder) / name)[key]
