"""Lid up, pump on, pump off, lid down."""

from __future__ import annotations

import time

import gpiod
import serial
from gpiod.line import Direction, Value

from ._lines import request
from ._wiring import own

LID_S = 1.0


class Bottle:
    """Takes one sample at each place that is asked for."""

    period_s = 1.0

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.claims = own_plan["claims"]
        self.say = say
        self.here = None
        self.asked = False
        self.link = None
        self.pump = None

    def open(self):
        self.link = serial.Serial(self.claims["lid"]["device"], timeout=1)
        off = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value.INACTIVE)
        self.pump = request(self.claims["pump"], off, "sampler")
        self._lid(opened=False)

    def hear(self, topic, value):
        if topic == "position/fix":
            self.here = value
        elif topic == "sample-pump":
            self.asked = bool(value)

    def step(self):
        if not self.asked:
            return
        self.asked = False
        self._lid(opened=True)
        time.sleep(LID_S)
        held, offset = self.pump
        held.set_value(offset, Value.ACTIVE)
        try:
            time.sleep(self.settings["pump-s"])
        finally:
            held.set_value(offset, Value.INACTIVE)
        self._lid(opened=False)
        self.say("sampler/bottle", {"where": self.here})

    def close(self):
        if self.pump is not None:
            held, offset = self.pump
            held.set_value(offset, Value.INACTIVE)
            held.release()
        if self.link is not None:
            self._lid(opened=False)
            self.link.close()

    def _lid(self, *, opened):
        pin = self.claims["lid"]["line"]
        self.link.write(f"servo {pin} {1.0 if opened else -1.0:+.2f}\n".encode())
