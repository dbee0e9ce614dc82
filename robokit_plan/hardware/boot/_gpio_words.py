"""Lines that the firmware itself drives, pulls or gives to a bus: ``gpio=17=op,dh``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from robokit_plan.hardware.problem import BootClaim
from robokit_plan.model import (
    Board,
    BusName,
    ConfigLine,
    FirmwareState,
    LineName,
    Pull,
    replace,
)

from ._present_settings import holds
from .options import OUTPUT

_DRIVES = {"dh": Pull.UP, "dl": Pull.DOWN}
_PULLS = {"pu": Pull.UP, "pd": Pull.DOWN, "pn": Pull.NONE, "np": Pull.NONE}
_FUNCTION = re.compile("ip|op|a[0-8]")
_LINES = re.compile(r"[0-9]{1,3}(-[0-9]{1,3})?")


def firmware_states(
    board: Board, image: str, config: Iterable[ConfigLine]
) -> dict[LineName, FirmwareState]:
    """
    Return what the settings ``gpio=`` of *config* do to lines of *board* before any program.

    Later settings of one line add to earlier ones and stand where both speak of the same.

    Source:
        the board maker's documentation of config.txt, GPIO control (key CFG_GPIO)
    """
    vocabulary = board.boot.get(image)
    found: dict[LineName, FirmwareState] = {}
    for line in config:
        if vocabulary is None or "gpio" not in vocabulary.plain:
            break
        if (line.kind, line.name) != ("firmware", "gpio") or not holds(line, vocabulary, board):
            continue
        named, _, words = (line.value or "").partition("=")
        for name in _numbered(named):
            if name in board.lines:
                state = found.get(name, FirmwareState(text=line.text, origin=line.origin))
                found[name] = _with(state, words, line)
    return found


def _numbered(text: str) -> Iterator[LineName]:
    for part in text.split(","):
        if _LINES.fullmatch(part.strip()):
            first, _, last = part.strip().partition("-")
            for number in range(int(first), int(last or first) + 1):
                yield LineName(f"gpio{number}")


def _with(state: FirmwareState, words: str, line: ConfigLine) -> FirmwareState:
    state = replace(state, text=line.text, origin=line.origin)
    for word in (one.strip() for one in words.split(",")):
        if _FUNCTION.fullmatch(word):
            state = replace(state, function=word)
        elif word in _DRIVES:
            state = replace(state, level=_DRIVES[word])
        elif word in _PULLS:
            state = replace(state, pull=_PULLS[word])
    return state


def firmware_claims(board: Board, image: str, config: Iterable[ConfigLine]) -> Iterator[BootClaim]:
    """Yield the lines that the firmware drives, or gives to a bus; what it pulls alone is free."""
    for name, state in firmware_states(board, image, config).items():
        if state.function == "op":
            yield BootClaim(
                by=state.text, lines={name: None}, serves=(OUTPUT,), origin=state.origin
            )
        elif state.function.startswith("a"):
            bus = next(
                (
                    BusName(one.bus)
                    for one in board.lines[name].functions
                    if one.alt == state.function[1:]
                ),
                None,
            )
            yield BootClaim(
                by=state.text,
                lines={name: bus},
                serves=() if bus is None else (bus,),
                origin=state.origin,
            )
