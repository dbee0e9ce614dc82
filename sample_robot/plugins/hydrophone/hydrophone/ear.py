"""Loud events under water."""

from __future__ import annotations

import numpy as np
import sounddevice

from ._wiring import own

RATE_HZ = 48_000
SECOND = RATE_HZ


def level_db(samples):
    """Return the level of *samples* in dB of full scale."""
    power = float(np.mean(np.square(np.asarray(samples, dtype=np.float64))))
    return 10 * np.log10(max(power, 1e-12))


class Ear:
    """Compares each second with the quiet that went before."""

    period_s = 0.0

    def __init__(self, name, say):
        own_plan = own(name)
        self.threshold = own_plan["settings"]["threshold-db"]
        self.claim = own_plan["claims"]["microphone"]
        self.say = say
        self.quiet = None
        self.stream = None

    def open(self):
        card = self.claim.get("device")
        self.stream = sounddevice.InputStream(RATE_HZ, channels=1, device=card)
        self.stream.start()

    def hear(self, topic, value):
        pass

    def step(self):
        samples, _ = self.stream.read(SECOND)
        level = level_db(samples)
        self.quiet = level if self.quiet is None else 0.98 * self.quiet + 0.02 * level
        if level > self.quiet + self.threshold:
            self.say("hydrophone/event", {"db": round(level, 1)})

    def close(self):
        if self.stream is not None:
            self.stream.close()
