"""Two converters behind a multiplexer and a 1-wire thermometer."""

from __future__ import annotations

import time
from pathlib import Path

from smbus2 import SMBus

from ._wiring import own

# Registers and bits: the converter's data sheet.
CONVERSION, CONFIG = 0x00, 0x01
SINGLE_SHOT_AIN0_4V = [0xC3, 0x83]
FULL_SCALE_V = 4.096
CONVERSION_S = 0.01
CHANNELS = {"acidity": 0, "conductivity": 1}


class Probe:
    """One depth's temperature, acidity and conductivity."""

    def __init__(self, name, say):
        own_plan = own(name)
        self.name = name
        self.depth_mm = own_plan["settings"]["depth-mm"]
        self.period_s = own_plan["settings"]["interval-s"]
        self.claims = own_plan["claims"]
        self.say = say
        self.bus = None

    def open(self):
        self.bus = SMBus(self.claims["mux"]["device"])

    def hear(self, topic, value):
        pass

    def step(self):
        self.say(
            "water/quality",
            {
                "probe": self.name,
                "depth-mm": self.depth_mm,
                "celsius": self._temperature(),
                "acidity-v": self._volts("acidity"),
                "conductivity-v": self._volts("conductivity"),
            },
        )

    def close(self):
        if self.bus is not None:
            self.bus.close()

    def _volts(self, name):
        address = self.claims[name]["address"]
        self.bus.write_byte(self.claims["mux"]["address"], 1 << CHANNELS[name])
        self.bus.write_i2c_block_data(address, CONFIG, SINGLE_SHOT_AIN0_4V)
        time.sleep(CONVERSION_S)
        raw = bytes(self.bus.read_i2c_block_data(address, CONVERSION, 2))
        return int.from_bytes(raw, "big", signed=True) / 32768 * FULL_SCALE_V

    def _temperature(self):
        # Probes share the line: the file beside the log says which thermometer hangs at this one.
        known = Path(f"{self.name}.thermometer")
        if not known.exists():
            return None
        device = Path("/sys/bus/w1/devices") / known.read_text(encoding="ascii").strip()
        return int((device / "temperature").read_text(encoding="ascii")) / 1000
