"""What can go together on a companion's chip, whoever asks for it."""

from __future__ import annotations

from collections.abc import Sequence

from robokit_plan.model import Chip

from ._chip_counts import check_counts
from ._chip_pins import check_pins
from ._chip_uses import ChipSetting, Clash, PinUse
from ._chip_waves import check_waveforms

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
