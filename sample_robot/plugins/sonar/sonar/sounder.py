"""Depth by time of flight; the kernel stamps both edges of the echo."""

from __future__ import annotations

import time

import gpiod
from gpiod.line import Direction, Edge, Value

from ._lines import request
from ._wiring import own

TRIGGER_S = 0.00002


class Sounder:
    """Two soundings a second."""

    period_s = 0.5

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.claims = own_plan["claims"]
        self.say = say
        self.trigger = None
        self.echo = None

    def open(self):
        out = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value.INACTIVE)
        both = gpiod.LineSettings(direction=Direction.INPUT, edge_detection=Edge.BOTH)
        self.trigger = request(self.claims["trigger"], out, "sonar")
        self.echo = request(self.claims["echo"], both, "sonar")

    def hear(self, topic, value):
        pass

    def step(self):
        held, offset = self.trigger
        held.set_value(offset, Value.ACTIVE)
        time.sleep(TRIGGER_S)
        held.set_value(offset, Value.INACTIVE)
        there_and_back_s = 2 * self.settings["deepest-m"] / self.settings["sound-m-per-s"]
        echo = self.echo[0]
        stamps = []
        while len(stamps) < 2 and echo.wait_edge_events(there_and_back_s):
            stamps += [event.timestamp_ns for event in echo.read_edge_events()]
        if len(stamps) >= 2:
            flight_s = (stamps[1] - stamps[0]) / 1e9
            self.say("sonar/depth", flight_s * self.settings["sound-m-per-s"] / 2)

    def close(self):
        for line in (self.trigger, self.echo):
            if line is not None:
                line[0].release()
