"""The settings of a given boot file that are in force, what they mean and what they take."""

from __future__ import annotations

import re
from collections.abc import Iterable

from robokit_plan.hardware.problem import BootClaim
from robokit_plan.model import (
    Board,
    BootEntry,
    BootVocabulary,
    BusName,
    ConfigLine,
    LineName,
    dataclass,
    part_key,
)

ONE_WIRE = BusName("1-wire")
"""What the assignment calls the line that probes share."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PresentSetting:
    """One setting in force, what it means and what it takes."""

    line: ConfigLine
    entry: BootEntry
    takes: BootClaim


def standing(board: Board, image: str, config: Iterable[ConfigLine]) -> tuple[PresentSetting, ...]:
    """
    Return the known settings of *config* that are in force on *board*, in the file's order.

    What is set twice to the same is set once; an overlay that is loaded twice is another matter.
    """
    vocabulary = board.boot.get(image)
    if vocabulary is None:
        return ()
    known = known_words(vocabulary)
    found = []
    said: set[object] = set()
    for line in config:
        entry = known.get((line.kind, vocabulary.renamed.get(line.name, line.name)))
        if entry is None or not entry.here or _is_off(line) or not holds(line, vocabulary, board):
            continue
        if line.kind != "overlay":
            meant = (line.kind, line.name, line.value, line.params)
            if meant in said:
                continue
            said.add(meant)
        found.append(PresentSetting(line=line, entry=entry, takes=_claim(line, entry, board)))
    return tuple(found)


def known_words(vocabulary: BootVocabulary) -> dict[tuple[str, str], BootEntry]:
    """Return the entries of *vocabulary* by kind and name."""
    return {(entry.kind, entry.name): entry for entry in vocabulary.entries}


def holds(line: ConfigLine, vocabulary: BootVocabulary, board: Board) -> bool:
    """
    Return whether the filters of *line* let *board* through; an unknown filter does, to be safe.

    A serial number may be this robot's. What is tried once (``[tryboot]``) is no usual start.

    Source:
        the board maker's documentation of config.txt, conditional filters (key CFG_COND)
    """
    return all(_passes(name.casefold(), vocabulary, board) for name in line.sections)


def _passes(name: str, vocabulary: BootVocabulary, board: Board) -> bool:
    if name in vocabulary.sections:
        return board.id in vocabulary.sections[name]
    if name == "tryboot":
        return False
    kind, _, value = name.partition("=")
    code = board.facts.get("revision_type_code")
    if kind == "board-type" and isinstance(code, int):
        try:
            return int(value, 0) == code
        except ValueError:
            return True
    return True


def _is_off(line: ConfigLine) -> bool:
    return line.kind != "overlay" and (line.value or "on").casefold() in {"off", "0", "no", "false"}


def _claim(line: ConfigLine, entry: BootEntry, board: Board) -> BootClaim:
    buses = tuple(BusName(bus) for bus in entry.buses)
    lines = [one for one in _taken(line, entry) if one in board.lines]
    carried = {one: _bus_on(one, buses, board) for one in lines}
    blocks = {outlet.bus for outlet in board.outlets if outlet.kind == "pwm"}
    channels: list[tuple[BusName, str]] = []
    whole: list[BusName] = []
    for bus in buses:
        if bus in blocks:
            channels.extend(
                (bus, signal)
                for outlet in board.outlets
                if outlet.bus == bus
                for signal, one in outlet.lines.items()
                if one in carried
            )
        elif bus == "analog_audio" and board.analog_audio_block is not None:
            whole.append(board.analog_audio_block)
    if "analog_audio" in buses:
        channels = []
    if any(_NUMBERED_I2C.fullmatch(name) for name, _ in line.params) and entry.addresses:
        carried = {}  # its chip is on another bus, whose own setting takes the lines
    chips, addresses = _addresses(line, entry)
    selects = _selects(line, entry)
    if selects:
        chips = (*chips, entry.name.partition("-")[0])
    return BootClaim(
        by=line.text,
        lines=carried,
        addresses=addresses,
        selects=selects,
        buses=tuple(dict.fromkeys(whole)),
        channels=tuple(dict.fromkeys(channels)),
        serves=(*entry.serves, *(f"part {part_key(one)}" for one in chips)),
        origin=line.origin,
    )


_NUMBERED_I2C = re.compile("i2c([0-9])")
_SELECT = re.compile(r"spi([0-9])[.-]([0-9])(?:-present)?")


def _addresses(
    line: ConfigLine, entry: BootEntry
) -> tuple[tuple[str, ...], tuple[tuple[BusName, int], ...]]:
    """Return the chips that *line* brings to an I2C bus, and their addresses."""
    params = dict(line.params)
    chips = [name for name in entry.addresses if not name or name in params]
    bus = next((name for name in params if _NUMBERED_I2C.fullmatch(name)), None)
    buses = [BusName(bus)] if bus else [BusName(one) for one in entry.buses if one[:3] == "i2c"]
    moved = params.get("addr")
    found: list[tuple[BusName, int]] = []
    for name in chips:
        address = entry.addresses[name]
        if moved is not None and re.fullmatch("0x[0-9a-fA-F]{1,2}|[0-9]{1,3}", moved):
            address = int(moved, 0)
        found.extend((one, address) for one in buses[:1])
    return tuple(name or entry.name for name in chips), tuple(found)


def _selects(line: ConfigLine, entry: BootEntry) -> tuple[tuple[BusName, int], ...]:
    """Return the chip selects at which *line* brings a device."""
    found: list[tuple[BusName, int]] = []
    for word in (*entry.buses, *(name for name, _ in line.params)):
        match = _SELECT.fullmatch(word)
        if match is not None:
            found.append((BusName(f"spi{match[1]}"), int(match[2])))
    return tuple(dict.fromkeys(found))


def _taken(line: ConfigLine, entry: BootEntry) -> tuple[LineName, ...]:
    """Return the lines that *line* takes, its parameters considered, in the entry's order."""
    params = dict(line.params)
    lines = list(entry.lines)
    for option, chosen in entry.choices.items():
        if option in params:
            lines = list(chosen)
    for param, default in entry.pin_params.items():
        value = params.get(param)
        if value is not None and re.fullmatch("[0-9]{1,9}", value):
            if default in lines:
                lines.remove(default)
            lines.append(LineName(f"gpio{int(value)}"))
    for option, more in entry.adds.items():
        if option in params:
            lines.extend(more)
    for option, less in entry.frees.items():
        if option in params:
            lines = [one for one in lines if one not in less]
    return tuple(dict.fromkeys(lines))


def _bus_on(line: LineName, buses: tuple[BusName, ...], board: Board) -> BusName | None:
    """Return which of *buses* comes out at *line*, None where the line is plain."""
    if "w1" in buses:
        return ONE_WIRE
    if "uart_header" in buses:
        return board.header_uart
    return next(
        (
            outlet.bus
            for bus in buses
            for outlet in board.outlets
            if outlet.bus == bus and line in outlet.lines.values()
        ),
        None,
    )
