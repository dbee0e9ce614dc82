"""What a chip has few of: instances, outlets, channels, state machines and their memory."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from robokit_plan.model import Chip, ChipPio, Severity, listed

from ._uses import BUSES, SERVO_HZ, ChipSetting, Clash, PinUse

_COUNTED = {
    "led-string": ("pulse_tx", "pulse channels that send"),
    "ir-out": ("pulse_tx", "pulse channels that send"),
    "ir-in": ("pulse_rx", "pulse channels that receive"),
    "encoder": ("encoders", "counting units"),
}
_MACHINES, _MACHINE = "pio_state_machines", "state machines"
_PROGRAMS = frozenset({"led-string", "ir-out", "ir-in"})
"""Kinds that a state machine of its own serves where the chip has them."""


def check_counts(chip: Chip, uses: Sequence[PinUse], setting: ChipSetting) -> Iterator[Clash]:
    """Yield what the chip has not enough of, or has at one place only."""
    yield from _instances(chip, uses, setting)
    yield from _outlets(chip, uses)
    yield from _counts(chip, uses)
    yield from _programs(chip, uses)


def _instances(chip: Chip, uses: Sequence[PinUse], setting: ChipSetting) -> Iterator[Clash]:
    """Yield radios that the chip lacks, and a serial port that is its link to the board."""
    for use in uses:
        if use.kind == "radio" and use.bus not in chip.radio:
            yield Clash(
                rule="function-missing",
                severity=Severity.ERROR,
                message=f"{chip.name} has no {use.bus}",
                uses=(use,),
                why=(f"its radio does {listed(chip.radio)}",)
                if chip.radio
                else ("it has no radio",),
                resource=use.bus or "",
                movable=False,
            )
    if setting.link != "usb" or chip.native_usb or chip.host_uart is None:
        return
    apart = [
        use
        for use in uses
        if use.bus == chip.host_uart
        and use.pin is not None
        and not ((pin := chip.find_pin(use.pin)) and pin.host_link)
    ]
    if apart:
        others = {use.bus for use in uses}
        free = [
            name
            for number in range(chip.counts.get("uart", 0))
            if (name := f"uart{number}") not in others
        ]
        yield Clash(
            rule="host-link-taken",
            severity=Severity.ERROR,
            message=f"{listed(use.text for use in apart)} take {chip.host_uart} of "
            f"{chip.name} from its link to the board",
            uses=tuple(apart),
            why=("the USB bridge speaks by it, and new programs come in by it",),
            resource=chip.host_uart,
            movable=False,
            repair=(f"block: {free[0]}",) if free else (),
        )


def _outlets(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    """Yield bus signals that come out at two pins."""
    places: dict[tuple[str, str], list[PinUse]] = defaultdict(list)
    for use in uses:
        if use.kind in BUSES and use.pin is not None and use.bus and use.signal:
            places[use.bus, use.signal].append(use)
    apart: dict[str, list[str]] = defaultdict(list)
    for (bus, signal), ones in places.items():
        if len({pin.name for one in ones if one.pin and (pin := chip.find_pin(one.pin))}) > 1:
            apart[bus].append(signal)
    for bus, signals in apart.items():
        ones = [use for signal in signals for use in places[bus, signal]]
        pins = sorted({pin.name for one in ones if one.pin and (pin := chip.find_pin(one.pin))})
        yield Clash(
            rule="outlet-collision",
            severity=Severity.ERROR,
            message=f"{listed(sorted(signals))} of {bus} of {chip.name} "
            f"{'is' if len(signals) == 1 else 'are'} wanted at {listed(pins)}",
            uses=tuple(ones),
            why=("a signal comes out at one pin at a time",),
            resource=bus,
        )


def _counts(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    by_count: dict[tuple[str, str], list[PinUse]] = defaultdict(list)
    for use in uses:
        if use.kind in _COUNTED:
            by_count[_COUNTED[use.kind]].append(use)
        if use.kind in _PROGRAMS:
            by_count[_MACHINES, _MACHINE].append(use)
        if use.kind in {"pwm", "servo"} and chip.servo_timer is None:
            by_count["pwm_channels", "channels for pulses"].append(use)
    for (word, meaning), ones in by_count.items():
        limit = chip.counts.get(word)
        count = len({use.bus or use.text for use in ones} if word == "encoders" else ones)
        if limit is not None and count > limit:
            yield _exhausted(chip, ones, f"{count} {meaning}", limit)
    if chip.matrix:
        waves = [use for use in uses if use.kind in {"pwm", "servo"}]
        asked = {use.frequency or (SERVO_HZ if use.kind == "servo" else None) for use in waves}
        asked.discard(None)
        limit = chip.counts.get("pwm_timers")
        if limit is not None and len(asked) > limit:
            yield _exhausted(chip, waves, f"{len(asked)} frequencies", limit)
    servos = [use for use in uses if use.kind == "servo"]
    if chip.servos_per_timer is not None and len(servos) > chip.servos_per_timer:
        yield _exhausted(chip, servos, f"{len(servos)} servos", chip.servos_per_timer)
    instances: dict[str, dict[str, list[PinUse]]] = defaultdict(lambda: defaultdict(list))
    for use in uses:
        if use.kind in BUSES and use.bus is not None:
            instances[use.kind][use.bus].append(use)
    for kind, named in instances.items():
        limit = chip.counts.get(kind)
        if limit is not None and len(named) > limit:
            ones = [use for each in named.values() for use in each]
            yield _exhausted(chip, ones, f"{len(named)} {kind} instances", limit)


def _programs(chip: Chip, uses: Sequence[PinUse]) -> Iterator[Clash]:
    """Yield programs of state machines that find no room in the instruction memories."""
    pio = chip.pio
    if pio is None:
        return
    asked = {
        (use.kind, use.bus if use.kind == "encoder" else use.text): use
        for use in uses
        if use.kind in pio.programs
    }
    wanted = sorted(pio.programs[kind] + (kind,) for kind, _ in asked)
    machines = sum(one[0] for one in wanted)
    if machines > pio.blocks * pio.machines and len(asked) <= chip.counts.get(_MACHINES, 0):
        yield _exhausted(chip, asked.values(), f"{machines} {_MACHINE}", pio.blocks * pio.machines)
    elif machines <= pio.blocks * pio.machines and not _placed(tuple(wanted), pio):
        yield Clash(
            rule="chip-exhausted",
            severity=Severity.ERROR,
            message=f"{chip.name} has not enough memory for "
            f"{listed(sorted({kind for kind, _ in asked}))} beside one another",
            uses=tuple(asked.values()),
            why=(
                f"each of its {pio.blocks} blocks holds {pio.words} instructions and runs "
                f"{pio.machines} programs; "
                + ", ".join(f"{kind} takes {words}" for _, words, kind in sorted(set(wanted))),
            ),
            resource=chip.name,
            movable=False,
        )


def _placed(wanted: tuple[tuple[int, int, str], ...], pio: ChipPio) -> bool:
    """
    Return whether all programs fit: machines add up in a block, equal programs share their words.

    *wanted*: machines, words and kind of each.
    """
    empty: tuple[int, frozenset[str]] = (0, frozenset())
    states = {(empty,) * pio.blocks}
    for machines, _, kind in wanted:
        after = set()
        for state in states:
            for at, (used, kinds) in enumerate(state):
                loaded = kinds | {kind}
                words = sum(pio.programs[one][1] for one in loaded)
                if used + machines <= pio.machines and words <= pio.words:
                    rest = (*state[:at], (used + machines, loaded), *state[at + 1 :])
                    after.add(tuple(sorted(rest, key=lambda one: (one[0], sorted(one[1])))))
        states = after
    return bool(states)


def _exhausted(chip: Chip, uses: Iterable[PinUse], asked: str, limit: int) -> Clash:
    return Clash(
        rule="chip-exhausted",
        severity=Severity.ERROR,
        message=f"{asked} are asked of {chip.name}, which has {limit}",
        uses=tuple(uses),
        why=("free pins do not add to what is inside the chip",),
        resource=chip.name,
        movable=False,
    )
