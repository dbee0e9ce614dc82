"""Lines of the board by their name, since chip numbers move between kernels."""

from __future__ import annotations

from pathlib import Path

import gpiod

HEADER_CHIP = "pinctrl-"


def find_line(line):
    """Return chip path and offset of *line*, by number on the header chip, else by name."""
    number = line.removeprefix("gpio")
    for path in sorted(str(path) for path in Path("/dev").glob("gpiochip*")):
        with gpiod.Chip(path) as chip:
            if number.isdecimal() and chip.get_info().label.startswith(HEADER_CHIP):
                return path, int(number)
            try:
                return path, chip.line_offset_from_id(line)
            except OSError:
                continue
    message = f"no GPIO chip of this machine has a line {line}"
    raise LookupError(message)


def request(claim, settings, consumer):
    """Hold the line of *claim*; return the request and the line's offset."""
    path, offset = find_line(claim["line"])
    return gpiod.request_lines(path, {offset: settings}, consumer=consumer), offset
