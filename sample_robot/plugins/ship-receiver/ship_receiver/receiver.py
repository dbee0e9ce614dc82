"""What ships tell about themselves."""

from __future__ import annotations

from pyais import decode
from pyais.exceptions import AISBaseException
from smbus2 import SMBus, i2c_msg

from ._wiring import own

BLOCK = 128


class Receiver:
    """Reads messages out of the add-on board's inbox."""

    period_s = 0.5

    def __init__(self, name, say):
        self.inbox = own(name)["claims"]["inbox"]
        self.say = say
        self.rest = b""
        self.bus = None

    def open(self):
        self.bus = SMBus(self.inbox["device"])

    def hear(self, topic, value):
        pass

    def step(self):
        message = i2c_msg.read(self.inbox["address"], BLOCK)
        self.bus.i2c_rdwr(message)
        *lines, self.rest = (self.rest + bytes(message).rstrip(b"\0")).split(b"\r\n")
        for line in lines:
            try:
                vessel = decode(line).asdict()
            except AISBaseException:
                continue
            wanted = ("mmsi", "lat", "lon", "speed")
            self.say("vessels/near", {key: vessel.get(key) for key in wanted})

    def close(self):
        if self.bus is not None:
            self.bus.close()
