"""
Boot settings: from assignments to the lines that the board's firmware and kernel need.

The words stand in `Board.boot`, per image; nothing is guessed. What an image is not known to be
able to say becomes a finding.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from robokit_plan.model import (
    Assignment,
    Board,
    BootEnable,
    BootSetting,
    BootVocabulary,
    BootWord,
    Claim,
    ClaimName,
    ConfigLine,
    Finding,
    I2cClaim,
    I2sClaim,
    InstanceName,
    LineName,
    Origin,
    Place,
    Severity,
    SignalClaim,
    dataclass,
    field,
    finding,
    part_key,
    sorted_findings,
)

from ._claims import UNKNOWN
from ._config import overlay_line
from ._present_overlays import rival_findings, rivals_of, serves_already
from ._present_settings import holds, standing
from .options import boot_needs, boot_ways, smallest_ways

Claims = Mapping[tuple[InstanceName, ClaimName], Claim]

_USUAL_KHZ = 100


@dataclass(slots=True)
class _Group:
    """All assignments that share one bus or function."""

    bus: str
    uses: list[Assignment] = field(default_factory=list)

    @property
    def lines(self) -> frozenset[LineName]:
        return frozenset(use.line for one in self.uses for use in one.lines)

    @property
    def because_of(self) -> tuple[InstanceName, ...]:
        return tuple(sorted({one.instance for one in self.uses}))


def boot_settings(
    board: Board,
    image: str,
    release: str,
    assignments: Iterable[Assignment],
    claims: Claims,
    config: Iterable[ConfigLine] = (),
) -> tuple[tuple[BootSetting, ...], tuple[Finding, ...]]:
    """
    Return what must be told to the firmware and kernel of *board* for *assignments* to work.

    Args:
        image: ``vendor``, ``debian``, or any other that the robot file names.
        claims: The claims behind the assignments, for speeds, parts and places.
        config: Settings that the card has already; a word among them is not repeated.

    Returns:
        Settings sorted by kind and text, each with the instances that need it; findings about
        what the image cannot be told.
    """
    work = _Work(board, image, release, tuple(assignments), claims, tuple(config))
    return work.settings()


class _Work:
    """One run of `boot_settings`."""

    def __init__(
        self,
        board: Board,
        image: str,
        release: str,
        assignments: tuple[Assignment, ...],
        claims: Claims,
        config: tuple[ConfigLine, ...],
    ) -> None:
        self.board = board
        self.image = image
        self.release = release
        # A companion's own pins need nothing here; its link does.
        self.on_board = tuple(one for one in assignments if one.on_board)
        self.claims = claims
        self.vocabulary = board.boot.get(image)
        self.config = tuple(
            line
            for line in config
            if self.vocabulary is None or holds(line, self.vocabulary, board)
        )
        self.words: dict[tuple[str, str, str | None], tuple[BootWord, set[InstanceName]]] = {}
        self.findings: list[Finding] = []
        self.ways = boot_ways(board, self.vocabulary, release)
        self.taken: Mapping[str, frozenset[LineName]] = {}

    def settings(self) -> tuple[tuple[BootSetting, ...], tuple[Finding, ...]]:
        groups = self._groups()
        self.taken = self._taken(groups)
        for bus in sorted(groups):
            self._enable(groups[bus])
        self._audio(groups)
        self._console()
        self._freed()
        return self._written(), sorted_findings(self.findings)

    def _groups(self) -> dict[str, _Group]:
        """Return what has to be enabled; plain lines, USB and the like need nothing."""
        groups: dict[str, _Group] = {}
        for one in self.on_board:
            for bus in boot_needs(one.section, one):
                groups.setdefault(bus, _Group(bus)).uses.append(one)
        return groups

    def _taken(self, groups: Mapping[str, _Group]) -> Mapping[str, frozenset[LineName]]:
        """Return who needs which lines: a bus its own and its smallest setting's, "" all others."""
        found = {
            bus: group.lines.union(
                *(way.lines for way in smallest_ways(self.ways.get(bus, ()), group.lines)[:1])
            )
            for bus, group in groups.items()
        }
        plain = {
            line.line
            for one in self.on_board
            if not boot_needs(one.section, one)
            for line in one.lines
        }
        kept = {
            line
            for one in standing(self.board, self.image, self.config)
            for line, bus in one.takes.lines.items()
            if bus not in groups and not set(one.entry.serves) & set(groups)
        }
        return {**found, "": frozenset(plain | kept)}

    def _enable(self, group: _Group) -> None:
        ways = self.ways.get(group.bus, ())
        general = [way for way in ways if not way.lines]
        if group.bus == "led-string spi" or general:
            for way in general:
                self._general(way, group)
            if not general:
                self._unknown(group)
            return
        fitting = [way for way in ways if group.lines <= set(way.lines)]
        if not fitting:
            self._unknown(group)
            return
        elsewhere = {
            line for bus, lines in self.taken.items() if bus != group.bus for line in lines
        }
        # The engine saw to it that the smallest one takes nothing that is used elsewhere.
        best = next(
            (way for way in fitting if elsewhere.isdisjoint(set(way.lines) - group.lines)),
            smallest_ways(fitting, group.lines)[0],
        )
        rivals = rivals_of(group.bus, ways, standing(self.board, self.image, self.config))
        if (
            self._slowest(group) is None
            and self._card(group) is None
            and any(serves_already(one, ways, group.lines) for one in rivals)
        ):
            if best.bluetooth:
                self._bluetooth_off(best, group)
            return
        if self.vocabulary is not None:
            self.findings.extend(
                rival_findings(self.vocabulary, rivals, best, group.lines, ways, group.because_of)
            )
        self._specific(best, group)

    def _general(self, way: BootEnable, group: _Group) -> None:
        for word in way.words:
            if "{number}" not in word.text:
                self._add(word, group.because_of)
                continue
            for use in group.uses:
                number = use.lines[0].line.removeprefix("gpio") if use.lines else ""
                claim = self.claims.get((use.instance, use.claim))
                leds = claim.leds if isinstance(claim, SignalClaim) and claim.leds else 1
                text = word.text.format(number=number, leds=leds)
                self._add(_replaced(word, text), (use.instance,))

    def _specific(self, way: BootEnable, group: _Group) -> None:
        khz = self._slowest(group)
        words = list(way.words)
        card = self._card(group)
        if card is not None and words:
            words = [BootWord(kind="overlay", text=card[0], source=words[0].source)]
        for word in words:
            text = word.text
            if khz is not None and way.slow_suffix is not None and word is words[0]:
                text += way.slow_suffix.format(hz=khz * 1000)
            self._add(_replaced(word, text), group.because_of)
        if khz is not None and way.slow is not None:
            self._add(_replaced(way.slow, way.slow.text.format(hz=khz * 1000)), group.because_of)
        if way.bluetooth:
            self._bluetooth_off(way, group)

    def _bluetooth_off(self, way: BootEnable, group: _Group) -> None:
        use = group.uses[0]
        others = (
            f"wiring: {{{use.instance}.{use.claim}: {{port: {outlet.bus}}}}}"
            for outlet in self.board.outlets
            if outlet.kind == "uart"
            and outlet.complete
            and group.lines.isdisjoint(outlet.lines.values())
        )
        self.findings.append(
            finding(
                "bluetooth-off",
                Severity.WARNING,
                f"{group.bus} on the header {way.note}",
                places=self._places(group),
                why=f"{way.words[0].kind} {way.words[0].text} is planned",
                repair=tuple(others)[:1],
                plugins=group.because_of,
                resource=group.bus,
            )
        )

    def _card(self, group: _Group) -> tuple[str, ...] | None:
        """Return the overlay of the one sound card on an I2S group; None where none is known."""
        if self.vocabulary is None or not all(one.section == "i2s" for one in group.uses):
            return None
        cards: set[str] = set()
        for one in group.uses:
            claim = self.claims.get((one.instance, one.claim))
            if not isinstance(claim, I2sClaim) or claim.part is None:
                return None
            card = self.vocabulary.cards.get(part_key(claim.part))
            if card is None:
                return None
            cards.add(card)
        return tuple(cards) if len(cards) == 1 else None

    def _slowest(self, group: _Group) -> int | None:
        """Return the clock in kHz to which a bus must be lowered; None: the usual one is fine."""
        limits = [
            claim.max_khz
            for one in group.uses
            if isinstance(claim := self.claims.get((one.instance, one.claim)), I2cClaim)
            and claim.max_khz is not None
        ]
        return min(limits) if limits and min(limits) < _USUAL_KHZ else None

    def _unknown(self, group: _Group) -> None:
        vendor = self.board.boot.get("vendor")
        other = (
            self.image != "vendor"
            and vendor is not None
            and any(
                way.bus == group.bus and (not way.lines or group.lines <= set(way.lines))
                for way in vendor.enables
            )
        )
        limits = () if self.vocabulary is None else self.vocabulary.limits
        lines = ", ".join(self._ordered(group.lines))
        self.findings.append(
            finding(
                UNKNOWN,
                Severity.WARNING,
                f"how {group.bus} is switched on is not known for image {self.image} of "
                f"{self.release} on {self.board.id}",
                places=self._places(group),
                why=(
                    *((f"it must come out at {lines}",) if lines else ()),
                    *(limits or (f"no facts about boot settings of image {self.image}",)),
                ),
                repair="system: {image: vendor}" if other else (),
                plugins=group.because_of,
                resource=group.bus,
            )
        )

    def _audio(self, groups: Mapping[str, _Group]) -> None:
        """Switch the jack off where its PWM block does something else."""
        block = self.board.analog_audio_block
        users = [one for one in self.on_board if block is not None and one.bus == block]
        if not users or "audio analog" in groups or self.vocabulary is None:
            return
        for way in self.vocabulary.enables:
            if way.bus == "audio off":
                for word in way.words:
                    self._add(word, tuple(sorted({one.instance for one in users})))

    def _console(self) -> None:
        """Take the console off lines that an assignment uses."""
        pins = set(self.board.console_pins)
        users = [one for one in self.on_board if any(use.position in pins for use in one.lines)]
        if not users:
            return
        because_of = tuple(sorted({one.instance for one in users}))
        words = () if self.vocabulary is None else self.vocabulary.console_off
        for word in words:
            self._add(word, because_of)
        if not words:
            self._unknown(_Group("console", users))

    def _freed(self) -> None:
        """Release positions that the stock image holds, where a word for it is known."""
        if self.vocabulary is None:
            return
        for claim in self.board.default_claims:
            users = sorted(
                {
                    one.instance
                    for one in self.on_board
                    if one.bus is None or one.bus != claim.bus
                    if any(use.position in claim.pins for use in one.lines)
                }
            )
            for word in self.vocabulary.frees.get(claim.by, ()) if users else ():
                self._add(word, tuple(users))

    def _add(self, word: BootWord, because_of: Iterable[InstanceName]) -> None:
        key = (word.kind, word.text, word.file)
        self.words.setdefault(key, (word, set()))[1].update(because_of)

    def _written(self) -> tuple[BootSetting, ...]:
        settings = list(self._modules())
        if self.vocabulary is not None:
            settings.extend(self._lines(self.vocabulary))
        return tuple(sorted(settings, key=lambda one: (one.kind, one.file or "", one.text)))

    def _lines(self, vocabulary: BootVocabulary) -> Iterator[BootSetting]:
        joined: dict[str, list[tuple[BootWord, set[InstanceName]]]] = {}
        for word, because_of in self.words.values():
            if word.kind in vocabulary.joined:
                joined.setdefault(word.kind, []).append((word, because_of))
            elif not self._stands(word, because_of):
                yield self._setting(vocabulary, word, vocabulary.line_of(word), because_of)
        for kind, words in joined.items():
            words.sort(key=lambda pair: pair[0].text)
            paths = " ".join(vocabulary.joined_path.format(text=word.text) for word, _ in words)
            yield self._setting(
                vocabulary,
                words[0][0],
                vocabulary.forms[kind].format(paths=paths),
                {name for _, because_of in words for name in because_of},
            )

    def _setting(
        self, vocabulary: BootVocabulary, word: BootWord, text: str, because_of: set[InstanceName]
    ) -> BootSetting:
        usual = (
            vocabulary.command_line_file
            if word.kind.startswith("kernel-command-line")
            else vocabulary.settings_file
        )
        return BootSetting(
            kind=word.kind,
            text=text,
            because_of=tuple(sorted(because_of)),
            source=word.source,
            file=word.file or usual,
            frees=word.remove,
            apply=vocabulary.apply,
        )

    def _modules(self) -> Iterator[BootSetting]:
        if self.vocabulary is None:
            return
        for section, modules in sorted(self.vocabulary.modules.items()):
            users = sorted({one.instance for one in self.on_board if one.section == section})
            for module in modules if users else ():
                yield BootSetting(kind="module-load", text=module, because_of=tuple(users))
        for name, modules in sorted(self.vocabulary.usb_blocks.items()):
            users = sorted(
                {
                    one.instance
                    for one in self.on_board
                    if one.section == "usb" and name in one.resource.split()
                }
            )
            for module in modules if users else ():
                yield BootSetting(kind="module-block", text=module, because_of=tuple(users))

    def _stands(self, word: BootWord, because_of: set[InstanceName]) -> bool:
        """Whether the card's own file says *word* already; a contradiction is reported."""
        if word.kind not in {"parameter", "overlay", "firmware"}:
            return False
        name, _, value = word.text.partition("=")
        for line in self.config:
            if word.kind == "overlay":
                wanted = overlay_line(word.text, (), line.origin, "")
                same = line.kind == "overlay" and (line.name, set(line.params)) == (
                    wanted.name,
                    set(wanted.params),
                )
                if same:
                    return True
                continue
            if line.kind != word.kind or line.name != name:
                continue
            if (line.value or "on") == value:
                return True
            self.findings.append(
                finding(
                    "boot-setting-conflict",
                    Severity.ERROR,
                    f"{line.text} in the boot file contradicts {word.text}, which is needed",
                    places=(line.origin,),
                    why=f"needed for {', '.join(sorted(because_of))}",
                    repair=f"take {line.text} out of {line.origin.file}",
                    plugins=because_of,
                    resource=name,
                )
            )
        return False

    def _places(self, group: _Group) -> tuple[Place, ...]:
        found = tuple(
            Place(origin=claim.key.origin, label=f"{one.instance}.{one.claim}")
            for one in group.uses
            if (claim := self.claims.get((one.instance, one.claim))) is not None
        )
        return found or (Place(origin=Origin(file="robot.yaml")),)

    def _ordered(self, lines: Iterable[LineName]) -> list[LineName]:
        """Return *lines* in the board's order."""
        order = {name: rank for rank, name in enumerate(self.board.lines)}
        return sorted(lines, key=lambda line: (order.get(line, len(order)), line))


def _replaced(word: BootWord, text: str) -> BootWord:
    return BootWord(
        kind=word.kind, text=text, file=word.file, remove=word.remove, source=word.source
    )
