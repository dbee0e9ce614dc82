"""What the board's firmware and kernel can be told at boot, and what each word takes."""

from __future__ import annotations

from collections.abc import Mapping

from ._claim import Pull
from ._ids import LineName
from ._origin import Origin
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class BootWord:
    """
    One word of a boot file: its kind and the text of that kind, without the file's own form.

    `kind` as in `BootSetting`. `file` where it is not the mechanism's usual one. `remove`: the word
    is taken out where it stands.
    """

    kind: str
    text: str
    file: str | None = None
    remove: bool = False
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class BootEnable:
    """
    What brings one bus or function to lines.

    `bus`: an instance, or ``one-wire``, ``ir-in``, ``ir-out``, ``led-string pio``,
    ``led-string spi``, ``audio analog``, ``audio off``, ``camera``. `lines` are all lines that
    the words take; none: the words name the line themselves. No `words`: the image does it by
    itself. `slow`: the word that lowers the bus's clock, or `slow_suffix` to the word.
    """

    bus: str
    lines: tuple[LineName, ...] = ()
    words: tuple[BootWord, ...] = ()
    bluetooth: bool = False
    """Holds only on boards whose Bluetooth sits on that UART, and switches Bluetooth off."""
    slow: BootWord | None = None
    slow_suffix: str | None = None
    releases: tuple[str, ...] = ()
    """Releases that it is known for; empty: all."""
    note: str = ""
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class BootEntry:
    """
    One word that a boot file may hold, and what it takes while its parameters keep their defaults.

    Shape:
        `defaults` parameter -> its value where the file names none, other than a line;
        `pin_params` parameter -> the default line that it moves; `choices` option -> lines in
        place of all; `adds` and `frees` option -> lines more or fewer; `excludes` names that must
        not stand beside it; `one_of` a thing of which there is one (``sound``).
    """

    name: str
    kind: str
    lines: tuple[LineName, ...] = ()
    buses: tuple[str, ...] = ()
    serves: tuple[str, ...] = ()
    """Buses and functions that it is there for: a claim of one of them is what it waits for."""
    defaults: Mapping[str, str] = field(default_factory=dict)
    pin_params: Mapping[str, LineName] = field(default_factory=dict)
    choices: Mapping[str, tuple[LineName, ...]] = field(default_factory=dict)
    adds: Mapping[str, tuple[LineName, ...]] = field(default_factory=dict)
    frees: Mapping[str, tuple[LineName, ...]] = field(default_factory=dict)
    excludes: tuple[str, ...] = ()
    one_of: str | None = None
    spoils: Mapping[str, str] = field(default_factory=dict)
    """Name of another word -> what that one no longer does beside it."""
    addresses: Mapping[str, int] = field(default_factory=dict)
    """Chip -> its I2C address; an empty name: the one chip that it is there for."""
    hazard: str | None = None
    here: bool = True
    """False: the word is known, but not for this board's family."""
    instead: str | None = None
    """What this family calls it."""
    meaning: str = ""
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class BootVocabulary:
    """
    How one image of one board is told things at boot.

    Shape:
        `forms` kind -> the form of its line, ``dtoverlay={text}``; a kind without form is the
        text itself; `joined` kinds of which all words share one line, their form takes
        ``{paths}``; `modules` section of claims -> kernel modules to load; `cards` `part_key` of
        a part -> overlay of its sound card; `frees` words of `DefaultClaim.by` -> words that
        release it; `sections` filter in the file -> boards that it holds for.
    """

    image: str
    settings_file: str | None
    command_line_file: str | None
    apply: str | None = None
    """A command that puts the edited file into force besides the reboot."""
    forms: Mapping[str, str] = field(default_factory=dict)
    joined: tuple[str, ...] = ()
    joined_path: str = "{text}"
    enables: tuple[BootEnable, ...] = ()
    console_off: tuple[BootWord, ...] = ()
    modules: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    cards: Mapping[str, str] = field(default_factory=dict)
    frees: Mapping[str, tuple[BootWord, ...]] = field(default_factory=dict)
    limits: tuple[str, ...] = ()
    """Why words are missing, for the builder."""
    overlay_keys: tuple[str, ...] = ()
    """Words of the settings file that name overlays of the image; `own_overlay_keys`: of others."""
    own_overlay_keys: tuple[str, ...] = ()
    idle_overlays: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    """Overlay -> a bus that it switches on without bringing it to lines, and what is missing."""
    overlays_refused: str | None = None
    """Why the image takes no overlays at all."""
    entries: tuple[BootEntry, ...] = ()
    renamed: Mapping[str, str] = field(default_factory=dict)
    plain: tuple[str, ...] = ()
    """Firmware settings that take nothing."""
    sections: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    usb_blocks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """USB id -> kernel modules that would grab the device first."""
    line_limit: int | None = None
    """A longer line is cut by the firmware."""
    source: str = ""

    def line_of(self, word: BootWord) -> str:
        """Return *word* in the form of its file."""
        return self.forms.get(word.kind, "{text}").format(text=word.text)


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfigLine:
    """
    One setting in a given boot file.

    `params` in the file's order, value None where only the name stands; for a parameter or
    firmware setting `value`. `sections`: the filters in force, none for all boards.
    """

    kind: str
    name: str
    value: str | None = None
    params: tuple[tuple[str, str | None], ...] = ()
    sections: tuple[str, ...] = ()
    origin: Origin
    text: str
    """As it stands in the file."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FirmwareState:
    """
    What a boot file has the firmware do to one line, some seconds after power-up.

    `function`: ``ip``, ``op`` or ``a0``..., empty where it is left as it is; `level` what an output
    is driven to, `pull` what an input is pulled to; None: left as it is.
    """

    function: str = ""
    level: Pull | None = None
    pull: Pull | None = None
    text: str
    """The setting as it stands in the file."""
    origin: Origin

    @property
    def holds(self) -> Pull | None:
        """Return to where the line goes by it; None: nowhere that is known."""
        return self.level if self.function == "op" else self.pull
