"""Pulses for two speed controllers, from hardware PWM."""

from __future__ import annotations

import time
from pathlib import Path

import gpiod
from gpiod.line import Direction, Value

from ._lines import request
from ._wiring import own

FRAME_NS = 20_000_000
STOPPED_NS = 1_500_000
SPAN_NS = 400_000


class _Pulse:
    """One PWM channel of the kernel."""

    def __init__(self, claim):
        chip = next(Path(claim["device"]).glob("pwmchip*"))  # its number changes between starts
        self.channel = int(claim["channel"].split()[-1])  # "pwm0 channel 1"
        self.path = chip / f"pwm{self.channel}"
        if not self.path.exists():
            (chip / "export").write_text(str(self.channel), encoding="ascii")
        (self.path / "period").write_text(str(FRAME_NS), encoding="ascii")
        self.thrust(0)
        (self.path / "enable").write_text("1", encoding="ascii")

    def thrust(self, percent):
        width = STOPPED_NS + int(SPAN_NS * percent / 100)
        (self.path / "duty_cycle").write_text(str(width), encoding="ascii")


class Drive:
    """Both thrusters; silence stops them."""

    period_s = 0.05

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.claims = own_plan["claims"]
        self.say = say
        self.wanted = {"port-thruster": 0.0, "starboard-thruster": 0.0}
        self.heard = 0.0
        self.pulses = {}
        self.enable = None

    def open(self):
        self.pulses = {
            "port-thruster": _Pulse(self.claims["port-esc"]),
            "starboard-thruster": _Pulse(self.claims["starboard-esc"]),
        }
        stopped = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value.INACTIVE)
        self.enable = request(self.claims["enable"], stopped, "thrusters")

    def hear(self, topic, value):
        if topic in self.wanted:
            limit = self.settings["limit-percent"]
            self.wanted[topic] = max(-limit, min(limit, value))
            self.heard = time.monotonic()

    def step(self):
        silent = (time.monotonic() - self.heard) * 1000 > self.settings["silence-ms"]
        for thruster, pulse in self.pulses.items():
            pulse.thrust(0 if silent else self.wanted[thruster])
        held, offset = self.enable
        held.set_value(offset, Value.INACTIVE if silent else Value.ACTIVE)
        self.say("thrusters/state", "silent" if silent else "driven")

    def close(self):
        if self.enable is not None:
            held, offset = self.enable
            held.set_value(offset, Value.INACTIVE)
            held.release()
        for pulse in self.pulses.values():
            pulse.thrust(0)
