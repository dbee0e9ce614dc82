"""Heading from a nine-axis sensor, or from one that computes it itself."""

from __future__ import annotations

import numpy as np
from smbus2 import SMBus

from ._wiring import own

# Registers: the parts' data sheets.
NINE_AXIS_BANK, NINE_AXIS_POWER, NINE_AXIS_PIN = 0x7F, 0x06, 0x0F
BYPASS = 0x02
MAGNETOMETER, MAG_STATUS, MAG_DATA, MAG_MODE, MAG_CONTINUOUS = 0x0C, 0x10, 0x11, 0x31, 0x08
FUSED_MODE, FUSED_NINE_AXIS, FUSED_EULER = 0x3D, 0x0C, 0x1A


class Heading:
    """Publishes degrees clockwise from north, ten times a second."""

    period_s = 0.1

    def __init__(self, name, say):
        own_plan = own(name)
        self.variant = own_plan["variant"]
        self.declination = own_plan["settings"]["declination-deg"]
        self.imu = own_plan["claims"]["imu"]
        self.say = say
        self.bus = None

    def open(self):
        self.bus = SMBus(self.imu["device"])
        address = self.imu["address"]
        if self.variant == "fused":
            self.bus.write_byte_data(address, FUSED_MODE, FUSED_NINE_AXIS)
            return
        self.bus.write_byte_data(address, NINE_AXIS_BANK, 0)
        self.bus.write_byte_data(address, NINE_AXIS_POWER, 1)
        self.bus.write_byte_data(address, NINE_AXIS_PIN, BYPASS)
        self.bus.write_byte_data(MAGNETOMETER, MAG_MODE, MAG_CONTINUOUS)

    def hear(self, topic, value):
        pass

    def step(self):
        heading = self._fused() if self.variant == "fused" else self._magnetic()
        self.say("compass/heading", (heading + self.declination) % 360)

    def close(self):
        if self.bus is not None:
            self.bus.close()

    def _fused(self):
        raw = self.bus.read_i2c_block_data(self.imu["address"], FUSED_EULER, 2)
        return int.from_bytes(bytes(raw), "little", signed=True) / 16

    def _magnetic(self):
        raw = self.bus.read_i2c_block_data(MAGNETOMETER, MAG_DATA, 8)
        x, y, _ = np.frombuffer(bytes(raw[:6]), dtype="<i2")
        return float(np.degrees(np.arctan2(-float(y), float(x))))
