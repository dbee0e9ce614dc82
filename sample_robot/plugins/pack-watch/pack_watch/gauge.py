"""Voltage and current of the pack."""

from __future__ import annotations

import subprocess

from smbus2 import SMBus

from ._wiring import own

# Registers and steps: the monitor's data sheet.
SHUNT_VOLTAGE, BUS_VOLTAGE = 0x01, 0x02
SHUNT_STEP_NV = 2_500
BUS_STEP_UV = 1_250


class Gauge:
    """Measures once a second and powers off after a minute below the limit."""

    period_s = 1.0

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.claim = own_plan["claims"]["gauge"]
        self.say = say
        self.bus = None
        self.below = 0

    def open(self):
        self.bus = SMBus(self.claim["device"])

    def hear(self, topic, value):
        pass

    def step(self):
        volts_mv = self._word(BUS_VOLTAGE) * BUS_STEP_UV // 1000
        shunt_nv = self._word(SHUNT_VOLTAGE) * SHUNT_STEP_NV
        self.say("pack/state", {"mv": volts_mv, "ma": shunt_nv // self.settings["shunt-micro-ohm"]})
        self.say("pack/low", volts_mv < self.settings["warn-mv"])
        self.below = self.below + 1 if volts_mv < self.settings["off-mv"] else 0
        if self.below > 60:
            subprocess.run(["/usr/bin/systemctl", "poweroff"], check=False)

    def close(self):
        if self.bus is not None:
            self.bus.close()

    def _word(self, register):
        raw = bytes(self.bus.read_i2c_block_data(self.claim["address"], register, 2))
        return int.from_bytes(raw, "big", signed=True)
