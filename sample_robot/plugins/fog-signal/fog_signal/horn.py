"""One prolonged blast."""

from __future__ import annotations

import gpiod
import numpy as np
import sounddevice
from gpiod.line import Direction, Value

from ._lines import request
from ._wiring import own

RATE_HZ = 44_100
BLAST_S = 4.0
TROUBLE = ("hull/leak", "pack/low")


def blast(pitch_hz):
    """Return one blast as samples between -1 and 1, with soft edges."""
    time_s = np.arange(int(RATE_HZ * BLAST_S)) / RATE_HZ
    tone = sum(np.sin(2 * np.pi * pitch_hz * n * time_s) / n for n in (1, 2, 3))
    edge = np.clip(np.minimum(time_s, BLAST_S - time_s) / 0.2, 0, 1)
    return (tone / 2 * edge).astype(np.float32)


class Horn:
    """Sounds while a leak or a low pack is reported."""

    period_s = 6.0

    def __init__(self, name, say):
        own_plan = own(name)
        self.tone = blast(own_plan["settings"]["pitch-hz"])
        self.buzzer_claim = own_plan["claims"].get("buzzer")
        self.speaker = own_plan["claims"]["speaker"]
        self.say = say
        self.trouble = {}
        self.buzzer = None

    def open(self):
        if self.buzzer_claim is not None:
            quiet = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value.INACTIVE)
            self.buzzer = request(self.buzzer_claim, quiet, "fog-signal")

    def hear(self, topic, value):
        if topic in TROUBLE:
            self.trouble[topic] = bool(value)

    def step(self):
        loud = any(self.trouble.values())
        if self.buzzer is not None:
            held, offset = self.buzzer
            held.set_value(offset, Value.ACTIVE if loud else Value.INACTIVE)
        if loud:
            sounddevice.play(self.tone, RATE_HZ, device=self.speaker.get("device"))

    def close(self):
        sounddevice.stop()
        if self.buzzer is not None:
            self.buzzer[0].release()
