"""The work light over the deck."""

from __future__ import annotations

import gpiod
from gpiod.line import Direction, Value

from ._lines import request
from ._wiring import own


class Lamp:
    """Dark until asked."""

    period_s = 0.5

    def __init__(self, name, say):
        self.claim = own(name)["claims"]["lamp"]
        self.say = say
        self.lit = False
        self.held = None

    def open(self):
        dark = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value.INACTIVE)
        self.held = request(self.claim, dark, "deck-lamp")

    def hear(self, topic, value):
        if topic == "deck-lamp":
            self.lit = bool(value)

    def step(self):
        held, offset = self.held
        held.set_value(offset, Value.ACTIVE if self.lit else Value.INACTIVE)

    def close(self):
        if self.held is not None:
            self.lit = False
            self.step()
            self.held[0].release()
