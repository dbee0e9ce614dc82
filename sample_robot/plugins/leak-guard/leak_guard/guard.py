"""The float switch in the bilge."""

from __future__ import annotations

from datetime import timedelta

import gpiod
from gpiod.line import Bias, Direction, Value

from ._lines import request
from ._wiring import own


class Guard:
    """Says once a second whether there is water in the bilge."""

    period_s = 1.0

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.claim = own_plan["claims"]["leak"]
        self.say = say
        self.held = None

    def open(self):
        contact = gpiod.LineSettings(
            direction=Direction.INPUT,
            bias=Bias.PULL_UP,
            active_low=True,  # the contact closes to ground
            debounce_period=timedelta(milliseconds=self.settings["confirm-ms"]),
        )
        self.held = request(self.claim, contact, "leak-guard")

    def hear(self, topic, value):
        pass

    def step(self):
        held, offset = self.held
        self.say("hull/leak", held.get_value(offset) is Value.ACTIVE)

    def close(self):
        if self.held is not None:
            self.held[0].release()
