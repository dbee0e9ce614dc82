"""What can go together on a companion's chip, whoever asks for it."""

from __future__ import annotations

from collections.abc import Sequence

from robokit_plan.model import Chip

from ._counts import check_counts
from ._pins import check_pins
from ._timers import check_waveforms
from ._uses import ChipSetting, Clash, PinUse

__all__ = ["ChipSetting", "Clash", "PinUse", "clashes"]


_USUAL = ChipSetting()


def clashes(chip: Chip, uses: Sequence[PinUse], setting: ChipSetting = _USUAL) -> tuple[Clash, ...]:
    """
    Return all that does not go together among *uses* on *chip*, gravest first.

    The uses may be any, those too that no manifest can declare.
    """
    found = [
        *check_pins(chip, uses, setting),
        *check_waveforms(chip, uses),
        *check_counts(chip, uses, setting),
    ]
    unique = dict.fromkeys(found)
    return tuple(sorted(unique, key=lambda one: (one.severity.rank, one.rule, one.message)))
