"""Thrust and rudder from a joystick."""

from __future__ import annotations

from evdev import InputDevice, ecodes

from ._wiring import own

CENTRE, SPAN = 128, 128


class Stick:
    """Sends what the stick says while the trigger is held; letting go stops."""

    period_s = 0.05

    def __init__(self, name, say):
        own_plan = own(name)
        self.claim = own_plan["claims"]["joystick"]
        self.scale = 40 if own_plan["settings"]["gentle"] else 100
        self.say = say
        self.device = None

    def open(self):
        self.device = InputDevice(self.claim["device"])

    def hear(self, topic, value):
        pass

    def step(self):
        held = ecodes.BTN_TRIGGER in self.device.active_keys()
        along = (CENTRE - self.device.absinfo(ecodes.ABS_Y).value) / SPAN if held else 0
        across = (self.device.absinfo(ecodes.ABS_X).value - CENTRE) / SPAN if held else 0
        self.say("port-thruster", self.scale * (along + across / 2))
        self.say("starboard-thruster", self.scale * (along - across / 2))
        self.say("rudder", across)

    def close(self):
        self.say("port-thruster", 0)
        self.say("starboard-thruster", 0)
        if self.device is not None:
            self.device.close()
