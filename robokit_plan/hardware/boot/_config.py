"""The words of a given boot file."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from types import MappingProxyType

from robokit_plan.model import ConfigLine, Origin

_BARE = frozenset({"include", "fdtoverlays"})
_FILTERS = re.compile(r"^\[(?P<name>[^\]]*)\]$")


def parse_boot_config(
    text: str, *, file: str, included: Mapping[str, str] = MappingProxyType({})
) -> tuple[ConfigLine, ...]:
    """
    Return the settings in *text*, a file of the ``config.txt`` form.

    What it includes stands in place of the line that says so; *included*: names as written ->
    texts. A file that is not there, or includes itself, stays a setting of its own.

    Comments, blank lines and lines without ``=`` say nothing. A ``dtparam`` after a ``dtoverlay``
    belongs to that overlay until a bare ``dtoverlay=``. Filters (``[pi4]``) are kept, not
    applied; ``[all]`` ends them.

    Source:
        the board maker's documentation of config.txt and of its device tree parameters (keys
        CFG_COMMON and DOC_DT); that filters of one kind replace each other: from memory.
    """
    found: list[ConfigLine] = []
    sections: tuple[str, ...] = ()
    open_overlay: int | None = None
    for name_of, number, raw in _lines(text, file, included, ()):
        line = raw.split("#", 1)[0].strip()
        if not line:
            continue
        filtered = _FILTERS.match(line)
        if filtered is not None:
            sections = _sections(sections, filtered["name"].strip())
            open_overlay = None
            continue
        name, equals, value = line.partition("=")
        if not equals:
            # The words without "=" that bring settings of their own.
            name, _, value = line.partition(" ")
            if name not in _BARE:
                continue
        origin = Origin(file=name_of, line=number, column=len(raw) - len(raw.lstrip()) + 1)
        name, value = name.strip(), value.strip()
        match name:
            case "dtoverlay" | "device_tree_overlay":
                open_overlay = None
                if value:
                    open_overlay = len(found)
                    found.append(overlay_line(value, sections, origin, line))
            case "dtparam" | "device_tree_param" if open_overlay is not None:
                found[open_overlay] = _with_params(found[open_overlay], value)
            case "dtparam" | "device_tree_param":
                found.extend(
                    ConfigLine(
                        kind="parameter",
                        name=param,
                        value=setting,
                        sections=sections,
                        origin=origin,
                        text=line,
                    )
                    for param, setting in _params(value)
                )
            case _:
                found.append(
                    ConfigLine(
                        kind="firmware",
                        name=name,
                        value=value,
                        sections=sections,
                        origin=origin,
                        text=line,
                    )
                )
    return tuple(found)


def _lines(
    text: str, file: str, included: Mapping[str, str], inside: tuple[str, ...]
) -> Iterator[tuple[str, int, str]]:
    """
    Yield file, number and text of each line.

    *file*: the boot file, in whose folder all names are meant; *inside*: what is being included.
    """
    folder, slash, _ = file.rpartition("/")
    here = f"{folder}{slash}{inside[-1]}" if inside else file
    for number, raw in enumerate(text.splitlines(), start=1):
        word, _, name = raw.split("#", 1)[0].strip().partition(" ")
        name = name.strip()
        if word == "include" and name in included and name not in inside:
            yield from _lines(included[name], file, included, (*inside, name))
        else:
            yield here, number, raw


def _sections(now: tuple[str, ...], name: str) -> tuple[str, ...]:
    """Return the filters in force after ``[name]``: one of each kind, none after ``[all]``."""
    if name == "all":
        return ()
    kind = _filter_kind(name)
    return (*(one for one in now if _filter_kind(one) != kind), name)


def _filter_kind(name: str) -> str:
    word = re.split(r"[=:]", name, maxsplit=1)[0]
    if word.startswith("gpio"):
        return "gpio"
    if word.startswith("0x"):
        return "serial"
    return word if word != name else "model"


def overlay_line(value: str, sections: tuple[str, ...], origin: Origin, text: str) -> ConfigLine:
    name, _, rest = value.partition(",")
    return ConfigLine(
        kind="overlay",
        name=name.strip(),
        params=tuple(_params(rest)),
        sections=sections,
        origin=origin,
        text=text,
    )


def _with_params(line: ConfigLine, value: str) -> ConfigLine:
    return ConfigLine(
        kind=line.kind,
        name=line.name,
        params=(*line.params, *_params(value)),
        sections=line.sections,
        origin=line.origin,
        text=line.text,
    )


def _params(text: str) -> Iterator[tuple[str, str | None]]:
    for one in text.split(","):
        name, equals, value = one.strip().partition("=")
        if name:
            yield name.strip(), value.strip() if equals else None
