"""Air over the water."""

from __future__ import annotations

import time

from smbus2 import SMBus, i2c_msg

from ._wiring import own

# Commands and formulas: the sensor's data sheet.
HUMIDITY, TEMPERATURE = 0xF5, 0xF3
MEASURE_S = 0.03


class Air:
    """Measures every ten seconds."""

    period_s = 10.0

    def __init__(self, name, say):
        self.claim = own(name)["claims"]["sensor"]
        self.say = say
        self.bus = None

    def open(self):
        self.bus = SMBus(self.claim["device"])

    def hear(self, topic, value):
        pass

    def step(self):
        celsius = 175.72 * self._measure(TEMPERATURE) / 65536 - 46.85
        percent = 125 * self._measure(HUMIDITY) / 65536 - 6
        self.say("air/quality", {"celsius": round(celsius, 1), "percent": round(percent)})

    def close(self):
        if self.bus is not None:
            self.bus.close()

    def _measure(self, command):
        self.bus.write_byte(self.claim["address"], command)
        time.sleep(MEASURE_S)
        answer = i2c_msg.read(self.claim["address"], 2)
        self.bus.i2c_rdwr(answer)
        return int.from_bytes(bytes(answer), "big")
